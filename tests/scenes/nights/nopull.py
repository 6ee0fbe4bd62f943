"""Nights with nothing to judge."""

from __future__ import annotations

from scenes.scene import HOLD, faulty

GROUP = "nopull"
faulty(
    GROUP,
    "idle-only",
    "mid",
    HOLD,
    "Only idle: nothing to judge.",
    "",
    drive=(("off", 2.0), ("start",), ("idle", 70.0)),
)
faulty(GROUP, "idle-only-gauge", "old", HOLD, "Only idle.", "", drive=(("idle", 60.0),))
faulty(
    GROUP,
    "cruise-only",
    "big",
    HOLD,
    "Only cruise.",
    "",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 40.0, 80, 4),
        ("cruise", 30.0, 60, 4),
    ),
)
faulty(
    GROUP,
    "cruise-only-hill",
    "hill",
    HOLD,
    "Only cruise.",
    "",
    drive=(("idle", 6.0), ("cruise", 60.0, 70, 4)),
)
faulty(GROUP, "key-on-only", "rally", HOLD, "The engine never ran.", "", drive=(("off", 40.0),))
faulty(
    GROUP,
    "part-throttle-only",
    "rally",
    HOLD,
    "The driver never opened the throttle past 60 percent: no pull.",
    "",
    opts=(("pedal", 58.0),),
    pulls=2,
)
faulty(
    GROUP,
    "blips-only",
    "mid",
    HOLD,
    "Tip-ins of under a second: no pull.",
    "",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 10.0, 60, 3),
        ("pull", 3, 3000, 3300),
        ("cruise", 10.0, 60, 3),
        ("pull", 3, 3000, 3300),
        ("cruise", 10.0, 60, 3),
    ),
)
