"""Figures of a whole log beside its pulls: the air, a duty typed by hand, sensors at rest."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from audit.model import NOT_EVALUATED, Array, LogAudit
from audit.night.typed import typed_duty
from audit.signal.arrays import median, median_of_finite

STOPPED_RPM = 50.0  # below the slowest cranking
LEAST_SAMPLES = 5


def facts_of(audit: LogAudit) -> Mapping[str, Any]:
    """By name with unit; None for what is not known. {} for a file that was not read."""
    if audit.facts is not None or audit.log is None:
        return audit.facts or {}
    air = _believed(audit, "ambient_air_temp")
    return {
        "rows": audit.log.rows,
        "duration_s": audit.log.duration_s,
        "rate_hz": audit.log.rate_hz,
        "barometric_kpa": audit.log.barometric.kpa,
        "ambient_c": median_of_finite(air) if np.isfinite(air).any() else None,
        "duty_typed_pct": typed_duty(audit.log),
        "map_at_rest_kpa": _map_at_rest(audit),
    }


def _map_at_rest(audit: LogAudit) -> float | None:
    """Manifold minus barometric pressure with the engine stopped, kPa; None where unknown.

    Does not see: a barometric value that was itself taken from the manifold sensor.
    """
    needed = ("engine_speed", "manifold_pressure", "barometric_pressure")
    speed, manifold, barometric = (_believed(audit, name) for name in needed)
    if not len(speed) == len(manifold) == len(barometric):
        return None
    still = (speed < STOPPED_RPM) & np.isfinite(manifold)
    if still.sum() < LEAST_SAMPLES or not np.isfinite(barometric).any():
        return None
    return median(manifold[still]) - median_of_finite(barometric)


def _believed(audit: LogAudit, name: str) -> Array:
    """A channel, NaN where it is not believed; empty where there is none."""
    log, sanity = audit.log, audit.sanity
    if log is None or not log.has(name):
        return np.empty(0)
    value = log.values(name)
    if sanity is None or name not in sanity.samples:
        return value
    return np.where(sanity.samples[name] <= NOT_EVALUATED, value, np.nan)
