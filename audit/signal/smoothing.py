"""Smoothing on an uneven clock, right up to the edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, clean, mean, paired


def smooth(t: ArrayLike, y: ArrayLike, window_s: float) -> FloatArray:
    """Local straight-line fit over window_s centred on each sample, same length; blanks stay blank.

    A straight line comes out unchanged, at the ends too (there the window is one-sided). A sample
    alone in its window stays as it is. Raises ValueError for a negative window.
    Source: local linear regression with a uniform kernel (Cleveland 1979, from memory).
    """
    if not window_s >= 0:
        raise ValueError(f"window_s must be 0 or more, got {window_s}")
    clock, values = paired(t, y)
    a, b = clean(clock, values)
    if a.size == values.size > 0:
        return _local_line(a, b, 0.5 * window_s * (1 + 1e-9))
    result = np.full(values.shape, np.nan)
    if a.size:
        result[np.isfinite(clock) & np.isfinite(values)] = _local_line(
            a, b, 0.5 * window_s * (1 + 1e-9)
        )
    return result


def _local_line(t: FloatArray, y: FloatArray, half: float) -> FloatArray:
    low, high = t.searchsorted(t - half), t.searchsorted(t + half, side="right")
    middle = mean(y)
    u, v = t - mean(t), y - middle
    n = (high - low).astype(np.float64)
    total = np.zeros((4, t.size + 1))
    for row, column in zip(total, (u, v, u * u, u * v), strict=True):
        column.cumsum(out=row[1:])
    su, sv, suu, suv = total[:, high] - total[:, low]
    spread = suu - su * su / n
    enough = (n >= 2) & (spread > 1e-9 * half * half)
    slope = np.where(enough, (suv - su * sv / n) / np.where(enough, spread, 1.0), 0.0)
    fitted: FloatArray = sv / n + slope * (u - su / n) + middle
    return fitted
