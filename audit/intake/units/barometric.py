"""A first estimate of ambient pressure, to read units by; audit/pulls/boost.py decides what boost
is counted from.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.intake.units.scene import Scene, in_order, quantile
from audit.model import Array, Barometric
from audit.signal.arrays import both_finite, median
from audit.signal.robust import MAD_TO_SIGMA
from audit.units import STANDARD_PRESSURE_KPA, standard_pressure_kpa

LOW_KPA, HIGH_KPA = 58.0, 107.0
WEATHER_KPA = 3.0  # weather moves the true pressure by some 3 kPa either way
LEAST_PAIRS = 20  # rows with both an absolute and a gauge reading
MOST_SPREAD_KPA = 6.0  # two readings of one pressure that lie wider apart are not that
ASSUMED = Barometric(
    STANDARD_PRESSURE_KPA, "assumed: standard pressure at sea level", 8.0, kind="assumed"
)


def from_channel(kpa: Array | None) -> Barometric | None:
    """The median of a barometric column, kPa absolute; None when it is no ambient pressure."""
    there = in_order(np.empty(0) if kpa is None else kpa)
    real = there[(there > LOW_KPA) & (there < HIGH_KPA)]
    if len(real) == 0 or len(real) < 0.2 * len(there):
        return None
    return Barometric(median(real), "barometric channel", 1.0, kind="channel")


def from_stopped(manifold_kpa: Array, scene: Scene) -> Barometric | None:
    """Manifold pressure (absolute) with the engine stopped."""
    level = scene.level(manifold_kpa, "stopped")
    if level is None or not LOW_KPA < level < HIGH_KPA:
        return None
    return Barometric(level, "manifold pressure with the engine stopped", 0.5, kind="stopped")


def from_pair(absolute_kpa: Array, gauge_kpa: Array) -> Barometric | None:
    """Ambient pressure as what an absolute reading of manifold pressure has over a gauge reading of
    it, kPa.

    Arrays of the same rows, NaN without a sample. Rows at the lowest gauge reading are left out
    where it sits there (a gauge that knows no vacuum). None where too few rows have both, or the
    difference is no ambient pressure or no constant. Its uncertainty is three standard deviations
    of the median, at least 1 kPa for the sensors' zeros.
    """
    absolute, gauge = both_finite(absolute_kpa, gauge_kpa)
    lowest = gauge == gauge.min(initial=np.inf)
    apart = absolute - gauge
    if lowest.sum() > 0.05 * len(gauge):
        apart = apart[~lowest]
    if len(apart) < LEAST_PAIRS:
        return None
    level = median(apart)
    spread = MAD_TO_SIGMA * median(np.abs(apart - level))  # as a standard deviation, Huber (1981)
    if not LOW_KPA < level < HIGH_KPA or spread > MOST_SPREAD_KPA:
        return None
    of_median = 1.2533 * spread / len(apart) ** 0.5  # of a median, Kenney and Keeping (1951)
    return Barometric(level, "absolute less gauge manifold pressure", max(1.0, 3.0 * of_median))


def from_height(altitude_m: float | None) -> Barometric | None:
    """The standard atmosphere at the car file's altitude (ISO 2533:1975)."""
    if altitude_m is None:
        return None
    kpa, what = standard_pressure_kpa(altitude_m), f"the altitude given, {altitude_m:g} m"
    return Barometric(kpa, what, WEATHER_KPA, kind="altitude")


def from_wide_open(manifold_kpa: Array, scene: Scene) -> Barometric | None:
    """Manifold pressure wide open at low engine speed, before the turbo has spooled: just under
    ambient.

    Only taken where it lies level (the lower half of such samples within 4 kPa), so that a spooled
    turbo is not taken for the weather; reported 1 kPa up for the loss across the filter.
    """
    if scene.rpm is None:
        return None
    picked = in_order(manifold_kpa[scene.states["wide"] & (scene.rpm < 2800.0)])
    if len(picked) < 8:
        return None
    low, mid = quantile(picked, 0.1), quantile(picked, 0.5)
    if mid - low > 4.0 or not LOW_KPA < mid < 104.0:
        return None
    what = "manifold pressure wide open before the turbo spools"
    return Barometric(mid + 1.0, what, 6.0, kind="wide_open")


def best(
    *,
    channel_kpa: Array | None,
    manifold_kpa: Array | None,
    scene: Scene,
    altitude_m: float | None,
    pairs: Sequence[tuple[Array, Array]] = (),
) -> Barometric:
    """The first of: barometric channel, engine stopped, absolute less gauge, altitude, wide open
    before spool, sea level.

    manifold_kpa: of an absolute sensor, thinned, None without one. pairs: an absolute and a gauge
    reading of it, kPa.
    """
    absolute = manifold_kpa if manifold_kpa is not None else np.full(len(scene.time), np.nan)
    return (
        from_channel(channel_kpa)
        or from_stopped(absolute, scene)
        or next(filter(None, (from_pair(*pair) for pair in pairs)), None)
        or from_height(altitude_m)
        or from_wide_open(absolute, scene)
        or ASSUMED
    )
