"""Channels that are logged and cannot be believed."""

from __future__ import annotations

import numpy as np

from scenes.car import Fault
from scenes.logger import Col, at, freeze_all, in_pull, one_sample
from scenes.scene import BAD, HOLD, NAN, faulty, healthy

GROUP = "unbelieved"
K5 = {"pulls": 5, "rest": 9.0}
faulty(
    GROUP,
    "knock-negative-five-pulls",
    "rally",
    BAD,
    "6.5 degrees of timing taken out in each of five pulls, written as negative numbers.",
    "knock.retard sensor.unit_doubt sensor.range",
    fault=Fault(knock=6.5),
    edits={"knock": {"unit": "neg"}},
    **K5,
)
faulty(
    GROUP,
    "knock-negative-three-pulls",
    "hill",
    BAD,
    "Four degrees taken out, written negative.",
    "knock.retard sensor.unit_doubt sensor.range",
    fault=Fault(knock=4.2),
    edits={"knock": {"unit": "neg"}},
)
faulty(
    GROUP,
    "knock-negative-with-positive-stray",
    "rally",
    BAD,
    "Retard is written negative but for one positive stray sample: the sign convention must not turn on it.",
    "knock.retard sensor.unit_doubt sensor.range sensor.spike",
    fault=Fault(knock=6.0),
    edits={"knock": {"unit": "neg", "edit": one_sample(-5.0, 1.5, (0,))}},
    **K5,
)
faulty(
    GROUP,
    "knock-one-stray-25",
    "rally",
    BAD,
    "A single sample of 25.5 in a pull: nobody knows what it was.",
    "knock.retard sensor.spike sensor.range",
    edits={"knock": {"edit": one_sample(3.0, 25.5, (1,))}},
)
faulty(
    GROUP,
    "knock-blank-through-pull",
    "mid",
    HOLD,
    "The knock channel is blank through one pull.",
    "sensor.dropout sensor.missing sensor.gap",
    edits={"knock": {"edit": in_pull(NAN, (1,), -0.5, 0.5)}},
)
faulty(
    GROUP,
    "oil-blank-through-pull",
    "rally",
    HOLD,
    "Oil pressure blank through every pull.",
    "sensor.dropout sensor.missing sensor.gap",
    edits={"oil": {"edit": in_pull(NAN, None, -0.3, 0.3)}},
)
faulty(
    GROUP,
    "fuel-blank-through-pull",
    "rally",
    HOLD,
    "Fuel pressure blank through the second pull.",
    "sensor.dropout sensor.missing sensor.gap",
    edits={"fuelp": {"edit": in_pull(NAN, (1,), -0.2, 0.4)}},
)
faulty(
    GROUP,
    "exhaust-all-rubbish",
    "rally",
    HOLD,
    "The exhaust temperature reads 9999 all night.",
    "sensor.range sensor.missing sensor.rail",
    edits={"egt": {"edit": freeze_all(9999.0)}},
)
faulty(
    GROUP,
    "exhaust-all-text",
    "rally",
    HOLD,
    "The exhaust temperature column holds only an error word.",
    "sensor.missing sensor.range",
    edits={"egt": {"text": "ERR"}},
)
faulty(
    GROUP,
    "oil-negative-all-night",
    "big",
    BAD,
    "Oil pressure reads -40 all night: not a pressure.",
    "sensor.range sensor.rail oil.pressure sensor.flat_line",
    edits={"oil": {"edit": lambda t, v, p, r: np.full_like(v, -40.0)}},
)
faulty(
    GROUP,
    "lambda-blank-in-each-pull",
    "e85",
    HOLD,
    "Lambda is blank from tip-in to lift in each pull.",
    "sensor.dropout sensor.missing sensor.gap",
    edits={"lam": {"edit": in_pull(NAN, None, -0.2, 0.2)}},
)
faulty(
    GROUP,
    "map-blank-in-one-pull",
    "mtn",
    HOLD,
    "Manifold pressure blank through a pull.",
    "sensor.dropout sensor.missing sensor.gap",
    edits={"map": {"edit": in_pull(NAN, (2,), -0.2, 0.2)}},
)
faulty(
    GROUP,
    "knock-noise-nonsense",
    "mid",
    BAD,
    "Retard jumps between -30 and +30 at random: not believed, so knock is unknown.",
    "sensor.range sensor.rate_of_change knock.retard sensor.unit_doubt sensor.spike",
    edits={
        "knock": {"noise": 0.0, "edit": lambda t, v, p, r: np.round(r.uniform(-30, 30, len(v)), 1)}
    },
)
healthy(
    GROUP,
    "knock-zero-all-night",
    "rally",
    "No knock: the retard stands at zero, as it should.",
    pulls=4,
    rest=9.0,
)
healthy(
    GROUP,
    "knock-small-negative",
    "hill",
    "Learned trim of half a degree, written negative, coming and going.",
    edits={"knock": {"unit": "neg", "edit": in_pull(-0.5, (1,), 2.0, -1.5)}},
)
healthy(
    GROUP,
    "knock-blank-in-idle",
    "mid",
    "The knock channel is blank at idle only; it lives under load.",
    edits={"knock": {"edit": at(((5.0, 9.0, NAN),))}},
)
healthy(
    GROUP,
    "outside-temp-column-empty",
    "small",
    "A column of a sensor that is not fitted is empty; it guards nothing.",
    add=(Col("Ambient temp", "air", text=""), Col("Gear", "gear", text="")),
)
healthy(
    GROUP,
    "trims-blank-in-pulls",
    "mid",
    "Fuel trims go blank in open loop; nobody needs them there.",
    cols="rpm speed thr pedal map baro target duty lam iat coolant stft",
    edits={"stft": {"edit": in_pull(NAN, None, 0.2, 0.5)}},
)
healthy(
    GROUP,
    "exhaust-one-stray-in-idle",
    "rally",
    "One wild exhaust sample at idle, none in a pull.",
    edits={"egt": {"edit": at(((6.0, 6.04, 0.0),))}},
)
