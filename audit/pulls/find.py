"""Find the pulls of a log: wide open, engine speed climbing, one gear, long enough to judge.

Does not see: a pull without engine speed; a wide-open stretch at constant engine speed (a dyno that
holds).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from audit.model import Car, LimitTable, Log, Sanity, Series, Span
from audit.pulls.gears import Gearing, gear_of, gearing, ratio_at
from audit.pulls.opened import Opened, wide_open
from audit.pulls.rows import believed, pieces
from audit.pulls.trace import pull_pieces
from audit.signal.arrays import median
from audit.signal.held import without_singles
from audit.signal.spans import runs

SHIFT_S = 1.3  # a lift shorter than this, with engine speed lower after it, was a shift
SHIFT_FALL = 0.10
NEAR_TOP = 0.94  # of the log's highest engine speed: below it no limiter is looked for


@dataclass(frozen=True, eq=False)
class _Sight:
    """What every stretch is read with."""

    log: Log
    sanity: Sanity
    rpm: Series
    speed: Series | None
    table: Gearing | None
    setting: str
    least_s: float
    ceiling: float  # rpm below which there is no limiter


class _Stretch(NamedTuple):
    """Rows first to stop of one wide-open stretch, and whether the rows themselves end there."""

    first: int
    stop: int
    at_edge: str  # "", "gap" or "log end"


def find_pulls(log: Log, sanity: Sanity, car: Car, limits: LimitTable) -> tuple[Span, ...]:
    """The pulls of a log, in order of time.

    A pull starts where the throttle (else the pedal, else the load) is wide open with engine speed
    climbing, and ends at the lift, the shift, the limiter, the end of the log or a gap in it.
    Shorter ones than settings.pull_least_s are none. Wheelspin and a slipping clutch do not end a
    pull."""
    rpm = believed(log, sanity, "engine_speed")
    if log.rows < 5 or len(rpm.t) < 4:
        return ()
    with np.errstate(invalid="ignore", divide="ignore"):
        opened = wide_open(log, sanity, limits)
        if opened is None or not opened.wide.any():
            return ()
        stretches = _stretches(log, opened, least_s=0.6 * limits.setting("pull_least_s"))
        times = [(float(log.time[s.first]), float(log.time[s.stop - 1])) for s in stretches]
        table = gearing(log, sanity, car, times)
        speed = believed(log, sanity, "vehicle_speed") if table is not None else None
        least, ceiling = limits.setting("pull_least_s"), NEAR_TOP * _top(rpm)
        sight = _Sight(log, sanity, rpm, speed, table, opened.setting, least, ceiling)
        return tuple(span for stretch in stretches for span in _pulls_in(sight, stretch))


def _stretches(log: Log, opened: Opened, *, least_s: float) -> list[_Stretch]:
    out = []
    for first, stop in pieces(log):
        starts, stops = runs(opened.wide[first:stop])
        for a, b in zip(starts + first, stops + first, strict=True):
            edge = "" if b < stop else "log end" if stop == log.rows else "gap"
            if log.time[b - 1] - log.time[a] >= least_s:
                out.append(_Stretch(int(a), int(b), edge))
    return out


def _pulls_in(sight: _Sight, stretch: _Stretch) -> list[Span]:
    time = sight.log.time
    start, end = float(time[stretch.first]), float(time[stretch.stop - 1])
    inside = sight.rpm.within(start, end)
    if len(inside.t) < 4:
        return []
    ratio = None
    if sight.speed is not None and sight.table is not None:
        ratio = ratio_at(inside, sight.speed, lag_s=sight.table.lag_s)
    row_s = (end - start) / max(stretch.stop - 1 - stretch.first, 1)
    spans = []
    for part in _without_holes(inside):
        t, v = inside.t[part], inside.value[part]
        here = None if ratio is None else ratio[part]
        for piece in pull_pieces(t, v, here, ceiling=sight.ceiling):
            a = start if piece.first == 0 and part.start == 0 else float(t[piece.first])
            last = piece.stop == len(t) and part.stop == len(inside.t)
            b = end if last and piece.ended_by == "" else float(t[piece.stop - 1])
            if b - a + row_s < sight.least_s:  # a row stands for one interval
                continue
            at_end = (stretch.at_edge or _lift_or_shift(sight.rpm, end)) if last else "gap"
            spans.append(_span(sight, a, b, piece.ended_by or at_end))
    return spans


def _top(rpm: Series) -> float:
    """The log's highest engine speed but for a few samples."""
    few = 1 + len(rpm.value) // 2000
    return float(np.partition(rpm.value, -few)[-few])


def _without_holes(series: Series) -> list[slice]:
    """Where engine speed is not believed for a second (or six intervals), a pull ends."""
    dt = np.diff(series.t)
    cuts = np.flatnonzero(dt > max(1.0, 6 * median(dt))) + 1
    edges = [0, *cuts.tolist(), len(series.t)]
    return [slice(a, b) for a, b in pairwise(edges) if b - a >= 4]


def _lift_or_shift(rpm: Series, end_s: float) -> str:
    """A shift where engine speed falls by a gear's step after the lift, then climbs at once."""
    before, after = rpm.within(end_s - 0.5, end_s), rpm.within(end_s, end_s + SHIFT_S)
    later = rpm.within(end_s + SHIFT_S, end_s + SHIFT_S + 0.7)
    if not len(before.t) or len(after.t) < 2 or len(later.t) < 2:
        return "lift"
    top, low = float(before.value.max()), float(after.value.min())
    fell = low < (1 - SHIFT_FALL) * top
    climbs = float(later.value[-1]) > 1.05 * low
    return "shift" if fell and climbs and low > 0.5 * top else "lift"


def _span(sight: _Sight, start_s: float, end_s: float, ended: str) -> Span:
    first, stop = np.searchsorted(sight.log.time, (start_s - 1e-9, end_s + 1e-9))
    gear, ratio = gear_of(sight.log, sight.sanity, sight.table, start_s, end_s)
    speeds = without_singles(sight.rpm.within(start_s, end_s).value)
    rows = int(first), int(stop), start_s, end_s, gear, float(speeds[0]), float(speeds[-1])
    return Span(*rows, ended, gear_ratio=ratio, setting=sight.setting)
