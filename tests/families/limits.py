"""The limits in whose units the size of a fault is counted.

They repeat the published table of default limits (watch, hold, stop); nothing else of the program
is used here. ``size`` 1 is the hold limit:

* a quantity whose healthy value is nought (overshoot, slope, swing, degrees of knock, ...):
  true value = size x hold;
* a quantity with a healthy level (lambda, temperatures, volts, ...):
  true value = hold + (size - 1) x 2 x (hold - watch), which moves in the harmful direction.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

BOOST_KNOTS_KPA = (35.0, 70.0, 140.0)
LEAN_WATCH = (0.88, 0.84, 0.81)
LEAN_HOLD = (0.92, 0.88, 0.84)
LEAN_STOP = (0.96, 0.93, 0.89)
DIRECT_INJECTION_SHIFT = 0.04
# Share of the way from petrol's limits to those of ethanol 85, by ethanol content. Methanol's lean
# limit is not in the table and follows ethanol 85 here (both cool the charge and resist knock alike).
ALCOHOL_SHARE = {"petrol": 0.0, "e10": 10 / 85, "e50": 50 / 85, "e85": 1.0, "methanol": 1.0}
ETHANOL_SHIFT = 0.02


@dataclass(frozen=True)
class Level:
    """Watch and hold limit of a quantity with a healthy level; hold may lie below watch."""

    watch: float
    hold: float

    def at(self, size: float) -> float:
        """True value of a fault of ``size`` (1 = the hold limit)."""
        return self.hold + (size - 1.0) * 2.0 * (self.hold - self.watch)

    def size(self, value: float) -> float:
        """Size of a true value: the inverse of :meth:`at`."""
        return 1.0 + (value - self.hold) / (2.0 * (self.hold - self.watch))


COOLANT_C = Level(102.0, 108.0)
COLD_COOLANT_C = Level(75.0, 65.0)
COLD_OIL_C = Level(75.0, 60.0)
EXHAUST_C = Level(900.0, 950.0)
INTAKE_RISE_K = Level(15.0, 25.0)
INTAKE_START_STEP_K = Level(5.0, 10.0)
OVER_LAMBDA_TARGET = Level(0.04, 0.07)
INJECTOR_DUTY_PCT = Level(85.0, 92.0)
SUPPLY_V = Level(13.0, 12.4)
OIL_KPA_PER_KRPM = Level(70.0, 55.0)
OVERSPEED_PCT = Level(0.0, 3.0)

OVER_TARGET_KPA = 14.0
UNDER_TARGET_KPA = 14.0
UNEVEN_KPA = 14.0
CREEP_KPA_PER_KRPM = 8.0
FADE_PCT = 25.0
LOST_PCT = 25.0
OSCILLATION_KPA_PP = 15.0
BANKS_APART = 0.06
KNOCK_ONE_PULL_DEG = 3.0
KNOCK_MORE_PULLS_DEG = 2.5
CLUTCH_SLIP_PCT = 8.0
FUEL_DROP_PCT = 12.0
OVER_LIMIT_STEP_KPA = 20.0


def overshoot_hold_kpa(settled_kpa: float) -> float:
    """Overshoot that holds: 14 kPa and 15 % both passed, or 20 kPa alone."""
    return min(20.0, max(14.0, 0.15 * settled_kpa))


def _between(petrol: Level, ethanol: Level, fuel: str) -> Level:
    share = ALCOHOL_SHARE[fuel]
    watch = petrol.watch + share * (ethanol.watch - petrol.watch)
    return Level(watch, petrol.hold + share * (ethanol.hold - petrol.hold))


def intake_c(fuel: str) -> Level:
    """Charge temperature in a pull [deg C]."""
    return _between(Level(50.0, 60.0), Level(60.0, 75.0), fuel)


def rich(fuel: str) -> Level:
    """Lambda that is far too rich under boost."""
    if fuel == "methanol":
        return Level(0.58, 0.54)
    return _between(Level(0.72, 0.68), Level(0.66, 0.62), fuel)


def lean_limits(boost_kpa: Array, fuel: str, direct: bool) -> tuple[Array, Array, Array]:
    """Watch, hold and stop lambda at each boost pressure [kPa gauge]."""
    shift = ALCOHOL_SHARE[fuel] * ETHANOL_SHIFT + (DIRECT_INJECTION_SHIFT if direct else 0.0)
    rows = (LEAN_WATCH, LEAN_HOLD, LEAN_STOP)
    watch, hold, stop = (np.interp(boost_kpa, BOOST_KNOTS_KPA, row) + shift for row in rows)
    return watch, hold, stop
