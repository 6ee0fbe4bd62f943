"""Control charts along the last axis of any array; how a series goes, and when it reaches a limit.

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


def step_at(x: Array, first: int, last: int) -> int:
    """The index from `first` to `last`, both above 0, at which one step fits x best.

    x: n values, finite, n above `last`. By least squares, as for one change of the mean of white
    noise: Hinkley, Biometrika 57 (1970), from memory.
    """
    at = np.arange(first, last + 1)
    off = np.cumsum(x - x.mean())[at - 1]
    return int(at[np.argmax(off**2 / (at * (len(x) - at)))])


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
