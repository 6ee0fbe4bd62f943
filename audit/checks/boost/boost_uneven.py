"""One pull against the night's others like it: settled boost at the same engine speed. No check.

Like it: the same gear (or, where gears are unknown, the same engine speed over road speed, or
engine speeds that overlap), the same solenoid duty set by hand and the same target where these are
known. Where there is none, a pull may be under those in shorter gears at the same duty: a longer
load makes no less boost. A duty that is not logged counts as the same: nobody said that it was
changed. A duty that a controller moves is its answer, no setting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.checks.boost.boost_context import level_between, rpm_at
from audit.checks.boost.boost_trace import BoostTrace
from audit.checks.boost.context import boost_trace, duty_of
from audit.checks.kit.base import LimitTable, Together, judge_figure
from audit.model import Array, Measures, Pull

STEP_RPM = 200.0  # engine speeds in a step are one
LEAST_STEPS = 3  # of settled boost in common, for two pulls to be compared
SAME_DUTY_PCT = 1.5
SAME_TARGET_KPA = 4.0
SAME_RATIO = 0.06
MOST = 400  # pulls compared; a night has fewer
# A taper of the turbo's own: common practice, no published source
ALIKE_PCT = 6.0  # fades this near to the pulls' middle are alike
SMOOTH = 0.5  # share of the fall that one fifth of the engine speeds may hold


@dataclass(frozen=True)
class _Like:
    """What makes two pulls comparable; NaN where not known."""

    gear: float
    ratio: float
    duty: float
    target: float


def uneven(pulls: Sequence[Pull], limits: LimitTable) -> list[Together]:
    """The pull that stands furthest off the middle of the others like it, judged; nothing where
    none compare.

    Example: 98, 97 and 74 kPa settled at 4,000 to 6,000 rpm in third gear at 45 % duty: the third
    pull is 23.5 kPa under the middle of the other two.
    """
    rows = [i for i, p in enumerate(pulls) if (t := boost_trace(p)) is not None and t.settled]
    rows = rows[:MOST]
    if len(rows) < 2:
        return []
    levels = _levels(pulls, rows)
    like = [_likeness(pulls[i]) for i in rows]
    worst: tuple[float, int, list[int], bool] | None = None
    for n in range(len(rows)):
        every = [m for m in range(len(rows)) if m != n]
        every = [m for m in every if np.isfinite(levels[m] - levels[n]).sum() >= LEAST_STEPS]
        others = [m for m in every if _alike(like[n], like[m])]
        off = _off(levels, n, others)
        if shorter := not others:
            others = [m for m in every if _in_shorter_gear(like[m], like[n])]
            off = min(_off(levels, n, others), 0.0)
        if others and (worst is None or abs(off) > abs(worst[0])):
            worst = (off, n, others, shorter)
    if worst is None:
        return []
    off, n, others, shorter = worst
    pull = pulls[rows[n]]
    where = f" in gear {pull.gear}" if pull.gear is not None else ""
    if shorter:
        where = " in shorter gears, which load the turbo less,"
    duty = like[n].duty
    at = f" at {duty:.0f} % solenoid duty" if np.isfinite(duty) else ""
    if not pull.log.has("wastegate_duty"):
        at = " (solenoid duty is not logged; if it was changed by hand, say so with --duty)"
    text = (
        f"Boost settled {abs(off):.1f} kPa {'over' if off > 0 else 'under'} the {len(others)} "
        f"other pull{'s' if len(others) > 1 else ''}{where} at the same engine speed{at}"
    )
    evidence = (rows[n],) if len(others) > 1 else (rows[min(n, others[0])], rows[max(n, others[0])])
    row = limits.row("boost.uneven", "boost_uneven_kpa")
    span = (pull.start_s, pull.end_s)
    return [(judge_figure(row, abs(off), text, "manifold_pressure", at=span), evidence)]


def _off(levels: Array, n: int, others: Sequence[int]) -> float:
    """How far pull n settles over the others, their middle, kPa; 0 where there is none."""
    if not others:
        return 0.0
    return float(np.median([np.nanmedian(levels[n] - levels[m]) for m in others]))


def _in_shorter_gear(a: _Like, b: _Like) -> bool:
    """Whether pull a was in a shorter gear than b at the same duty: b, under the longer load, makes
    no less boost.
    """
    if not abs(a.duty - b.duty) <= SAME_DUTY_PCT or abs(a.target - b.target) > SAME_TARGET_KPA:
        return False
    return a.gear < b.gear or a.ratio > (1.0 + SAME_RATIO) * b.ratio


def usual_level(pulls: Sequence[Pull], i: int) -> float | None:
    """Settled boost of the other pulls like this one, their middle, kPa gauge; None where there is
    none like it.
    """
    mine = _likeness(pulls[i])
    others = [
        trace.level
        for j, pull in enumerate(pulls[:MOST])
        if j != i
        and (trace := boost_trace(pull)) is not None
        and trace.settled
        and _alike(mine, _likeness(pull))
    ]
    return float(np.median(others)) if others else None


def _levels(pulls: Sequence[Pull], rows: Sequence[int]) -> Array:
    """Settled boost of each pull in steps of engine speed, kPa; NaN where a pull has none there."""
    found: list[tuple[Array, Array]] = []
    for i in rows:
        trace = boost_trace(pulls[i])
        if trace is None:
            continue
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
    duty = duty_of(pull)
    logged = pull.believed("boost_target")
    wanted = level_between(logged, pull.start_s, pull.end_s) if len(logged.t) else None
    return _Like(
        *(
            float("nan") if value is None else float(value)
            for value in (
                pull.gear,
                pull.span.gear_ratio,
                duty.level if duty is not None and duty.fixed else None,
                wanted,
            )
        )
    )


def _alike(a: _Like, b: _Like) -> bool:
    """Whether nothing known sets two pulls apart. NaN compares false: the unknown does not."""
    if a.gear != b.gear and np.isfinite(a.gear + b.gear):
        return False
    if abs(a.duty - b.duty) > SAME_DUTY_PCT and not abs(a.target - b.target) <= SAME_TARGET_KPA:
        return False
    if abs(a.target - b.target) > SAME_TARGET_KPA:
        return False
    return not abs(a.ratio / b.ratio - 1) > SAME_RATIO


def tapers_alike(pulls: Sequence[Pull], measures: Sequence[Measures]) -> set[int]:
    """The pulls whose fade is the turbo's own: two or more, alike in size, each smooth in engine
    speed.
    """
    fades = {
        i: fade
        for i in range(len(pulls))
        if (fade := measures[i].get("boost_fade_pct")) is not None and fade > 0
    }
    settled = sum(1 for p in pulls if (t := boost_trace(p)) is not None and t.settled)
    if len(fades) < 2 or len(fades) < settled:
        return set()
    middle = float(np.median(list(fades.values())))
    return {
        i
        for i, fade in fades.items()
        if abs(fade - middle) <= ALIKE_PCT and _smooth(pulls[i], boost_trace(pulls[i]))
    }


def _smooth(pull: Pull, trace: BoostTrace | None) -> bool:
    """Whether the fall is spread over the engine speeds from its top on, rather than a step."""
    if trace is None or not trace.settled:
        return False
    rows = slice(int((trace.calm >= 0.95 * float(trace.calm.max())).argmax()), None)
    calm, rpm = trace.calm[rows], rpm_at(pull, trace.t[rows])
    good = np.isfinite(rpm)
    if good.sum() < 10:
        return False
    edges = np.linspace(rpm[good][0], rpm[good][-1], 6)
    level = np.interp(edges, rpm[good], calm[good])
    falls = level[:-1] - level[1:]
    return bool(falls.max() <= SMOOTH * max(float(level.max() - level[-1]), 1e-9))
