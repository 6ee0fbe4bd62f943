"""Ambient pressure for boost: intake's choice, unless the sensor tests say that the channel is broken."""

from __future__ import annotations

import numpy as np

from audit.model import FAIL, SUSPECT, Barometric, Car, Log, Sanity
from audit.pulls.rows import believed
from audit.sanity.state import state_of
from audit.signal.arrays import median
from audit.units import STANDARD_PRESSURE_KPA, standard_pressure_kpa

OPEN_AIR_KPA = (50.0, 112.0)


def best_barometric(log: Log, sanity: Sanity, car: Car) -> Barometric:
    """The log's own barometric estimate, or the best other one where its barometric channel is not believed.

    In order: manifold pressure with the engine stopped, the car file's altitude, the standard atmosphere
    at sea level; named, with its uncertainty in kPa.
    """
    if not log.has("barometric_pressure") or not _from_channel(log) or not _broken(log, sanity):
        return log.barometric
    why = "barometric channel not believed; "
    rest = _at_rest(log, sanity)
    if rest is not None:
        return Barometric(rest, why + "manifold pressure with the engine stopped", 1.5)
    if car.altitude_m is not None:
        return Barometric(
            standard_pressure_kpa(car.altitude_m),
            why + "the car file's altitude, standard atmosphere",
            3.0,
        )
    return Barometric(STANDARD_PRESSURE_KPA, why + "the standard atmosphere at sea level", 6.0)


def _from_channel(log: Log) -> bool:
    value = log.values("barometric_pressure")
    good = value[np.isfinite(value)]
    return "channel" in log.barometric.source or (
        len(good) > 0 and abs(median(good) - log.barometric.kpa) < 0.3
    )


def _broken(log: Log, sanity: Sanity) -> bool:
    """Flagged through and through, or at odds with the air."""
    flags = sanity.samples.get("barometric_pressure")
    if flags is None:
        return False
    there = flags <= FAIL
    if sanity.flags.get("barometric_pressure") == FAIL or not there.any():
        return True
    if float(np.mean(flags[there] >= SUSPECT)) > 0.2:
        return True
    level = median(believed(log, sanity, "barometric_pressure").value)
    return not OPEN_AIR_KPA[0] <= level <= OPEN_AIR_KPA[1]


def _at_rest(log: Log, sanity: Sanity) -> float | None:
    if not log.has("manifold_pressure"):
        return None
    flags = sanity.samples.get("manifold_pressure")
    rest = state_of(log).stopped & np.isfinite(log.values("manifold_pressure"))
    if flags is not None:
        rest &= flags < SUSPECT
    if rest.sum() < 3:
        return None
    level = median(log.values("manifold_pressure")[rest])
    return level if OPEN_AIR_KPA[0] <= level <= OPEN_AIR_KPA[1] else None
