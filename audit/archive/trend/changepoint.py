"""Where a series changes its level: the exact least-squares segmentation with a penalty a
change.
"""

from __future__ import annotations

import math

import numpy as np

from audit.model import Array


def change_points(x: Array, *, penalty: float, least: int = 3) -> list[int]:
    """First index of each new level, ascending; [] for none.

    Minimises the sum over segments of the squared distances to their mean, plus `penalty` a change,
    over all segmentations with at least `least` values a segment. x: n finite values; penalty in
    their unit squared (for white noise of variance s², 2 s² ln n is the Schwarz criterion; a larger
    one is surer).
    Does not see: a ramp as such, which becomes a staircase.
    Source: optimal partitioning, Jackson et al., IEEE Signal Processing Letters 12 (2005), 105-108.
    """
    x = np.asarray(x, dtype=float)
    n = len(x)
    if n < 2 * least:
        return []
    x = x - np.median(x)  # keeps the sums of squares small
    sums = np.concatenate([[0.0], np.cumsum(x)])
    squares = np.concatenate([[0.0], np.cumsum(x * x)])
    best = np.full(n + 1, math.inf)
    best[0] = -penalty
    last = np.zeros(n + 1, dtype=int)
    for end in range(least, n + 1):
        starts = np.arange(0, end - least + 1)
        length = end - starts
        cost = squares[end] - squares[starts] - (sums[end] - sums[starts]) ** 2 / length
        total = best[starts] + cost + penalty
        chosen = int(np.argmin(total))
        best[end], last[end] = total[chosen], starts[chosen]
    found = [n]
    while (start := int(last[found[-1]])) > 0:
        found.append(start)
    return found[:0:-1]
