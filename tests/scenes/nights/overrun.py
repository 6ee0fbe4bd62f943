"""Fuel cuts on overrun, and faults of the lambda sensor."""

from __future__ import annotations

import numpy as np

from scenes.logger import flicker, freeze_all, in_pull
from scenes.scene import BAD, HOLD, faulty, healthy

GROUP = "overrun"
healthy(
    GROUP,
    "free-air-after-each-pull",
    "mid",
    "Lambda runs to free air on the overrun after each pull.",
    opts=(("coast", 5.0),),
)
healthy(
    GROUP,
    "afr-22-after-each-pull",
    "v6",
    "The AFR reads 22.4 on the overrun.",
    opts=(("coast", 5.0),),
)
healthy(
    GROUP,
    "chain-of-gears",
    "rally",
    "Second, third, fourth with fuel cut at each shift.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 8.0, 40, 2),
        ("chain", (2, 3, 4), 3000, 6900),
        ("cruise", 40.0, 60, 4),
        ("chain", (2, 3, 4), 3000, 6900),
        ("cruise", 12.0, 70, 4),
    ),
)
healthy(
    GROUP,
    "pull-right-out-of-overrun",
    "e85",
    "The foot goes down out of overrun: lambda needs its third of a second.",
    opts=(("after_overrun", 1.0),),
)
healthy(
    GROUP,
    "ceiling-1.30-on-overrun",
    "big",
    "The wideband ends at 1.30 and sits there on overrun.",
    edits={"lam": {"clip": (0.65, 1.30)}},
    opts=(("coast", 4.0),),
)
healthy(
    GROUP,
    "overrun-long-downhill",
    "hill",
    "Twelve seconds of overrun down a hill between pulls.",
    drive=(
        ("off", 2.0),
        ("start",),
        ("idle", 5.0),
        ("cruise", 8.0, 60, 3),
        ("pull", 3, 2400, 6400),
        ("overrun", 9.0, 4),
        ("cruise", 14.0, 60, 4),
        ("pull", 3, 2400, 6400),
        ("overrun", 7.0, 4),
        ("cruise", 9.0, 60, 4),
    ),
)
faulty(
    GROUP,
    "free-air-in-the-pull",
    "mid",
    BAD,
    "Lambda at the free-air end in mid-pull while the car pulls on: a sensor fault, or no fuel.",
    "sensor.rail sensor.range mixture.lean sensor.dropout",
    edits={"lam": {"edit": in_pull(1.9, (1,), 1.0, 0.0)}},
)
faulty(
    GROUP,
    "afr-pegged-all-night",
    "v6",
    BAD,
    "The first bank reads 22.4 all night.",
    "sensor.rail sensor.flat_line sensor.range mixture.lean",
    edits={"lam": {"edit": freeze_all(22.4)}},
)
faulty(
    GROUP,
    "lambda-falls-to-zero",
    "rally",
    HOLD,
    "Lambda drops to zero in bursts in each pull.",
    "sensor.dropout sensor.range sensor.rail",
    edits={"lam": {"edit": flicker(0.0, 0.4)}},
)
faulty(
    GROUP,
    "lambda-low-end",
    "big",
    HOLD,
    "Lambda sits at its low end of 0.50 through each pull.",
    "sensor.rail sensor.flat_line sensor.range mixture.rich",
    edits={"lam": {"edit": in_pull(0.5, None, 0.6, 0.3)}},
)
faulty(
    GROUP,
    "cold-sensor",
    "hill",
    BAD,
    "A sensor with a cold heater reads 1.0 through every pull.",
    "mixture.lean sensor.flat_line",
    edits={"lam": {"edit": lambda t, v, p, r: np.round(1.0 + r.normal(0, 0.003, len(v)), 3)}},
)
faulty(
    GROUP,
    "error-value-9.99",
    "e85",
    HOLD,
    "The controller writes its error value 9.990 in each pull.",
    "sensor.range sensor.rail sensor.missing",
    edits={"lam": {"edit": in_pull(9.99, None, 0.2, 1.0)}},
)
