"""Measures of a whole log that only trends need: the sensors with the engine at rest."""

from __future__ import annotations

import numpy as np

from audit.model import NOT_EVALUATED, Log, Sanity

STOPPED_RPM = 50.0  # below the slowest cranking
LEAST_SAMPLES = 5


def resting(log: Log, sanity: Sanity | None) -> dict[str, float]:
    """map_at_rest_kpa: manifold minus barometric pressure with the engine stopped, kPa; empty where unknown.

    Does not see: a barometric value that was itself taken from the manifold sensor (there is no second sensor).
    """
    needed = ("engine_speed", "manifold_pressure", "barometric_pressure")
    if log.rows == 0 or not all(log.has(name) for name in needed):
        return {}
    speed, manifold, barometric = (_believed(log, sanity, name) for name in needed)
    still = (speed < STOPPED_RPM) & np.isfinite(manifold)
    if still.sum() < LEAST_SAMPLES or not np.isfinite(barometric).any():
        return {}
    return {"map_at_rest_kpa": float(np.median(manifold[still]) - np.nanmedian(barometric))}


def _believed(
    log: Log, sanity: Sanity | None, name: str
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    value = log.values(name)
    if sanity is None or name not in sanity.samples:
        return value
    return np.where(sanity.samples[name] <= NOT_EVALUATED, value, np.nan)
