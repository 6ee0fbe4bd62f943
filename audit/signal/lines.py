"""A straight line through samples, that outliers cannot tilt."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, IntArray, both_finite, median_sorted, paired

Z_95 = 1.959964  # two-sided 95 % point of the normal distribution
MOST_POINTS = 160  # 12,720 pairs: the interval no longer gains, the time does


class Line(NamedTuple):
    """y = intercept + slope t; low and high bound the slope at 95 % confidence."""

    slope: float
    intercept: float
    low: float
    high: float

    def at(self, t: float) -> float:
        """The line's value at t."""
        return self.intercept + self.slope * t


def theil_sen(t: ArrayLike, y: ArrayLike) -> Line | None:
    """Median of the slopes of all pairs, with its 95 % interval; None under 3 distinct t.

    t need not be sorted (any regressor does). Intercept = median(y) - slope median(t). Over 160
    samples the medians of neighbouring blocks stand for them. The interval takes the samples as
    independent: ringing makes it too narrow.
    Source: Theil (1950), Sen, J. Am. Stat. Assoc. 63 (1968), interval by Kendall's variance with
    ties.
    """
    found = _slopes(t, y)
    if found is None:
        return None
    x, v, slopes = found
    slopes.sort()
    half = slopes.size // 2
    slope = (
        float(slopes[half]) if slopes.size % 2 else float(0.5 * (slopes[half - 1] + slopes[half]))
    )
    low, high = _interval(slopes, x, v)
    return Line(slope, median_sorted(v) - slope * median_sorted(x), low, high)


class Middle(NamedTuple):
    """y = intercept + slope t, without bounds."""

    slope: float
    intercept: float


def median_line(t: ArrayLike, y: ArrayLike) -> Middle | None:
    """Slope and intercept of theil_sen, without its interval: for a line whose certainty nobody
    asks.
    """
    found = _slopes(t, y)
    if found is None:
        return None
    x, v, slopes = found
    slope = median_sorted(slopes)
    return Middle(slope, median_sorted(v) - slope * median_sorted(x))


def _slopes(t: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """The clean, thinned samples and the slopes of all their pairs; None under 3 distinct t."""
    x, v = paired(t, y)
    x, v = _thinned(*both_finite(x, v))
    if x.size < 3:
        return None
    i, j = _pairs(x.size)
    run, rise = x[j] - x[i], v[j] - v[i]
    apart = run != 0
    if apart.all():
        return x, v, rise / run
    if _distinct(x) < 3:
        return None
    return x, v, rise[apart] / run[apart]


def _distinct(x: FloatArray) -> int:
    ordered = np.sort(x)
    return 1 + int(np.count_nonzero(ordered[1:] != ordered[:-1]))


@lru_cache(maxsize=16)
def _pairs(n: int) -> tuple[IntArray, IntArray]:
    i, j = np.triu_indices(n, 1)
    return i, j


def _thinned(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    if x.size <= MOST_POINTS:
        return x, y
    order = np.argsort(x, kind="stable")
    width = -(-x.size // MOST_POINTS)
    whole = x.size // width * width
    parts = (np.sort(values[order][:whole].reshape(-1, width), axis=1) for values in (x, y))
    middle_x, middle_y = (0.5 * (part[:, (width - 1) // 2] + part[:, width // 2]) for part in parts)
    return middle_x, middle_y


def _interval(slopes: FloatArray, x: FloatArray, y: FloatArray) -> tuple[float, float]:
    n, pairs = x.size, slopes.size
    ties = sum(_ties(a) for a in (x, y))
    sigma = np.sqrt(max(n * (n - 1) * (2 * n + 5) - ties, 0.0) / 18)
    upper = min(round(float(pairs + Z_95 * sigma) / 2), pairs - 1)
    lower = max(round(float(pairs - Z_95 * sigma) / 2) - 1, 0)
    return float(slopes[lower]), float(slopes[upper])


def _ties(a: FloatArray) -> float:
    """Sum of k (k - 1) (2 k + 5) over the groups of k equal values."""
    ordered = np.sort(a)
    new = ordered[1:] != ordered[:-1]
    if new.all():
        return 0.0
    edges = np.concatenate(([0], new.nonzero()[0] + 1, [a.size]))
    k = edges[1:] - edges[:-1]
    return float(np.sum(k * (k - 1) * (2 * k + 5)))
