"""Wide-open stretches of which a part is missing: a gap, a restart, a cut-off, the log's ends."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.model import Array, Bools, Car, LimitTable, Log, Pull, Sanity, Tear
from audit.pulls.gears import gear_of, gearing
from audit.pulls.opened import wide_open
from audit.pulls.rows import believed, cuts
from audit.signal.arrays import median
from audit.signal.spans import runs

NEAR_S = 0.4  # wide open this near to where the rows break off, it was wide open there
ABRUPT_S = 1.5  # a file cut off this soon after a pull: what it would have said of the pull is lost
LEAST_ROWS = 2


class _Sight(NamedTuple):
    """What every break is looked at with."""

    log: Log
    sanity: Sanity
    car: Car
    wide: Bools
    pulls: tuple[Pull, ...]


def tears(
    log: Log, sanity: Sanity, car: Car, limits: LimitTable, pulls: Sequence[Pull]
) -> tuple[Tear, ...]:
    """Every place where the rows break off within a wide-open stretch, in order of time.

    A log that merely ends wide open counts only where it ends in a pull."""
    with np.errstate(invalid="ignore"):
        opened = wide_open(log, sanity, limits)
        if opened is None or not opened.wide.any():
            return ()
        sight = _Sight(log, sanity, car, opened.wide, tuple(pulls))
        found = [_tear(sight, row, how) for row, how in _edges(log, pulls)]
    return tuple(tear for tear in found if tear is not None)


def _edges(log: Log, pulls: Sequence[Pull]) -> list[tuple[int, str]]:
    """(first row after, how) of each break in the rows."""
    restarts = set(log.breaks)
    out = [(0, "log start")]
    out += [(row, "restart" if row in restarts else "gap") for row in cuts(log)]
    if log.cut_off_s is not None:
        out.append((log.rows, "cut off"))
    elif pulls and pulls[-1].span.ended_by == "log end":
        out.append((log.rows, "log end"))
    return out


def _tear(sight: _Sight, row: int, how: str) -> Tear | None:
    t = sight.log.time
    near = ABRUPT_S if how == "cut off" else NEAR_S
    before = _stretch_before(t, sight.wide, row, near)
    after = _stretch_after(sight.wide, row)
    sides = [side for side in (before, after) if side is not None]
    if not sides:
        return None
    start, end = float(t[sides[0][0]]), float(t[sides[-1][1] - 1])
    inside = [p for p in sight.pulls if p.start_s <= end + 1e-9 and p.end_s >= start - 1e-9]
    rest = next((p for p in inside if after is not None and p.start_s >= t[row] - 1e-9), None)
    hit = [p for p in inside if p is rest or _ends_there(p, t, row)]
    rpm = believed(sight.log, sight.sanity, "engine_speed").within(start, end)
    speeds = [v for p in hit for v in (p.span.rpm_start, p.span.rpm_end)] + rpm.value.tolist()
    if not speeds:
        return None
    return Tear(
        at_s=float(t[max(min(row, len(t)) - 1, 0)]),
        how=how,
        start_s=start,
        end_s=end,
        rpm_low=float(min(speeds)),
        rpm_high=float(max(speeds)),
        gear=hit[0].gear if hit else _gear(sight, start, end),
        duty_pct=_duty(sight.log, sight.sanity, start, end),
        pulls=tuple(p.index for p in hit),
    )


def _stretch_before(t: Array, wide: Bools, row: int, near_s: float) -> tuple[int, int] | None:
    """The wide-open rows that end at a break, or within near_s before it."""
    starts, stops = runs(wide[:row])
    if not len(starts) or stops[-1] - starts[-1] < LEAST_ROWS:
        return None
    if stops[-1] < row and t[row - 1] - t[stops[-1] - 1] > near_s:
        return None
    return int(starts[-1]), int(stops[-1])


def _stretch_after(wide: Bools, row: int) -> tuple[int, int] | None:
    """The wide-open rows that begin with the first row after a break."""
    starts, stops = runs(wide[row:])
    if not len(starts) or stops[0] - starts[0] < LEAST_ROWS:
        return None
    first, stop = int(starts[0]) + row, int(stops[0]) + row
    return (first, stop) if first == row else None


def _ends_there(pull: Pull, t: Array, row: int) -> bool:
    """Does the pull end at the break: within NEAR_S before it, or ABRUPT_S before a cut-off?"""
    last = float(t[min(row, len(t)) - 1]) if row else -np.inf
    reach = ABRUPT_S if row >= len(t) else NEAR_S
    return -1e-9 <= last - pull.end_s <= reach


def _gear(sight: _Sight, start: float, end: float) -> int | None:
    """The gear of a stretch that is no pull."""
    table = gearing(sight.log, sight.sanity, sight.car, [(start, end)])
    return gear_of(sight.log, sight.sanity, table, start, end)[0]


def _duty(log: Log, sanity: Sanity, start: float, end: float) -> float | None:
    duty = believed(log, sanity, "wastegate_duty") if log.has("wastegate_duty") else None
    inside = duty.within(start, end).value if duty is not None else ()
    return median(inside) if len(inside) else None
