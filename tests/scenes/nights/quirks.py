"""Quirks of healthy logs."""

from __future__ import annotations

from scenes.logger import Col, before_pull, one_sample
from scenes.scene import NAN, healthy, shape

GROUP = "quirks"
healthy(
    GROUP,
    "injector-duty-below-zero",
    "e85",
    "Noise takes the injector duty a little below zero on overrun.",
    edits={"inj": {"clip": (-5, 100), "noise": 0.3, "offset": -0.2}},
    opts=(("coast", 5.0),),
)
healthy(
    GROUP,
    "throttle-dips-one-sample",
    "rally",
    "One sample of the throttle reads 61 in a pull.",
    edits={"thr": {"edit": one_sample(3.0, 61.0, (1,))}},
)
healthy(
    GROUP,
    "throttle-dips-one-sample-10hz",
    "mtn",
    "One sample in ten a second dips.",
    edits={"thr": {"edit": one_sample(3.5, 70.0, (0,))}},
)
healthy(
    GROUP,
    "lambda-blank-in-cruise",
    "mid",
    "Lambda blank for 0.9 s in cruise.",
    edits={"lam": {"edit": before_pull(8.0, 7.1, NAN, (1,))}},
)
healthy(
    GROUP,
    "lambda-blank-in-cruise-20hz",
    "e85",
    "Lambda blank for 0.9 s in cruise.",
    edits={"lam": {"edit": before_pull(6.0, 5.1, NAN, (0,))}},
)
healthy(
    GROUP,
    "stray-text-in-cruise",
    "small",
    "A marker line of text among the data.",
    shape=shape(insert=lambda p: ((p[0].start - 6.0, "# marker"),)),
)
healthy(
    GROUP,
    "rows-missing-two",
    "mid",
    "Two rows lost in a pull at 50 a second.",
    shape=shape(drop=lambda p: ((p[1].start + 3.0, p[1].start + 3.035),)),
)
healthy(GROUP, "row-written-twice", "rally", "One row stands twice.", log={"dup_row": (20.0, 33.0)})
healthy(
    GROUP,
    "jittery-clock",
    "hill",
    "The logger's rows come a few milliseconds early or late.",
    log={"jitter": 0.006},
)
healthy(
    GROUP,
    "empty-column-at-the-end",
    "big",
    "An empty column without a name.",
    add=(Col("", "zero", text=""),),
)
healthy(GROUP, "cranking-dip", "small", "The supply dips to 10 V while cranking, as all do.")
healthy(
    GROUP,
    "speed-stands-at-idle",
    "rally",
    "Road speed zero for half a minute at idle.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 30.0),
        ("cruise", 10.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 14.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 8.0, 60, 3),
    ),
)
healthy(
    GROUP,
    "noisy-map",
    "rally",
    "Intake pulsation of a kilopascal on the pressure.",
    edits={"map": {"noise": 0.9}},
)
