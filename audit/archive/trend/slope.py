"""A measure's slope over its nights, and when it reaches a limit, if that is sure enough to say."""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from audit.archive.watched import chart_settings
from audit.model import Array
from audit.signal.arrays import median_sorted
from audit.signal.lines import theil_sen

SURE = 3.2905  # two-sided 99.9 % point of the normal distribution: many nights look again
LONGEST = 40  # nights looked back over
END_NIGHTS = 6  # at each end that a change is told from, so that a small step is no ramp
WIDEST = 6.0  # the late end of a forecast at most this many times its early end


@dataclass(frozen=True, slots=True)
class Slope:
    """Change a night with its 95 % interval, in the measure's unit; level: the line on the last
    night; sure: it leaves out no change at 99.9 %, and the change seen matters.
    """

    per_night: float
    low: float
    high: float
    level: float
    nights: int
    sure: bool

    @property
    def side(self) -> str:
        return "up" if self.per_night > 0 else "down"


@dataclass(frozen=True, slots=True)
class Forecast:
    """Nights until the limit is reached: most likely, soonest, latest; limit in the measure's
    unit.
    """

    nights: int
    soonest: int
    latest: int
    limit: float


def slope_of(
    value: Array, *, matters: float = 0.0, sides: Collection[str] = ("up", "down")
) -> Slope | None:
    """Slope over the last nights by the median of pairwise slopes, None with too few.

    value: n corrected values, one a night; matters: the change that does, in their unit;
    sides: the directions that do. Sure by the count of rising and falling pairs.
    Source: Theil (1950), Sen (1968); Mann (1945), Kendall. Nights count as independent; where one
    resembles the last the interval is too narrow.
    """
    value = value[-LONGEST:]
    n, night = len(value), np.arange(len(value))
    line = theil_sen(night, value) if n >= chart_settings()["slope_nights"] else None
    if line is None:
        return None
    pairs = float(np.triu(np.sign(value[None, :] - value[:, None])).sum())
    sure = abs(pairs) > SURE * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    change = median_sorted(value[-END_NIGHTS:]) - median_sorted(value[:END_NIGHTS])
    sure = sure and change * math.copysign(1.0, line.slope) >= matters
    made = Slope(line.slope, line.low, line.high, line.at(n - 1), n, sure)
    return made if made.side in sides else replace(made, sure=False)


def forecast(slope: Slope | None, limit: float | None) -> Forecast | None:
    """When the line reaches the limit; None if it is not sure, leads away, is past it or lies too
    far off.
    """
    if slope is None or limit is None or not slope.sure:
        return None
    gap = limit - slope.level
    likely, *ends = (
        gap / s if s * gap > 0.0 else math.inf for s in (slope.per_night, slope.low, slope.high)
    )
    soonest, latest = sorted(ends)
    sharp = math.isfinite(latest) and latest <= WIDEST * max(soonest, 1.0)
    if likely > chart_settings()["horizon_nights"] or not sharp:
        return None
    return Forecast(math.ceil(likely), max(1, math.floor(soonest)), math.ceil(latest), limit)
