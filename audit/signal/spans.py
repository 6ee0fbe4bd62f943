"""Runs, durations, and values between samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import BoolArray, FloatArray, IntArray, clean, median_sorted


def runs(mask: ArrayLike) -> tuple[IntArray, IntArray]:
    """Runs of True: starts and stops (one past the last), as row numbers."""
    flags = np.asarray(mask, dtype=np.bool_)
    padded = np.concatenate(((False,), flags, (False,)))
    edges = (padded[1:] != padded[:-1]).nonzero()[0]
    return edges[::2], edges[1::2]


def lasting(
    t: FloatArray, mask: ArrayLike, *, for_s: float, least: int = 1
) -> tuple[IntArray, IntArray]:
    """Runs of True that last for_s from their first to their last sample, and `least` samples."""
    starts, stops = runs(mask)
    long = (t[stops - 1] - t[starts] >= for_s - 1e-9) & (stops - starts >= least)
    return starts[long], stops[long]


def held(t: FloatArray, mask: BoolArray, *, for_s: float, least: int = 1) -> BoolArray:
    """The mask without the runs that do not last so long; see lasting."""
    out = np.zeros(mask.size, dtype=np.bool_)
    for start, stop in zip(*lasting(t, mask, for_s=for_s, least=least), strict=True):
        out[start:stop] = True
    return out


def duration_above(
    t: ArrayLike, mask: ArrayLike, *, most_gap_s: float | None = None
) -> tuple[float, float]:
    """Total and longest time for which the mask holds, s.

    t: n seconds; mask: n. Each sample stands for half of the interval on either side, so a lone
    sample counts for one interval and not for none. No interval counts for more than most_gap_s
    (default: three median intervals), so a gap in the log is not time spent.
    """
    clock = np.asarray(t, dtype=np.float64)
    flags = np.asarray(mask, dtype=np.bool_)
    if clock.shape != flags.shape:
        raise ValueError(
            f"clock and mask must have one length, got {clock.shape} and {flags.shape}"
        )
    if clock.size < 2 or not flags.any():
        return 0.0, 0.0
    gaps = clock[1:] - clock[:-1]
    gaps = np.minimum(gaps, 3 * median_sorted(gaps) if most_gap_s is None else most_gap_s)
    stands_for = 0.5 * (np.concatenate((gaps[:1], gaps)) + np.concatenate((gaps, gaps[-1:])))
    total = np.concatenate(([0.0], (stands_for * flags).cumsum()))
    starts, stops = runs(flags)
    each = total[stops] - total[starts]
    return float(each.sum()), float(each.max())


def interp_believed(t_new: ArrayLike, t: ArrayLike, y: ArrayLike, max_gap_s: float) -> FloatArray:
    """Values of y at t_new on straight lines between its samples; NaN outside them and across gaps
    over max_gap_s.
    """
    at = np.asarray(t_new, dtype=np.float64)
    clock, values = clean(t, y)
    if not clock.size:
        return np.full(at.shape, np.nan)
    found = np.interp(at, clock, values, left=np.nan, right=np.nan)
    if clock.size == 1 or (clock[1:] - clock[:-1]).max() <= max_gap_s:
        return found
    after = np.minimum(clock.searchsorted(at), clock.size - 1)
    before = np.maximum(clock.searchsorted(at, side="right") - 1, 0)
    return np.where(clock[after] - clock[before] <= max_gap_s, found, np.nan)
