"""A first estimate of ambient pressure, to read units by; audit/pulls/boost.py decides what boost is counted from."""

from __future__ import annotations

import numpy as np

from audit.intake.units.scene import Scene, quantile
from audit.model import Array, Barometric
from audit.signal.arrays import median
from audit.units import STANDARD_PRESSURE_KPA, standard_pressure_kpa

LOW_KPA, HIGH_KPA = 58.0, 107.0
WEATHER_KPA = 3.0  # weather moves the true pressure by some 3 kPa either way


def from_channel(kpa: Array) -> Barometric | None:
    """The median of a barometric column, kPa absolute; None when it is no ambient pressure."""
    real = kpa[np.isfinite(kpa) & (kpa > LOW_KPA) & (kpa < HIGH_KPA)]
    if len(real) == 0 or len(real) < 0.2 * np.isfinite(kpa).sum():
        return None
    return Barometric(median(real), "barometric channel", 1.0, kind="channel")


def from_stopped(manifold_kpa: Array, scene: Scene) -> Barometric | None:
    """Manifold pressure (absolute) with the engine stopped."""
    level = scene.level(manifold_kpa, scene.stopped)
    if level is None or not LOW_KPA < level < HIGH_KPA:
        return None
    return Barometric(level, "manifold pressure with the engine stopped", 0.5, kind="stopped")


def from_height(altitude_m: float | None) -> Barometric | None:
    """The standard atmosphere at the car file's altitude (ISO 2533:1975)."""
    if altitude_m is None:
        return None
    return Barometric(
        standard_pressure_kpa(altitude_m),
        f"the altitude given, {altitude_m:g} m",
        WEATHER_KPA,
        kind="altitude",
    )


def from_wide_open(manifold_kpa: Array, scene: Scene) -> Barometric | None:
    """Manifold pressure wide open at low engine speed, before the turbo has spooled: just under ambient.

    Only taken where it lies level (the lower half of such samples within 4 kPa), so that a spooled turbo
    is not taken for the weather; reported 1 kPa up for the loss across the filter.
    """
    wide = scene.wide
    if wide is None or scene.rpm is None:
        return None
    picked = np.sort(manifold_kpa[wide & (scene.rpm < 2800.0)])
    picked = picked[np.isfinite(picked)]
    if len(picked) < 8:
        return None
    low, mid = quantile(picked, 0.1), quantile(picked, 0.5)
    if mid - low > 4.0 or not LOW_KPA < mid < 104.0:
        return None
    return Barometric(
        mid + 1.0, "manifold pressure wide open before the turbo spools", 6.0, kind="wide_open"
    )


def assumed() -> Barometric:
    """Sea level, for want of anything better."""
    what = "assumed: standard pressure at sea level"
    return Barometric(STANDARD_PRESSURE_KPA, what, 8.0, kind="assumed")


def best(
    *,
    channel_kpa: Array | None,
    manifold_kpa: Array | None,
    manifold_is_absolute: bool,
    scene: Scene,
    altitude_m: float | None,
) -> Barometric:
    """The first of: barometric channel, engine stopped, altitude, wide open before spool, sea level.

    manifold_kpa: absolute and thinned; only an absolute sensor can tell ambient pressure.
    """
    found = from_channel(channel_kpa) if channel_kpa is not None else None
    if found is None and manifold_is_absolute and manifold_kpa is not None:
        found = from_stopped(manifold_kpa, scene)
    found = found or from_height(altitude_m)
    if found is None and manifold_is_absolute and manifold_kpa is not None:
        found = from_wide_open(manifold_kpa, scene)
    return found or assumed()
