"""Files and pulls of which a part is missing."""

from __future__ import annotations

from scenes.fleet import FLEET, short_drive
from scenes.scene import HOLD, faulty, healthy, shape

GROUP = "cutoff"
faulty(
    GROUP,
    "torn-line-mid-pull",
    "rally",
    HOLD,
    "The file ends in mid-line in the only pull.",
    "sensor.gap",
    pulls=1,
    shape=shape(t_end=lambda p: p[0].start + 0.55 * (p[0].end - p[0].start), torn=lambda p: 31),
)
faulty(
    GROUP,
    "torn-at-the-top",
    "mid",
    HOLD,
    "The file ends half a second before the lift of the only pull.",
    "sensor.gap",
    pulls=1,
    shape=shape(t_end=lambda p: p[0].end - 0.5, torn=lambda p: 22),
)
faulty(
    GROUP,
    "torn-gzip-mid-pull",
    "big",
    HOLD,
    "The compressed file is torn in the last part of the only pull.",
    "sensor.gap",
    pulls=1,
    log={"file": "night.csv.gz", "gz": True, "torn_gz": 120},
    shape=shape(t_end=lambda p: p[0].end - 0.4),
)
faulty(
    GROUP,
    "clock-restarts-mid-pull",
    "hill",
    HOLD,
    "The logger restarted in the only pull; its clock begins again at 0.",
    "sensor.clock sensor.gap",
    pulls=1,
    shape=shape(
        restart=lambda p: (p[0].start + 3.0,),
        drop=lambda p: ((p[0].start + 2.4, p[0].start + 3.0),),
    ),
)
faulty(
    GROUP,
    "gap-over-the-end",
    "mid",
    HOLD,
    "The last second of the pull and the lift are missing.",
    "sensor.gap",
    pulls=1,
    shape=shape(drop=lambda p: ((p[0].end - 1.0, p[0].end + 3.0),)),
)
faulty(
    GROUP,
    "gap-in-the-middle",
    "e85",
    HOLD,
    "1.2 s are missing where boost settles, in the only pull.",
    "sensor.gap",
    pulls=1,
    shape=shape(drop=lambda p: ((p[0].start + 1.2, p[0].start + 2.4),)),
)
faulty(
    GROUP,
    "rest-of-a-long-pull-shows-itself-alone",
    "mid",
    HOLD,
    "A gap from the cruise into the last seconds of the only pull, a long one: what is left of it is no whole pull.",
    "sensor.gap",
    gear=5,
    lo=2400,
    hi=5600,
    pulls=1,
    log={"rate": 20},
    shape=shape(drop=lambda p: ((p[0].start - 0.4, p[0].end - 3.6),)),
)
faulty(
    GROUP,
    "other-gear-does-not-show",
    "rally",
    HOLD,
    "The fourth-gear pull is cut off and no other fourth-gear pull shows the whole.",
    "sensor.gap",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 8.0, 60, 3),
        ("pull", 3, 2800, 6800),
        ("cruise", 14.0, 75, 4),
        ("pull", 4, 3000, 6800),
        ("cruise", 8.0, 75, 4),
    ),
    shape=shape(t_end=lambda p: p[1].end - 2.2, torn=lambda p: 17),
)
faulty(
    GROUP,
    "both-pulls-short-of-end",
    "small",
    HOLD,
    "Each of two pulls loses its top to a gap: nobody saw the top end.",
    "sensor.gap",
    pulls=2,
    shape=shape(drop=lambda p: tuple((q.end - 1.6, q.end + 2.0) for q in p)),
)
healthy(
    GROUP,
    "torn-in-cruise",
    "rally",
    "The last line is torn in cruise long after the last pull.",
    pulls=2,
    log={"torn": 25},
    drive=short_drive(FLEET["rally"], 2)[:-1],
)
healthy(
    GROUP,
    "gzip-torn-in-cruise",
    "mid",
    "The compressed file's end is missing, in cruise long after the last pull.",
    log={"file": "night.csv.gz", "gz": True, "torn_gz": 60},
    drive=short_drive(FLEET["mid"], 3, 20.0)[:-1],
)
healthy(
    GROUP,
    "third-pull-cut-two-whole",
    "mid",
    "The third pull is cut off, but two whole ones in the same gear at the same duty show everything.",
    shape=shape(t_end=lambda p: p[2].start + 3.5, torn=lambda p: 20),
)
healthy(
    GROUP,
    "restart-in-idle",
    "hill",
    "The clock starts again while idling between whole pulls.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 8.0, 65, 4),
        ("pull", 3, 2400, 6400),
        ("cruise", 10.0, 50, 3),
        ("idle", 10.0),
        ("cruise", 12.0, 60, 4),
        ("pull", 3, 2400, 6400),
        ("cruise", 15.0, 60, 4),
    ),
    shape=shape(restart=lambda p: (p[0].end + 24.0,)),
)
healthy(
    GROUP,
    "gap-in-cruise",
    "e85",
    "Two seconds are missing in cruise, far from any pull.",
    shape=shape(drop=lambda p: ((p[0].start - 7.0, p[0].start - 5.0),)),
)
healthy(
    GROUP,
    "gap-one-pull-others-whole",
    "big",
    "A gap at the top of the first pull; two whole twins show it.",
    pulls=3,
    shape=shape(drop=lambda p: ((p[0].end - 1.2, p[0].end + 1.5),)),
)
