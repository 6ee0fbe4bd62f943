"""Control charts along the last axis of any array; where a series changes its level, how it goes,
and when it reaches a limit.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
"""

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


def ewma(x: Array, *, weight: float, start: float = 0.0) -> Array:
    """z_i = weight x_i + (1 - weight) z_(i-1), z_0 = start; the shape of x. e-Handbook 6.3.2.4."""
    out = np.empty_like(x)
    z = np.full(x.shape[:-1], start)
    for i in range(x.shape[-1]):
        out[..., i] = z = weight * x[..., i] + (1.0 - weight) * z
    return out


def ewma_sigma(weight: float) -> float:
    """Standard deviation of the average of many independent values of standard deviation 1."""
    return math.sqrt(weight / (2.0 - weight))


def cusum(x: Array, *, k: float, most: float = math.inf) -> Array:
    """s_i = max(0, s_(i-1) + x_i - k), at most `most`; the shape of x. e-Handbook 6.3.2.3.

    x: off its target, in spreads, up; turned round for the low side. A sum above h signals.
    """
    out = np.empty_like(x)
    s = np.zeros(x.shape[:-1])
    for i in range(x.shape[-1]):
        out[..., i] = s = np.minimum(np.maximum(s + x[..., i] - k, 0.0), most)
    return out


def change_points(x: Array, *, penalty: float, least: int = 3) -> list[int]:
    """First index of each new level, ascending; [] for none.

    The segmentation with at least `least` values a segment that has the least sum of squared
    distances to the segments' means plus `penalty` a change. x: n finite values; penalty in their
    unit squared (for white noise of variance s², 2 s² ln n is the Schwarz criterion). A ramp
    becomes a staircase.
    Source: optimal partitioning, Jackson et al., IEEE Signal Processing Letters 12 (2005), 105-108.
    """
    n = len(x)
    if n < 2 * least:
        return []
    x = x - np.median(x)  # keeps the sums of squares small
    sums, squares = (np.concatenate([[0.0], np.cumsum(v)]) for v in (x, x * x))
    best = np.full(n + 1, math.inf)
    best[0] = -penalty
    last = np.zeros(n + 1, dtype=int)
    for end in range(least, n + 1):
        starts = np.arange(0, end - least + 1)
        off = (sums[end] - sums[starts]) ** 2 / (end - starts)
        total = best[starts] + squares[end] - squares[starts] - off + penalty
        last[end] = np.argmin(total)
        best[end] = total[last[end]]
    found = [n]
    while (start := int(last[found[-1]])) > 0:
        found.append(start)
    return found[:0:-1]


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
