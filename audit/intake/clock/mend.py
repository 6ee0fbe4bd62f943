"""A clock's raw stamps to strictly increasing seconds: what rolls over, jumps, repeats, lacks."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from audit.intake.bytes.encoding import Ints
from audit.intake.said import note
from audit.model import Array, Bools, Note
from audit.signal.arrays import median

BAD_RUN = 6  # stamps in a row that may be wrong and still be bridged
FAR_S = 6 * 3600.0  # a jump ahead this long is a new session, not a gap
MONTH_S = 30 * 86400.0
GAP_TIMES, GAP_LEAST_S = 5.0, 1.0
NOTES_A_KIND = 20
CLOCK = "sensor.clock"  # what a clock is found with that is not to be trusted throughout


class Mended(NamedTuple):
    """time: s from the first row; breaks: first row after each restart; keep: rows that stay."""

    time: Array
    keep: Bools
    breaks: tuple[int, ...]
    notes: list[Note]


def mend(
    seconds: Array,
    *,
    period_s: float,
    lines: Ints,
    same_as_before: Callable[[], Bools],
    true_gaps: bool,
) -> Mended:
    """Seconds (NaN where there is no stamp) to a clock that can be trusted.

    period_s: where the clock rolls over, or 0. same_as_before(): rows equal to the row before in
    every cell. true_gaps: the clock carries dates, so a jump ahead over FAR_S is kept as it is.
    """
    notes: list[Note] = []
    blank = ~np.isfinite(seconds)
    t = _bridged(seconds, blank, _nominal(seconds[~blank]), lines, notes, key="no_stamp")
    t = _unrolled(t, period_s)
    step = _nominal(t)
    t = _bridged(t, _standing_out(t, step), step, lines, notes, key="bad_stamp")
    t, breaks = _forward_only(t, step, true_gaps=true_gaps)
    twice = np.diff(t, prepend=t[:1] - 1.0) == 0
    # unless the clock is so coarse that repeats are its habit
    twice = twice & same_as_before() if 0 < twice.mean() < 0.2 else np.zeros(len(t), dtype=bool)
    if twice.any():
        notes.append(note("row_twice", int(lines[np.argmax(twice)]), int(twice.sum())))
        breaks = breaks - np.cumsum(twice)[breaks]
        t, lines = t[~twice], lines[~twice]
    t = _spread(t, step, lines, notes)
    t = t - t[:1]
    _gaps(t, breaks, lines, notes)
    notes.extend(break_note(b, t, lines) for b in breaks[:NOTES_A_KIND].tolist())
    return Mended(t, ~twice, tuple(breaks.tolist()), notes)


def break_note(row: int, t: Array, lines: Ints) -> Note:
    """What is said of a clock that starts anew at a row."""
    span = float(t[row - 1]), float(t[row])
    return note("clock_anew", int(lines[row]), code=CLOCK, span=span)


def _nominal(t: Array) -> float:
    steps = np.diff(t)
    steps = steps[steps > 0]
    return median(steps) if len(steps) else 1.0


def _bridged(
    t: Array, bad: Bools, step: float, lines: Ints, notes: list[Note], *, key: str
) -> Array:
    """The bad stamps between their neighbours, those at the ends at the usual step; with a note."""
    if not bad.any():
        return t
    rows, good = np.arange(len(t), dtype=np.float64), np.flatnonzero(~bad)
    first, last = int(good[0]), int(good[-1])
    out: Array = np.interp(rows, good, t[good])
    out += step * (np.minimum(rows - first, 0.0) + np.maximum(rows - last, 0.0))
    count, line = int(bad.sum()), int(lines[np.argmax(bad)])
    notes.append(note(key, line, count, code=CLOCK if count > 0.01 * len(t) else None))
    return out


def _unrolled(t: Array, period_s: float) -> Array:
    """Add what a clock lost that went back to 0 at midnight, at noon, or at the full hour."""
    for period in (86400.0, 43200.0) if period_s == 86400.0 else (period_s,):
        d = np.diff(t)
        if not period or not (d < 0).any():
            break
        most = min(max(10 * _nominal(t), 60.0), 0.1 * period)
        over = (d < -0.5 * period) & (d + period >= 0) & (d + period < most)
        t = t + np.concatenate(([0.0], np.cumsum(over) * period))
    return t


def _standing_out(t: Array, step: float) -> Bools:
    """Up to BAD_RUN stamps in a row that stand out while those on both sides fit together."""
    bad = np.zeros(len(t), dtype=bool)
    for i in np.flatnonzero(np.diff(t) < 0)[:5000].tolist() if len(t) > 2 else ():
        if not bad[i] and not bad[i + 1]:
            bad[_wrong_at(t, i, step)] = True
    return bad


def _wrong_at(t: Array, i: int, step: float) -> slice:
    """t[i + 1] < t[i]: the stamps before it that are too high, or those after that are too low."""
    n = len(t)
    for run in range(1, BAD_RUN + 1):
        reach = (run + 1) * 4 * step + 1e-9
        low, high = i - run, i + run + 1  # too high: low < the run < i + 1
        fits = low >= 0 and 0 < t[i + 1] - t[low] <= reach
        if fits and (run == 1 or t[low + 1] - t[low] > reach / 2):
            return slice(low + 1, i + 1)
        if high < n and 0 < t[high] - t[i] <= reach:
            return slice(i + 1, high)
    if i == 0 and t[2] > t[1]:
        return slice(0, 1)
    return slice(n - 1, n) if i + 1 == n - 1 else slice(0, 0)


def _forward_only(t: Array, step: float, *, true_gaps: bool) -> tuple[Array, Ints]:
    """Time goes on a step after each jump back, which breaks it; so does a far jump ahead."""
    d = np.diff(t)
    at = np.flatnonzero((d < 0) | (d > FAR_S))
    if len(at):
        d[(d < 0) | (d > (MONTH_S if true_gaps else FAR_S))] = step
        t = np.concatenate(([t[0]], t[0] + np.cumsum(d)))
    return t, at + 1


def _spread(t: Array, step: float, lines: Ints, notes: list[Note]) -> Array:
    """Rows that share a stamp are set evenly over the time until the next one."""
    d = np.diff(t)
    if not (d <= 0).any():
        return t
    heads = np.concatenate(([0], np.flatnonzero(d > 0) + 1))
    sizes = np.diff(np.append(heads, len(t)))
    if len(heads) == 1:
        even: Array = t[0] + np.arange(len(t)) * step / len(t)
        return even
    widths = np.diff(t[heads])
    usual, per_row = median(widths), median(widths / sizes[:-1])
    # a gap after a group is not filled by it; a short last group keeps the usual pace
    most = np.minimum(usual, per_row * sizes)
    widths = np.append(np.where(widths > 3 * usual, most[:-1], widths), most[-1])
    # where far more rows than usual share a stamp the clock stood; they go on at the usual pace
    stood = (sizes > 3 * median(sizes)) & (sizes > 5) & (sizes * per_row > 3 * widths)
    wanted = np.where(stood, sizes * per_row, widths)
    for g in np.flatnonzero(stood)[:NOTES_A_KIND].tolist():
        line, count = int(lines[heads[g]]), int(sizes[g])
        notes.append(note("clock_stood", line, count, code=CLOCK if g else None))
    later = np.cumsum(wanted - widths) - (wanted - widths)
    offset = np.arange(len(t)) - np.repeat(heads, sizes)
    out: Array = t + np.repeat(later, sizes) + offset * np.repeat(wanted / sizes, sizes)
    count = len(t) - len(heads)
    if count > 0.3 * len(t):
        notes.append(note("coarse_clock", count=count, step=f"{usual:g}"))
    else:
        code = CLOCK if count > 0.05 * len(t) else None
        notes.append(note("same_stamp", count=count, code=code))
    if np.diff(out).min() <= 0:  # rounding: never equal
        nudge = np.arange(len(out)) * 1e-6
        out = np.maximum.accumulate(out - nudge) + nudge
    return out


def _gaps(t: Array, breaks: Ints, lines: Ints, notes: list[Note]) -> None:
    d = np.diff(t)
    if not len(d):
        return
    wide = d > max(GAP_TIMES * median(d), GAP_LEAST_S)
    wide[breaks[breaks > 0] - 1] = False
    long = np.flatnonzero(wide)
    for i in long[:NOTES_A_KIND].tolist():
        span, line = (float(t[i]), float(t[i + 1])), int(lines[i + 1])
        notes.append(note("no_rows", line, code="sensor.gap", span=span, seconds=f"{d[i]:.4g}"))
    rest = long[NOTES_A_KIND:]
    if len(rest):
        span, gone = (float(t[rest[0]]), float(t[rest[-1] + 1])), f"{float(d[rest].sum()):.4g}"
        notes.append(note("more_gaps", count=len(rest), code="sensor.gap", span=span, seconds=gone))
