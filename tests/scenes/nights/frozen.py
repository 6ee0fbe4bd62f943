"""Sensors that stand still, and those that may."""

from __future__ import annotations

import numpy as np

from scenes.logger import both, freeze, freeze_all
from scenes.scene import BAD, HOLD, faulty, healthy

GROUP = "frozen"
faulty(
    GROUP,
    "map-before-tip-one-of-three",
    "mid",
    HOLD,
    "Manifold pressure stands still through the second pull.",
    "sensor.flat_line",
    edits={"map": {"edit": freeze((1,))}},
)
faulty(
    GROUP,
    "map-in-boost-every-pull",
    "big",
    HOLD,
    "Manifold pressure hangs at the value it had in the middle of spooling, in every pull.",
    "sensor.flat_line",
    edits={"map": {"edit": freeze(None, 3.2, 0.2)}},
)
faulty(
    GROUP,
    "map-single-pull",
    "hill",
    HOLD,
    "The only pull has a frozen manifold pressure.",
    "sensor.flat_line",
    pulls=1,
    edits={"map": {"edit": freeze(None, -0.4, 1.0)}},
)
faulty(
    GROUP,
    "map-settled-then-hangs",
    "rally",
    HOLD,
    "From 1.5 s on the pressure has not one flicker until the lift: the sensor value hangs.",
    "sensor.flat_line",
    edits={"map": {"edit": freeze(None, 1.5, 0.0)}},
)
faulty(
    GROUP,
    "lambda-rich-every-pull",
    "rally",
    HOLD,
    "Lambda repeats one value to the third place through every pull.",
    "sensor.flat_line",
    edits={"lam": {"edit": freeze(None, 0.9, 0.5)}},
)
faulty(
    GROUP,
    "lambda-one-pull-50hz",
    "mid",
    HOLD,
    "Lambda frozen from before the tip-in through one pull.",
    "sensor.flat_line",
    edits={"lam": {"edit": both(freeze((2,), 0.8, 0.6))}},
)
faulty(
    GROUP,
    "lambda-whole-night-0.80",
    "mtn",
    HOLD,
    "Lambda reads 0.800 from idle to redline: no sensor does.",
    "sensor.flat_line",
    edits={"lam": {"edit": freeze_all(0.8)}},
)
faulty(
    GROUP,
    "charge-temp-every-pull",
    "mid",
    HOLD,
    "Charge temperature in tenths flickers in cruise and is dead still in each pull.",
    "sensor.flat_line",
    edits={"iat": {"edit": freeze(None, -0.5, 1.0)}},
)
faulty(
    GROUP,
    "charge-temp-whole-night",
    "rally",
    HOLD,
    "Charge temperature is 25.0 all night at a resolution of tenths.",
    "sensor.flat_line",
    edits={"iat": {"edit": freeze_all(25.0)}},
)
faulty(
    GROUP,
    "second-bank",
    "v6",
    HOLD,
    "The second bank's reading stands still through each pull.",
    "sensor.flat_line",
    edits={"lam2": {"edit": freeze(None, 0.9, 0.5)}},
)
faulty(
    GROUP,
    "fuel-pressure-one-pull",
    "rally",
    HOLD,
    "Fuel pressure frozen through a pull proves nothing of the pump.",
    "sensor.flat_line fuel.pressure_drop",
    edits={"fuelp": {"edit": freeze((0,), -0.3, 0.3)}},
)
faulty(
    GROUP,
    "oil-pressure-every-pull",
    "rally",
    BAD,
    "Oil pressure frozen at the cruise value through each pull.",
    "sensor.flat_line oil.pressure",
    edits={"oil": {"edit": freeze(None, -0.3, 0.3)}},
)
healthy(
    GROUP,
    "iat-whole-degrees-short-pull",
    "small",
    "A slow sensor in whole degrees does not move in a short pull.",
    gear=2,
    lo=3000,
    hi=5900,
    car={"iat_gain": 0.07},
)
healthy(
    GROUP,
    "iat-whole-degrees-100hz",
    "drag",
    "Whole degrees at 100 samples a second: long runs of equal values are normal.",
    pulls=1,
    rest=8.0,
    edits={"iat": {"dec": 0, "step": 1.0}, "coolant": {"dec": 0, "step": 1.0}},
)
healthy(
    GROUP,
    "iat-two-fahrenheit",
    "v6",
    "Charge temperature in steps of two degrees Fahrenheit.",
    edits={"iat": {"step": 2.0}, "coolant": {"step": 2.0}},
)
healthy(
    GROUP,
    "coolant-thermostat-constant",
    "mid",
    "Coolant stands at 88 all evening: that is what a thermostat is for.",
    edits={
        "coolant": {"dec": 0, "step": 1.0, "fn": lambda s: np.full_like(s["t"], 88.0), "noise": 0.0}
    },
)
healthy(
    GROUP,
    "barometer-constant",
    "mtn",
    "A barometer that does not move is a barometer.",
    edits={"baro": {"noise": 0.0}},
)
healthy(
    GROUP,
    "map-10hz-in-50hz-file",
    "mid",
    "Pressure arrives ten times a second and is repeated between.",
    edits={"map": {"rate": 10}},
)
healthy(
    GROUP,
    "lambda-10hz-in-100hz-file",
    "drag",
    "Lambda updated every tenth row.",
    pulls=1,
    rest=8.0,
    edits={"lam": {"rate": 10}, "iat": {"rate": 5}, "coolant": {"rate": 2}},
)
healthy(
    GROUP,
    "slow-channels-blank-between",
    "rally",
    "Temperatures written only each half second, blank cells between.",
    edits={
        "iat": {"rate": 2, "hold": "blank"},
        "coolant": {"rate": 2, "hold": "blank"},
        "oilt": {"rate": 1, "hold": "blank"},
        "egt": {"rate": 5, "hold": "blank"},
    },
)
healthy(
    GROUP,
    "lambda-blank-between-map-full",
    "big",
    "Lambda at 12.5 a second with blanks between.",
    edits={"lam": {"rate": 12.5, "hold": "blank"}},
)
healthy(
    GROUP,
    "voltage-in-tenths",
    "small",
    "Supply in steps of a tenth volt barely moves.",
    edits={"volts": {"dec": 1, "step": 0.1, "noise": 0.01}},
)
