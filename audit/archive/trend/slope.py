"""A measure's slope over its nights, and when it reaches a limit, if that is sure enough to say."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from audit.archive.watched import chart_settings
from audit.model import Array

SURE = 0.999  # confidence of the interval that must leave out no change: many nights look again
SHOWN = 0.95  # confidence of the interval that is shown
LONGEST = 40  # nights looked back over
WIDEST = 6.0  # the late end of a forecast at most this many times its early end


@dataclass(frozen=True, slots=True)
class Slope:
    """Change a night with its 95 % interval, in the measure's unit; level: the line on the last
    night;
    sure: the 99.9 % interval leaves out 0.
    """

    per_night: float
    low: float
    high: float
    level: float
    nights: int
    sure: bool


@dataclass(frozen=True, slots=True)
class Forecast:
    """Nights until the limit is reached: most likely, soonest, latest; limit in the measure's
    unit.
    """

    nights: int
    soonest: int
    latest: int
    limit: float


def slope_of(value: Array) -> Slope | None:
    """Slope over the last nights by the median of pairwise slopes, None with too few.

    value: n corrected values, one a night. Source: Theil (1950), Sen (1968), by
    scipy.stats.theilslopes. The interval takes nights as independent; where one night resembles the
    last it is too narrow.
    """
    from scipy.stats import theilslopes

    value = value[-LONGEST:]
    if len(value) < chart_settings()["slope_nights"]:
        return None
    night = np.arange(len(value), dtype=float)
    shown = theilslopes(value, night, alpha=SHOWN)
    surer = theilslopes(value, night, alpha=SURE)
    level = float(np.median(value - shown.slope * night) + shown.slope * night[-1])
    sure = bool(surer.low_slope > 0.0 or surer.high_slope < 0.0)
    return Slope(
        float(shown.slope), float(shown.low_slope), float(shown.high_slope), level, len(value), sure
    )


def forecast(slope: Slope, limit: float) -> Forecast | None:
    """When the line reaches the limit; None if it is not sure, leads away, is past it or lies too
    far off.
    """
    gap = limit - slope.level
    if not slope.sure or gap == 0.0 or gap * slope.per_night <= 0.0:
        return None
    ends = sorted((gap / s if s * gap > 0.0 else math.inf) for s in (slope.low, slope.high))
    likely = gap / slope.per_night
    if (
        likely > chart_settings()["horizon_nights"]
        or not math.isfinite(ends[1])
        or ends[1] > WIDEST * max(ends[0], 1.0)
    ):
        return None
    return Forecast(math.ceil(likely), max(1, math.floor(ends[0])), math.ceil(ends[1]), limit)
