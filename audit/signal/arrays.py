"""What every function of the kit does first: float arrays of equal length, without blanks."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.intp]


def paired(t: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Both as one-dimensional float64 of equal length, blanks kept.

    Raises ValueError where they are not one-dimensional or differ in length.
    """
    a = np.asarray(t, dtype=np.float64)
    b = np.asarray(y, dtype=np.float64)
    if a.ndim != 1 or a.shape != b.shape:
        raise ValueError(f"clock and values must be two columns of one length, got {a.shape} and {b.shape}")
    return a, b


def clean(t: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Pairs of which both are finite, in the order given.

    t: n seconds, strictly increasing; y: n values. Raises ValueError for other shapes
    and for a clock that stands still or runs back (split the log there first).
    """
    a, b = paired(t, y)
    good = np.isfinite(a) & np.isfinite(b)
    if not good.all():
        a, b = a[good], b[good]
    if a.size > 1 and float(np.diff(a).min()) <= 0:
        raise ValueError("the clock must be strictly increasing: split the log where it jumps back or repeats")
    return a, b


def finite(y: ArrayLike) -> FloatArray:
    """The finite values of y, in order."""
    a = np.asarray(y, dtype=np.float64).ravel()
    return a[np.isfinite(a)]


def median_sorted(y: FloatArray) -> float:
    """Median of a non-empty array; several times quicker than numpy's on short arrays."""
    half = y.size // 2
    if y.size % 2:
        return float(np.partition(y, half)[half])
    part = np.partition(y, (half - 1, half))
    return float(0.5 * (part[half - 1] + part[half]))


def block_means(t: FloatArray, y: FloatArray, most: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Thin to at most `most` points by means of neighbours; returns t, y and the count in each."""
    if t.size <= most:
        return t, y, np.ones(t.size)
    width = -(-t.size // most)
    starts = np.arange(0, t.size, width)
    counts = np.diff(np.append(starts, t.size)).astype(np.float64)
    return np.add.reduceat(t, starts) / counts, np.add.reduceat(y, starts) / counts, counts
