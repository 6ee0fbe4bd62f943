"""The rate at which each channel truly gets new values: blanks skipped, held values told from real
ones.

Does not see: a slow channel held in a fast file that hardly ever moves; it counts as read each row.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.model import Array, Bools
from audit.signal.arrays import distinct, median, quantile

LEAST_CHANGES = 6
SWITCH_LEVELS = 12  # so few values, seconds apart; common practice, no published source
SWITCH_S = 0.8


class Rate(NamedTuple):
    """hz: true samples a second, 0 when there are fewer than two. held: values repeat between
    them.
    """

    hz: float
    held: bool = False


def median_step(t: Array) -> float:
    """The median interval of an increasing clock, s; 0 for fewer than two rows."""
    return median(np.diff(t)) if len(t) > 1 else 0.0


def channel_rate(t: Array, value: Array, *, row_step_s: float) -> Rate:
    """The rate of one column. t: s, value: NaN where blank, both n rows; row_step_s: median row
    interval.

    A column is held when its changes stand at least 1.8 rows apart and either keep a beat or jump
    by several of its smallest steps (a quantised slow signal moves by one step at a time).
    """
    there = np.isfinite(value)
    count = int(there.sum())
    if count < 2 or row_step_s <= 0:
        return Rate(0.0)
    if count < len(value):
        t, value = t[there], value[there]
        step = _typical(np.diff(t))
    else:
        step = row_step_s
    moves = np.flatnonzero(value[1:] != value[:-1])
    plain = Rate(1.0 / step if step > 0 else 0.0)
    if len(moves) < LEAST_CHANGES or len(moves) > 0.7 * (count - 1):
        return plain
    apart = np.diff(t[moves + 1])
    if len(apart) > 4000:
        apart = apart[:: len(apart) // 4000 + 1]
    ordered = np.sort(apart)
    beat = float(ordered[len(ordered) // 10])
    if beat < 1.75 * step:
        few = float((ordered < 1.75 * step).mean())
        if few > 0.12:
            return plain
        beat = float(ordered[len(ordered) // 4])
        if beat < 1.75 * step:
            return plain
    singles = apart[apart < 1.6 * beat]
    beat = float(np.mean(singles)) if len(singles) else beat
    multiple = np.maximum(np.round(apart / beat), 1.0)
    regular = float((np.abs(apart - multiple * beat) <= np.maximum(0.2 * beat, 0.6 * step)).mean())
    on_beat = float((multiple == 1.0).mean())
    if beat > SWITCH_S and distinct(value[moves + 1]).size <= SWITCH_LEVELS:
        # a switch, a gear or a duty set by hand: when it moves says nothing of how often it is read
        return plain
    jumps = np.abs(value[moves + 1] - value[moves])
    smallest = float(jumps.min())
    leaps = smallest <= 0 or median(jumps) > 2.5 * smallest
    if (regular >= 0.85 and on_beat >= 0.4 and beat >= 1.9 * step) or (leaps and on_beat >= 0.4):
        near = np.sort(apart[multiple <= 1.0])
        return Rate(1.0 / float(np.mean(near) if regular >= 0.85 else median(near)), held=True)
    return plain


def together(
    t: Array, values: Sequence[Array | None], rates: Sequence[Rate], *, row_step_s: float
) -> list[Rate]:
    """Rates of a whole file whose columns are polled together.

    Where all quick columns are held, a column that shows no rate of its own, and never changes
    twice within a beat, is taken to be polled like the rest: 1 / the median beat.
    """
    full = 1.0 / row_step_s if row_step_s > 0 else 0.0
    held = [
        i for i, (r, v) in enumerate(zip(rates, values, strict=True)) if r.held and v is not None
    ]
    quick = [
        i
        for i, (r, v) in enumerate(zip(rates, values, strict=True))
        if v is not None and not r.held and _moves_often(v)
    ]
    if len(held) < 3 or len(quick) > 0.34 * len(held):
        return list(rates)
    common = median([rates[i].hz for i in held])
    out = list(rates)
    for i, (rate, v) in enumerate(zip(rates, values, strict=True)):
        if v is None or rate.held or rate.hz < 0.9 * full or i in quick:
            continue
        moved = np.flatnonzero(_changed(v)) + 1
        if len(moved) < 2 or quantile(np.diff(t[moved]), 0.1) >= 0.7 / common:
            out[i] = Rate(common, held=True)
    return out


def _changed(value: Array | None) -> Bools:
    if value is None:
        return np.zeros(0, dtype=bool)
    return np.asarray((value[1:] != value[:-1]) & np.isfinite(value[1:]))


def _moves_often(value: Array) -> bool:
    return bool(_changed(value).mean() > 0.5) if len(value) > 1 else False


def _typical(steps: Array) -> float:
    """The usual interval between samples of a sparse column: the median, gaps notwithstanding."""
    return median(steps) if len(steps) else 0.0
