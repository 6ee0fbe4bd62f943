"""One pull against the night's others like it: settled boost at the same engine speed. No check.

Like it: the same gear (or, where gears are unknown, the same engine speed over road speed, or
engine speeds that overlap), the same solenoid duty set by hand and the same target where these are
known. Where there is none, a pull may be under those in shorter gears at the same duty: a longer
load makes no less boost. A duty that is not logged counts as the same: nobody said that it was
changed. A duty that a controller moves is its answer, no setting.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.checks.boost.boost_context import level_between, rpm_at
from audit.checks.boost.boost_trace import BoostTrace
from audit.checks.boost.context import settled_trace, shared
from audit.checks.kit.base import LimitTable, Together, judge_figure
from audit.model import Array, Pull
from audit.signal.arrays import median, median_of_finite

STEP_RPM = 200.0  # engine speeds in a step are one
LEAST_STEPS = 3  # of settled boost in common, for two pulls to be compared
SAME_DUTY_PCT = 1.5
SAME_TARGET_KPA = 4.0
SAME_RATIO = 0.06
MOST = 400  # pulls compared; a night has fewer


class _Like(NamedTuple):
    """What makes two pulls comparable; NaN where not known."""

    gear: float
    ratio: float
    duty: float
    target: float


class _Odd(NamedTuple):
    """A pull (its place among those compared) off the middle of the others like it, kPa."""

    off: float
    n: int
    others: list[int]
    shorter: bool  # the others are of shorter gears


def uneven(pulls: Sequence[Pull], limits: LimitTable) -> list[Together]:
    """The pull that stands furthest off the middle of the others like it, judged; nothing where
    none compare.

    Example: 98, 97 and 74 kPa settled at 4,000 to 6,000 rpm in third gear at 45 % duty: the third
    pull is 23.5 kPa under the middle of the other two."""
    traces = {i: trace for i, p in enumerate(pulls) if (trace := settled_trace(p)) is not None}
    rows = list(traces)[:MOST]
    levels = _levels(pulls, {i: traces[i] for i in rows})
    like = [_likeness(pulls[i]) for i in rows]
    odds = [odd for n in range(len(rows)) if (odd := _odd(levels, like, n)) is not None]
    if not odds:
        return []
    odd = max(odds, key=lambda odd: abs(odd.off))
    pull = pulls[rows[odd.n]]
    where = f" in gear {pull.gear}" if pull.gear is not None else ""
    if odd.shorter:
        where = " in shorter gears, which load the turbo less,"
    duty = like[odd.n].duty
    at = f" at {duty:.0f} % solenoid duty" if np.isfinite(duty) else ""
    if not pull.log.has("wastegate_duty"):
        at = " (solenoid duty is not logged; if it was changed by hand, say so with --duty)"
    by = f"{abs(odd.off):.1f} kPa {'over' if odd.off > 0 else 'under'}"
    several = len(odd.others) > 1
    others = f"{len(odd.others)} other pull{'s' if several else ''}"
    text = f"Boost settled {by} the {others}{where} at the same engine speed{at}"
    evidence = (odd.n,) if several else sorted((odd.n, odd.others[0]))
    row = limits.row("boost.uneven", "boost_uneven_kpa")
    span = (pull.start_s, pull.end_s)
    judged = judge_figure(row, abs(odd.off), text, "manifold_pressure", at=span)
    return [(judged, tuple(rows[n] for n in evidence))]


def _odd(levels: Array, like: Sequence[_Like], n: int) -> _Odd | None:
    """How far pull n settles off the others like it; None where there is none."""
    common = np.isfinite(levels - levels[n]).sum(axis=1) >= LEAST_STEPS
    every = [m for m in np.flatnonzero(common).tolist() if m != n]
    others = [m for m in every if _alike(like[n], like[m])]
    if shorter := not others:
        others = [m for m in every if _in_shorter_gear(like[m], like[n])]
    if not others:
        return None
    off = median([median_of_finite(levels[n] - levels[m]) for m in others])
    return _Odd(min(off, 0.0) if shorter else off, n, others, shorter)


def _in_shorter_gear(a: _Like, b: _Like) -> bool:
    """Was pull a in a shorter gear at the same duty? b, under the longer load, makes no less."""
    if not abs(a.duty - b.duty) <= SAME_DUTY_PCT or abs(a.target - b.target) > SAME_TARGET_KPA:
        return False
    return a.gear < b.gear or a.ratio > (1.0 + SAME_RATIO) * b.ratio


def usual_level(pulls: Sequence[Pull], i: int) -> float | None:
    """The middle of the settled boost of the others like this pull, kPa gauge; None for none."""
    mine = _likeness(pulls[i])
    others = [
        trace.level
        for j, pull in enumerate(pulls[:MOST])
        if j != i and (trace := settled_trace(pull)) is not None and _alike(mine, _likeness(pull))
    ]
    return median(others) if others else None


def _levels(pulls: Sequence[Pull], traces: dict[int, BoostTrace]) -> Array:
    """Settled boost of each pull in steps of engine speed, kPa; NaN where a pull has none there."""
    found: list[tuple[Array, Array]] = []
    for i, trace in traces.items():
        t, y = trace.settled_series()
        rpm = rpm_at(pulls[i], t)
        good = np.isfinite(rpm)
        found.append(((rpm[good] / STEP_RPM).astype(int), y[good]))
    top = max((int(steps.max()) for steps, _ in found if steps.size), default=0) + 1
    levels = np.full((len(found), top), np.nan)
    for level, (steps, y) in zip(levels, found, strict=True):
        count = np.bincount(steps, minlength=top)
        there = count > 0
        level[there] = np.bincount(steps, y, minlength=top)[there] / count[there]
    return levels


def _likeness(pull: Pull) -> _Like:
    duty = shared(pull).duty
    wanted = level_between(pull.believed("boost_target"), pull.start_s, pull.end_s)
    by_hand = duty.level if duty is not None and duty.fixed else None
    known = (pull.gear, pull.span.gear_ratio, by_hand, wanted)
    return _Like(*(np.nan if value is None else float(value) for value in known))


def _alike(a: _Like, b: _Like) -> bool:
    """Whether nothing known sets two pulls apart. NaN compares false: the unknown does not."""
    if a.gear != b.gear and np.isfinite(a.gear + b.gear):
        return False
    if abs(a.duty - b.duty) > SAME_DUTY_PCT and not abs(a.target - b.target) <= SAME_TARGET_KPA:
        return False
    if abs(a.target - b.target) > SAME_TARGET_KPA:
        return False
    return not abs(a.ratio / b.ratio - 1) > SAME_RATIO
