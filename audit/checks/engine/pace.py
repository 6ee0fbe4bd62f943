"""What several checks ask of a pull: how fast it climbs, how much air it draws for its boost."""

from __future__ import annotations

import numpy as np

from audit.model import Pull
from audit.signal.arrays import mean, median_sorted


def rpm_rate(pull: Pull) -> float | None:
    """How fast engine speed climbs, rpm per s: least-squares slope; None under 3 samples."""
    rpm = pull.believed("engine_speed")
    if len(rpm.t) < 3:
        return None
    t = rpm.t - mean(rpm.t)
    return float(np.dot(t, rpm.value) / np.dot(t, t))


def air_flow_excess_pct(pull: Pull) -> float | None:
    """How much more air the meter sees under boost than off boost for the same filling, %.

    The filling goes as engine speed × manifold pressure / charge temperature (speed-density
    relation); the ratio of metered air to that, under more than 35 kPa boost, over the same ratio
    below 10 kPa in the pull and the 20 s before it. Air that leaves after the meter under boost
    makes it grow. The engine's own breathing changes by some 10 % with speed, so less than that
    says nothing. None where either part has under 3 samples."""
    air = pull.believed("mass_air_flow", lead_s=20.0)
    if len(air.t) < 6:
        return None
    pressure, rpm = (
        pull.believed(name, lead_s=20.0).at(air.t, max_gap_s=1.0)
        for name in ("manifold_pressure", "engine_speed")
    )
    charge = pull.believed("intake_air_temp", lead_s=25.0, tail_s=2.0)
    kelvin = charge.at(air.t) + 273.15 if len(charge.t) > 1 else np.full(len(air.t), 300.0)
    boost = pressure - pull.log.barometric.kpa
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = air.value * kelvin / (rpm * pressure)
    good = np.isfinite(ratio) & (rpm > 1200)
    loaded, free = ratio[good & (boost > 35)], ratio[good & (boost < 10) & (boost > -60)]
    if len(loaded) < 3 or len(free) < 3 or median_sorted(free) <= 0:
        return None
    return 100.0 * (median_sorted(loaded) / median_sorted(free) - 1.0)
