"""Believed channels laid onto the rows of the log, for finding where a pull lies."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from audit.engine import gap_rows
from audit.model import Array, Bools, Log, Sanity, Series, believed_series
from audit.signal.arrays import median

HOLD_TIMES = 3.0  # samples further apart than this many intervals tell nothing of what lies between
LEAST_HOLD_S = 0.6


def believed(log: Log, sanity: Sanity, name: str) -> Series:
    """All believed true samples of a channel."""
    return believed_series(log, sanity, name, -np.inf, np.inf)


def on_rows(log: Log, series: Series, *, hold_s: float | None = None) -> Array:
    """A channel in every row, linear between its samples; NaN across stretches longer than hold_s.

    hold_s: default three of its usual intervals, at least 0.6 s. Nothing crosses a break of the
    clock."""
    t = log.time
    if len(series.t) < 2:
        return np.full(len(t), np.nan)
    dt = np.diff(series.t)
    limit = max(LEAST_HOLD_S, HOLD_TIMES * median(dt)) if hold_s is None else hold_s
    out = np.interp(t, series.t, series.value, left=np.nan, right=np.nan)
    for i in np.flatnonzero(dt > limit):
        low, high = np.searchsorted(t, (series.t[i] + 1e-9, series.t[i + 1] - 1e-9))
        out[low:high] = np.nan
    return out


def cuts(log: Log) -> list[int]:
    """First row after each gap and after each restart of the clock."""
    return sorted({*gap_rows(log).tolist(), *log.breaks} - {0})


def pieces(log: Log) -> list[tuple[int, int]]:
    """Stretches of rows (first, one past last) with no gap and no break in them."""
    t = log.time
    if len(t) < 2:
        return []
    edges = [0, *cuts(log), len(t)]
    return [(int(a), int(b)) for a, b in pairwise(edges) if b - a >= 2]


def hysteresis(value: Array, *, on: float, off: float) -> Bools:
    """True from a value at `on` or above to one below `off`; a blank keeps it; starts False."""
    state = np.zeros(len(value), dtype=np.int8)
    state[value >= on] = 1
    state[value < off] = -1
    last = np.maximum.accumulate(np.where(state != 0, np.arange(len(value)), 0))
    held: Bools = state[last] == 1
    return held
