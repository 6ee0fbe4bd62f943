"""What every function of the kit does first: float arrays of equal length, without blanks."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]
SORT_UP_TO = 256  # values: sorting so few is quicker than parting them


def paired(t: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Both as one-dimensional float64 of equal length, blanks kept.

    Raises ValueError where they are not one-dimensional or differ in length.
    """
    a = np.asarray(t, dtype=np.float64)
    b = np.asarray(y, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(
            f"clock and values must be two columns of one length, got {a.shape} and {b.shape}"
        )
    return a, b


def clean(t: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Pairs of which both are finite, in the order given.

    t: n seconds, strictly increasing; y: n values. Raises ValueError for other shapes
    and for a clock that stands still or runs back (split the log there first).
    """
    a, b = paired(t, y)
    a, b = both_finite(a, b)
    if a.size > 1 and not (a[1:] > a[:-1]).all():
        raise ValueError(
            "the clock must be strictly increasing: split the log where it jumps back or repeats"
        )
    return a, b


def both_finite(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pairs of which both are finite, in the order given; the arrays themselves where all are."""
    good = np.isfinite(a) & np.isfinite(b)
    return (a, b) if good.all() else (a[good], b[good])


def finite(y: ArrayLike) -> FloatArray:
    """The finite values of y, in order."""
    a = np.asarray(y, dtype=np.float64).ravel()
    good = np.isfinite(a)
    return a if good.all() else a[good]


def mean(y: FloatArray) -> float:
    """Mean of a non-empty array, as numpy's and quicker."""
    return float(np.add.reduce(y)) / y.size


def distinct(y: FloatArray) -> FloatArray:
    """The different values of a finite array, sorted."""
    ordered = np.sort(y)
    if ordered.size < 2:
        return ordered
    new: FloatArray = ordered[np.concatenate(([True], ordered[1:] != ordered[:-1]))]
    return new


def rows_of(mask: BoolArray) -> IntArray:
    """Row numbers where a mask is True."""
    rows: IntArray = mask.nonzero()[0]
    return rows


def median_sorted(y: FloatArray) -> float:
    """Median of a non-empty array without blanks; many times quicker than numpy's on short
    arrays.
    """
    half = y.size // 2
    if y.size > SORT_UP_TO:
        if y.size % 2:
            return float(np.partition(y, half)[half])
        part = np.partition(y, (half - 1, half))
        return float(0.5 * (part[half - 1] + part[half]))
    ordered = y.copy()
    ordered.sort()
    return float(ordered[half]) if y.size % 2 else float(0.5 * (ordered[half - 1] + ordered[half]))


def median(y: ArrayLike) -> float:
    """Median as numpy's, NaN for an empty array or one with a NaN; numpy's own takes several times
    as long on short arrays.
    """
    values = np.asarray(y, dtype=np.float64).ravel()
    if not values.size or np.isnan(values).any():
        return float("nan")
    return median_sorted(values)


def median_of_finite(y: ArrayLike) -> float:
    """Median of the finite values, NaN where there are none."""
    return median(finite(y))


def interval_of(t: FloatArray, *, alone: float = 0.0) -> float:
    """The usual step of a clock without blanks, s; `alone` under two samples."""
    return median_sorted(t[1:] - t[:-1]) if t.size > 1 else alone


def quantile(y: FloatArray, share: float) -> float:
    """Quantile of an array without blanks, linear between order statistics (numpy's default,
    quicker); NaN for an empty one.
    """
    if not y.size:
        return float("nan")
    at = (y.size - 1) * share
    low = int(at)
    high = min(low + 1, y.size - 1)
    part = np.partition(y, (low, high))
    a, b, along = float(part[low]), float(part[high]), at - low
    # as numpy does: from the nearer end, so that both ends come out exact
    return b - (b - a) * (1 - along) if along >= 0.5 else a + (b - a) * along


def line_through(x: FloatArray, y: FloatArray) -> FloatArray:
    """The least-squares straight line through y at every x, same length. x: at least two distinct
    values.
    """
    u = x - mean(x)
    middle = mean(y)
    fitted: FloatArray = middle + float(u @ (y - middle)) / float(u @ u) * u
    return fitted


def parabola(x: FloatArray, y: FloatArray, at: FloatArray) -> FloatArray:
    """The least-squares parabola through y, at other places. x: at least three distinct values.

    Source: orthogonal polynomials on the points (Forsythe 1957, from memory), steady where powers
    of x are not.
    """
    middle, level = mean(x), mean(y)
    u = x - middle
    spread = float(u @ u)
    tilt, rise = float(u @ (u * u)) / spread, float(u @ y) / spread
    second = u * u - tilt * u - spread / x.size
    bend = float(second @ y) / float(second @ second)
    v = at - middle
    found: FloatArray = level + rise * v + bend * (v * v - tilt * v - spread / x.size)
    return found


def block_means(
    t: FloatArray, y: FloatArray, most: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Thin to at most `most` points by means of neighbours; returns t, y and the count in each."""
    if t.size <= most:
        return t, y, np.ones(t.size)
    width = -(-t.size // most)
    starts = np.arange(0, t.size, width)
    counts = np.full(starts.size, float(width))
    counts[-1] = t.size - starts[-1]
    return np.add.reduceat(t, starts) / counts, np.add.reduceat(y, starts) / counts, counts
