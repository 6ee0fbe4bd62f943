"""Levels, scales and outliers that a few wild samples cannot move."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import BoolArray, FloatArray, clean, finite, mean, median_sorted, paired
from audit.signal.lines import Line, theil_sen
from audit.signal.monotone import isotonic
from audit.signal.smoothing import smooth

__all__ = [
    "Line",
    "hampel",
    "isotonic",
    "mad_sigma",
    "median",
    "modified_z",
    "noise_sigma",
    "resolution",
    "smooth",
    "theil_sen",
]

MAD_TO_SIGMA = 1.4826  # 1 / Phi^-1(0.75), for normal noise
Z_OF_MAD = 0.6745  # Phi^-1(0.75), as the e-Handbook rounds it


def median(y: ArrayLike) -> float | None:
    """Median of the finite values, None where there are none."""
    values = finite(y)
    return median_sorted(values) if values.size else None


def mad_sigma(y: ArrayLike) -> float | None:
    """Standard deviation by the median absolute deviation: 1.4826 median|y - median(y)|.

    None where nothing is finite. Reads 0 where more than half of the values are equal.
    Source: NIST/SEMATECH e-Handbook 1.3.5.6.
    """
    values = finite(y)
    if not values.size:
        return None
    return MAD_TO_SIGMA * median_sorted(np.abs(values - median_sorted(values)))


def modified_z(y: ArrayLike) -> FloatArray:
    """Modified z-score, 0.6745 (y - median)/MAD, same length; |M| > 3.5 is usually labelled an
    outlier.

    Where the MAD is 0 the mean absolute deviation stands in, y - median over 1.253314 of it; where
    that is 0 too, all are 0. Blank stays blank.
    Source: Iglewicz and Hoaglin (1993); NIST/SEMATECH e-Handbook 1.3.5.17.
    """
    values = np.asarray(y, dtype=np.float64)
    good = finite(values)
    if not good.size:
        return np.full(values.shape, np.nan)
    deviation = values - median_sorted(good)
    mad = median_sorted(np.abs(finite(deviation)))
    if mad > 0:
        return Z_OF_MAD * deviation / mad
    mean = float(np.abs(finite(deviation)).mean())
    return deviation / (1.253314 * mean) if mean > 0 else np.where(np.isnan(values), np.nan, 0.0)


def resolution(y: ArrayLike) -> float:
    """The quantisation step seen in the data, 0 where there is none or nothing moves.

    The smallest distance between two distinct values that most other distances are whole
    multiples of (within 5 %). Does not see a step finer than the values that occur.
    """
    levels = finite(y).round(9)
    levels.sort()
    gaps = levels[1:] - levels[:-1]
    apart = gaps > 0
    gaps, levels = gaps[apart], levels[1:][apart]
    if not gaps.size:
        return 0.0
    low = int((gaps.size - 1) * 0.05)
    step = float(np.partition(gaps, low)[low])
    if gaps.min() <= 0.4 * step:
        return 0.0
    turns = gaps / step
    whole = np.abs(turns - turns.round()) < 0.05 + 1e-6 * np.abs(levels) / step
    return step if np.count_nonzero(whole) / gaps.size > 0.9 else 0.0


def noise_sigma(t: ArrayLike, y: ArrayLike, *, step: float | None = None) -> float | None:
    """White noise of a signal of unknown shape, as a standard deviation; None under 4 samples.

    Each sample against the straight line between its two neighbours, d = y - (a y_before + b
    y_after), scaled by sqrt(1 + a² + b²); root mean square of those within 3.5 robust sigma. A slow
    signal cancels out, a spike or a knee falls away. Held values are first thinned to their
    updates. Quantisation noise is part of the answer. A true swing faster than an eighth of the
    rate is taken for noise. step: the resolution of y, where it is known already.
    Source: second-difference noise estimate (Rice, Ann. Statist. 12 (1984), from memory),
    robustified.
    """
    clock, values = clean(t, y)
    if values.size < 4:
        return None
    every = values.size
    clock, values = _without_holds(clock, values, step)
    if step is None or values.size < every:
        step = resolution(values)
    gaps = clock[1:] - clock[:-1]
    before, after = gaps[:-1], gaps[1:]
    share = after / (before + after)
    d = values[1:-1] - share * values[:-2] - (1 - share) * values[2:]
    d /= np.sqrt(1 + share**2 + (1 - share) ** 2)
    scale = max(MAD_TO_SIGMA * median_sorted(np.abs(d)), 0.4 * step)
    kept = d[np.abs(d) <= 3.5 * scale]
    return float(np.sqrt(mean(kept**2))) if kept.size else 0.0


def _without_holds(
    t: FloatArray, y: FloatArray, step: float | None
) -> tuple[FloatArray, FloatArray]:
    """Only the changes, where most rows repeat the one before and the changes are more than one
    step.
    """
    moved = np.concatenate(([True], y[1:] != y[:-1]))
    count = int(np.count_nonzero(moved))
    if count < 6 or 2 * count > y.size:
        return t, y
    jumps = np.abs(np.diff(y[moved]))
    if median_sorted(jumps) < 1.5 * (resolution(y) if step is None else step):
        return t, y
    return t[moved], y[moved]


def hampel(
    t: ArrayLike, y: ArrayLike, window_s: float, k: float = 3.0, floor: float = 0.0
) -> BoolArray:
    """Outliers against the moving median, a mask as long as y.

    True where |y - m| > max(k 1.4826 MAD, floor), with m and MAD over the samples within window_s /
    2 on either side (fewer at the ends). floor: in the unit of y, the least distance that counts,
    so that a quantised still signal is not all outliers. Blank is never True. Raises ValueError for
    a window of 0.
    Source: Hampel identifier (Davies and Gather 1993, from memory).
    """
    if not window_s > 0:
        raise ValueError(f"window_s must be above 0, got {window_s}")
    clock, values = paired(t, y)
    good = np.isfinite(clock) & np.isfinite(values)
    result = np.zeros(values.shape, dtype=np.bool_)
    a, b = clean(clock, values)
    if a.size < 3:
        return result
    slack = 0.5 * window_s * (1 + 1e-9)
    low, high = np.searchsorted(a, a - slack), np.searchsorted(a, a + slack, side="right")
    near = low[:, None] + np.arange(int((high - low).max()))
    inside = near < high[:, None]
    block = np.where(inside, b[np.minimum(near, a.size - 1)], np.inf)
    count = high - low
    middle = _row_median(block, count)
    spread = _row_median(np.where(inside, np.abs(block - middle[:, None]), np.inf), count)
    result[good] = np.abs(b - middle) > np.maximum(k * MAD_TO_SIGMA * spread, floor)
    return result


def _row_median(
    block: FloatArray, count: np.ndarray[tuple[int, ...], np.dtype[np.intp]]
) -> FloatArray:
    """Median of the first `count` of each sorted row (the rest is infinite)."""
    ordered = np.sort(block, axis=1)
    row = np.arange(block.shape[0])
    middle: FloatArray = 0.5 * (ordered[row, (count - 1) // 2] + ordered[row, count // 2])
    return middle
