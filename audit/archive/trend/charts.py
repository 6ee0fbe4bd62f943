"""Control charts along the last axis of any array, and where a series changes its level.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
"""

from __future__ import annotations

import math

import numpy as np

from audit.model import Array


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
