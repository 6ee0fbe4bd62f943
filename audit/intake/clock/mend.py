"""A clock's raw stamps to strictly increasing seconds: roll-overs, bad stamps, jumps back, repeats,
gaps.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from audit.intake.text.lines import Ints
from audit.model import Array, Note
from audit.signal.arrays import median

BAD_RUN = 6  # stamps in a row that may be wrong and still be bridged
FAR_S = 6 * 3600.0  # a jump ahead this long is a new session, not a gap
GAP_TIMES, GAP_LEAST_S = 5.0, 1.0
NOTES_A_KIND = 20


@dataclass(eq=False)
class Mended:
    """time: s from the first row; breaks: first row after each restart; keep: rows that stay."""

    time: Array
    keep: npt.NDArray[np.bool_]
    breaks: tuple[int, ...] = ()
    notes: list[Note] = field(default_factory=list)


def mend(
    seconds: Array,
    *,
    period_s: float,
    lines: Ints,
    same_as_before: Callable[[], npt.NDArray[np.bool_]],
    true_gaps: bool,
) -> Mended:
    """Seconds (NaN where there is no stamp) to a clock that can be trusted.

    period_s: where the clock rolls over, or 0. same_as_before(): rows equal to the row before in
    every cell.
    true_gaps: the clock carries dates, so a jump ahead over FAR_S is kept as long as it is.
    """
    notes: list[Note] = []
    t = _without_blanks(seconds, lines, notes)
    t = _unrolled(t, period_s)
    step = _nominal(t)
    t = _bad_stamps(t, step, lines, notes)
    t, breaks = _forward_only(t, step, true_gaps=true_gaps)
    keep = _repeats(t, same_as_before, lines, notes)
    if not keep.all():
        before = np.cumsum(~keep)
        breaks = [b - int(before[b]) for b in breaks]
        t, lines = t[keep], lines[keep]
    t = _spread(t, step, lines, notes)
    t = t - t[0] if len(t) else t
    _gaps(t, set(breaks), lines, notes)
    notes.extend(break_note(b, t, lines) for b in breaks[:NOTES_A_KIND])
    return Mended(t, keep, tuple(breaks), notes)


def break_note(row: int, t: Array, lines: Ints) -> Note:
    """What is said of a clock that starts anew at a row."""
    return Note(
        f"line {lines[row]}: the clock starts anew here; nothing is judged across this line.",
        line=int(lines[row]),
        code="sensor.clock",
        start_s=float(t[row - 1]),
        end_s=float(t[row]),
    )


def _rows(count: int) -> str:
    return "1 row has" if count == 1 else f"{count} rows have"


def _nominal(t: Array) -> float:
    steps = np.diff(t)
    steps = steps[steps > 0]
    return median(steps) if len(steps) else 1.0


def _set_evenly(t: Array, bad: npt.NDArray[np.bool_], step: float) -> Array:
    """The bad stamps between their neighbours; before the first good one and after the last, at the
    usual step.
    """
    rows = np.arange(len(t), dtype=np.float64)
    good = np.flatnonzero(~bad)
    first, last = int(good[0]), int(good[-1])
    out: Array = np.interp(rows, good, t[good])
    out[:first] = out[first] - step * (first - rows[:first])
    out[last + 1 :] = out[last] + step * (rows[last + 1 :] - last)
    return out


def _without_blanks(seconds: Array, lines: Ints, notes: list[Note]) -> Array:
    blank = ~np.isfinite(seconds)
    if not blank.any():
        return seconds.copy()
    t = _set_evenly(seconds, blank, _nominal(seconds[~blank]))
    count = int(blank.sum())
    at = int(np.argmax(blank))
    notes.append(
        Note(
            (
                f"{_rows(count)} no readable time (the first at line {lines[at]}); set evenly "
                "between their neighbours."
            ),
            line=int(lines[at]),
            count=count,
            code="sensor.clock" if count > 0.01 * len(t) else None,
        )
    )
    return t


def _unrolled(t: Array, period_s: float) -> Array:
    """Add what a clock lost that went back to 0 at midnight, at noon, or at the full hour."""
    d = np.diff(t)
    if not len(d) or d.min() >= 0:
        return t
    out = t.copy()
    for period in {86400.0: (86400.0, 43200.0), 3600.0: (3600.0,)}.get(
        period_s, (period_s,) if period_s else ()
    ):
        d = np.diff(out)
        step = max(10 * _nominal(out), 5.0)
        over = (
            (d < -0.5 * period)
            & (d + period >= 0)
            & (d + period < min(max(step, 60.0), 0.1 * period))
        )
        out[1:] += np.cumsum(over) * period
    return out


def _bad_stamps(t: Array, step: float, lines: Ints, notes: list[Note]) -> Array:
    """Bridge up to BAD_RUN stamps that stand out while those on both sides fit together."""
    back = np.flatnonzero(np.diff(t) < 0)
    if not len(back) or len(t) < 3:
        return t
    bad = np.zeros(len(t), dtype=bool)
    for i in back[:5000].tolist():
        if not bad[i] and not bad[i + 1]:
            _mark(t, i, step, bad)
    if not bad.any():
        return t
    out = _set_evenly(t, bad, step)
    count, at = int(bad.sum()), int(np.argmax(bad))
    notes.append(
        Note(
            (
                f"{count} stamp{'s do' if count > 1 else ' does'} not fit between the neighbours "
                f"(the first at line {lines[at]}); set evenly between them."
            ),
            line=int(lines[at]),
            count=count,
            code="sensor.clock" if count > 0.01 * len(t) else None,
        )
    )
    return out


def _mark(t: Array, i: int, step: float, bad: npt.NDArray[np.bool_]) -> None:
    """t[i + 1] < t[i]: mark the stamps before it that are too high, or those after it that are too
    low.
    """
    n = len(t)
    for run in range(1, BAD_RUN + 1):
        reach = (run + 1) * 4 * step + 1e-9
        low = i - run  # too high: low < the run < i + 1
        fits = low >= 0 and 0 < t[i + 1] - t[low] <= reach
        if fits and (run == 1 or t[low + 1] - t[low] > reach / 2):
            bad[low + 1 : i + 1] = True
            return
        high = i + run + 1
        if high < n and 0 < t[high] - t[i] <= reach:
            bad[i + 1 : high] = True
            return
    if i == 0 and n > 2 and t[2] > t[1]:
        bad[0] = True
    elif i + 1 == n - 1:
        bad[n - 1] = True


def _forward_only(t: Array, step: float, *, true_gaps: bool) -> tuple[Array, list[int]]:
    """Let time go on after each jump back, one nominal interval later; a far jump ahead breaks as
    well.
    """
    d = np.diff(t)
    far = d > FAR_S
    at = np.flatnonzero((d < 0) | far)
    if not len(at):
        return t, []
    d = d.copy()
    shorten = (d < 0) | (far & (d > 30 * 86400.0 if true_gaps else True))
    d[shorten] = step
    out = np.concatenate(([t[0]], t[0] + np.cumsum(d)))
    return out, (at + 1).tolist()


def _repeats(
    t: Array, same: Callable[[], npt.NDArray[np.bool_]], lines: Ints, notes: list[Note]
) -> npt.NDArray[np.bool_]:
    """Rows written twice go, unless the clock is so coarse that repeats are its habit."""
    keep = np.ones(len(t), dtype=bool)
    zero = np.concatenate(([False], np.diff(t) == 0))
    twice = zero & same() if zero.any() and zero.mean() < 0.2 else keep & False
    if twice.any():
        keep = ~twice
        at = int(np.argmax(twice))
        notes.append(
            Note(
                (
                    f"rows that repeat the row before: {int(twice.sum())}, stamp and all (the "
                    f"first at line {lines[at]}); left out."
                ),
                line=int(lines[at]),
                count=int(twice.sum()),
            )
        )
    return keep


def _spread(t: Array, step: float, lines: Ints, notes: list[Note]) -> Array:
    """Rows that share a stamp are set evenly over the time until the next one."""
    d = np.diff(t)
    if not len(d) or d.min() > 0:
        return t
    heads = np.concatenate(([0], np.flatnonzero(d > 0) + 1))
    sizes = np.diff(np.append(heads, len(t)))
    share = 1.0 - len(heads) / len(t)
    if len(heads) == 1:
        even: Array = t[0] + np.arange(len(t)) * step / max(1, len(t))
        return even
    widths = np.diff(t[heads])
    usual = median(widths)
    per_row = median(widths / sizes[:-1])
    # a gap after a group is not filled by it; a short last group keeps the usual pace
    widths = np.append(
        np.where(widths > 3 * usual, np.minimum(usual, per_row * sizes[:-1]), widths),
        min(usual, per_row * sizes[-1]),
    )
    t, widths = _stood_still(t, heads, sizes, widths, per_row=per_row, lines=lines, notes=notes)
    offset = np.arange(len(t)) - np.repeat(heads, sizes)
    out: Array = t + offset * np.repeat(widths / sizes, sizes)
    count = len(t) - len(heads)
    if share > 0.3:
        notes.append(
            Note(
                f"the clock moves in steps of {usual:g} s while rows come faster; rows are set "
                f"evenly within each step, so moments are good to about {usual:g} s.",
                count=count,
            )
        )
    else:
        notes.append(
            Note(
                f"{_rows(count)} the stamp of the row before; set evenly up to the next stamp.",
                count=count,
                code="sensor.clock" if share > 0.05 else None,
            )
        )
    if np.diff(out).min() <= 0:  # rounding: never equal
        nudge = np.arange(len(out)) * 1e-6
        out = np.maximum.accumulate(out - nudge) + nudge
    return out


def _stood_still(
    t: Array,
    heads: Ints,
    sizes: Ints,
    widths: Array,
    *,
    per_row: float,
    lines: Ints,
    notes: list[Note],
) -> tuple[Array, Array]:
    """Where far more rows than usual share a stamp the clock stood; they go on at the usual
    pace.
    """
    stood = (sizes > 3 * median(sizes)) & (sizes > 5) & (sizes * per_row > 3 * widths)
    if not stood.any():
        return t, widths
    wanted = np.where(stood, sizes * per_row, widths)
    notes.extend(
        Note(
            (
                f"line {lines[heads[g]]}: the clock stands still for {sizes[g]} rows; they go on "
                "at the usual pace."
            ),
            line=int(lines[heads[g]]),
            count=int(sizes[g]),
            code="sensor.clock" if g else None,
        )
        for g in np.flatnonzero(stood)[:NOTES_A_KIND].tolist()
    )
    later = np.concatenate(([0.0], np.cumsum(wanted - widths)[:-1]))
    return t + np.repeat(later, sizes), wanted


def _gaps(t: Array, breaks: set[int], lines: Ints, notes: list[Note]) -> None:
    d = np.diff(t)
    if not len(d):
        return
    wide = np.flatnonzero(d > max(GAP_TIMES * median(d), GAP_LEAST_S)).tolist()
    long = [i for i in wide if i + 1 not in breaks]
    notes.extend(
        Note(
            f"line {lines[i + 1]}: no rows for {d[i]:.4g} s.",
            line=int(lines[i + 1]),
            code="sensor.gap",
            start_s=float(t[i]),
            end_s=float(t[i + 1]),
        )
        for i in long[:NOTES_A_KIND]
    )
    if len(long) > NOTES_A_KIND:
        rest = long[NOTES_A_KIND:]
        notes.append(
            Note(
                f"{len(rest)} more gaps, {float(d[rest].sum()):.4g} s in all.",
                count=len(rest),
                code="sensor.gap",
                start_s=float(t[rest[0]]),
                end_s=float(t[rest[-1] + 1]),
            )
        )
