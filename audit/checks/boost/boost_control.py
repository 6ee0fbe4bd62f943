"""boost_control: does boost do what the solenoid's duty asks, over the night and inside a pull?

Pulls are compared within one gear. Boost that keeps to its target while duty differs is a
controller at work.
Does not see: a solenoid that is a little weak; anything where duty never moves.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.checks.boost.boost_context import level_between, over_target, target_level
from audit.checks.boost.boost_duty import Duty, at_stop
from audit.checks.boost.boost_trace import BoostTrace
from audit.checks.boost.context import shared
from audit.checks.kit.base import (
    Across,
    LimitTable,
    Measured,
    Together,
    by_rows,
    cannot,
    gathered,
    judge_row,
)
from audit.declared import declared
from audit.model import Array, Measures, Pull
from audit.signal.arrays import median, median_sorted
from audit.signal.lines import theil_sen

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

# settled boost of a night's pulls lies as far apart by itself; common practice, no published source
LEVEL_KPA = 0.7
EXPECTED_KPA_PER_PCT = 1.0  # common practice: about 2 near full boost, half of that low down
LEAST_SPREAD_PCT = 8.0  # of duty between pulls
ON_TARGET_KPA = 6.0
LITTLE_DUTY_PCT = 12.0  # above its lowest: the solenoid is all but off
SPRING_KPA_PER_PCT = 1.5  # what a little duty may add to the spring
DEAD_PCT = 20.0  # above its lowest a solenoid need not answer: the gate stays on its spring
STEP_PCT = 8.0  # inside a pull
STEP_S = 0.4


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001
    """Mean duty; boost short of target at its stop, or over the spring; its answer to a step."""
    trace, duty = shared(pull).trace, shared(pull).duty
    if trace is None:
        return cannot("too_short", "too few believed samples of manifold pressure")
    if not trace.settled:
        return cannot(*trace.unable)
    if duty is None:
        return cannot("too_slow", "solenoid duty has fewer than 2 samples while boost was settled")
    sheet = Measured({"duty_mean_pct": duty.level, "duty_saturated_short_kpa": 0.0})
    _saturated(pull, trace, duty, sheet)
    _over_spring(pull, trace, duty, sheet)
    _step_inside(pull, trace, sheet)
    return sheet.of("wastegate_duty")


judge = by_rows(CODES)


def _saturated(pull: Pull, trace: BoostTrace, duty: Duty, sheet: Measured) -> None:
    wanted = target_level(pull, *trace.settled_span)
    if wanted is None or not at_stop(pull, duty):
        return
    late = slice(-max(3, (trace.t.size - trace.settled_at) // 2), None)
    seen = over_target(pull, trace.t[late], trace.y[late], wanted)
    if seen is None:
        return
    short = -median_sorted(seen[1])
    text = (
        f"solenoid duty stood at its end stop ({duty.level:.0f} %) and boost was still {short:.1f} "
        f"kPa under {wanted.whose} of {median_sorted(seen[2]):.1f} kPa"
    )
    sheet.put("duty_saturated_short_kpa", max(short, 0.0), text, at=trace.settled_span)


def _over_spring(pull: Pull, trace: BoostTrace, duty: Duty, sheet: Measured) -> None:
    spring, used = pull.car.spring_kpa, duty.top - pull.car.duty_min_pct
    if spring is None or used > LITTLE_DUTY_PCT:
        return
    over = trace.level - spring - SPRING_KPA_PER_PCT * max(used, 0.0)
    text = (
        f"boost settled at {trace.level:.1f} kPa gauge with only {duty.level:.0f} % duty, "
        f"{over:.1f} kPa more than the wastegate spring of {spring:.1f} kPa accounts for; a line "
        "may be off the wastegate, or the valve gives much at little duty"
    )
    sheet.put("boost_over_spring_kpa", over, text, at=trace.settled_span)


def _step_inside(pull: Pull, trace: BoostTrace, sheet: Measured) -> None:
    """A clear step up of duty between two holds, while boost was short or nothing was aimed at."""
    arrived, end = float(trace.t[trace.arrival]), float(trace.t[-1])
    duty = pull.believed("wastegate_duty").within(arrived, end)
    if len(duty.t) < 6:
        return
    i = int((duty.value[1:] - duty.value[:-1]).argmax())
    when, up = float(duty.t[i]), float(duty.t[i + 1])
    before, after = duty.within(when - STEP_S, when), duty.within(up + STEP_S, up + 2.5 * STEP_S)
    if any(len(part.t) < 3 or np.ptp(part.value) > 2.0 for part in (before, after)):
        return
    step = median_sorted(after.value) - median_sorted(before.value)
    rows = (trace.t >= after.t[0]) & (trace.t <= after.t[-1])
    earlier = (trace.t >= when - STEP_S) & (trace.t <= when)
    if step < STEP_PCT or rows.sum() < 3 or earlier.sum() < 3:
        return
    at = (when, float(after.t[-1]))
    boost = median_sorted(trace.y[rows])
    wanted = target_level(pull, float(after.t[0]), at[1])
    if wanted is not None and boost > wanted.kpa - ON_TARGET_KPA:
        return
    gained = boost - median_sorted(trace.y[earlier])
    missing = 100.0 * (1.0 - gained / (EXPECTED_KPA_PER_PCT * step))
    text = (
        f"duty went up by {step:.0f} % inside the pull and boost moved by {gained:.1f} kPa, "
        f"{missing:.0f} % less than usual"
    )
    sheet.put("duty_response_missing_pct", missing, text, at=at)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """Boost against duty over the night's pulls, gear by gear."""
    duty, boost = (
        np.array([m.get(name) for m in measures], dtype=np.float64)
        for name in ("duty_mean_pct", "boost_settled_kpa")
    )
    # in the dead band at low duty boost stays on its spring by rights
    answers = duty - np.array([p.car.duty_min_pct for p in pulls]) >= DEAD_PCT
    found: list[Together] = []
    for gear, every in _by_gear(pulls, duty, boost).items():
        rows = [i for i in every if answers[i]]
        x, y = duty[rows], boost[rows]
        if x.size < 2 or float(np.ptp(x)) < LEAST_SPREAD_PCT or _on_target(pulls, rows, y):
            continue
        # what a controller that moves duty inside a pull does follows from boost
        led = any((d := shared(pulls[i]).duty) is None or not d.fixed for i in rows)
        measured = _answer(gear, x, _slope(x, y), reversible=not led)
        found += [
            (judge_row(limits.row(code, name), measured), tuple(rows))
            for code, name in (
                ("control.no_response", "duty_response_missing_pct"),
                ("control.reversed", "duty_response_reversed_kpa_per_pct"),
            )
        ]
    why = f"no two pulls of one gear lie {LEAST_SPREAD_PCT:g} % of duty apart"
    return gathered(found, why, "missing")


def _by_gear(pulls: Sequence[Pull], duty: Array, boost: Array) -> dict[int | None, list[int]]:
    """The pulls whose duty and settled boost are known, by gear; all in one where no gear has its
    own steps of duty: what the gate holds hardly depends on the gear."""
    known = np.flatnonzero(np.isfinite(duty + boost)).tolist()
    gears: dict[int | None, list[int]] = {}
    for i in known:
        gears.setdefault(pulls[i].gear, []).append(i)
    spread = max((float(np.ptp(duty[rows])) for rows in gears.values()), default=0.0)
    return {None: known} if None in gears and spread < LEAST_SPREAD_PCT else gears


def _on_target(pulls: Sequence[Pull], rows: list[int], boost: Array) -> bool:
    """Does every pull keep to its logged target? Then duty differs because a controller works."""
    asked = [
        level_between(pulls[i].believed("boost_target"), pulls[i].start_s, pulls[i].end_s)
        for i in rows
    ]
    return bool((np.abs(np.array(asked, dtype=np.float64) - boost) <= ON_TARGET_KPA).all())


def _slope(x: Array, y: Array) -> float:
    """KPa per %: robust line, of two levels the plain quotient."""
    fit = theil_sen(x, y)
    if fit is not None:
        return fit.slope
    low, high = x < x.mean(), x >= x.mean()
    return float((median(y[high]) - median(y[low])) / (median(x[high]) - median(x[low])))


def _answer(gear: int | None, x: Array, slope: float, *, reversible: bool) -> Measured:
    spread, moved = float(np.ptp(x)), slope * float(np.ptp(x))
    where = f"in gear {gear}" if gear is not None else "(gear unknown)"
    sure = slope - LEVEL_KPA / spread  # so much may be the settled levels' own spread
    missing = 100.0 * (1.0 - sure / EXPECTED_KPA_PER_PCT)
    against = -slope if reversible and slope < 0 and -moved > 3.0 else 0.0
    lead = (
        f"duty went from {x.min():.0f} % to {x.max():.0f} % over {x.size} pulls {where} and "
        f"boost moved by {moved:.1f} kPa"
    )
    short = 0.0 if against > 0.15 else min(max(missing, 0.0), 100.0)
    due = f"{lead}; about {EXPECTED_KPA_PER_PCT * spread:.0f} kPa more would be usual"
    wrong = f"{lead}, the wrong way: {-slope:.2f} kPa down for each % up"
    sheet = Measured()
    sheet.put("duty_response_missing_pct", short, due)
    sheet.put("duty_response_reversed_kpa_per_pct", against, wrong)
    return sheet.of("wastegate_duty")
