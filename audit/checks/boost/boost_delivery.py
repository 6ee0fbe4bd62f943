"""boost_delivery: does boost reach its target, keep it to the end, and arrive when this car usually has it?

Looks at the settled part only: low engine speed that cannot make the target is no fault. Open-loop pulls (a
fixed duty) have no target to miss. Does not see: why; a car that is late or weak in every pull of the night
and has no target (that is for the archive).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.checks.boost.boost_ceiling import ceiling
from audit.checks.boost.boost_context import level_between, rpm_at, shift_between, target_level
from audit.checks.boost.boost_draft import Draft
from audit.checks.boost.boost_duty import stepped_by_hand
from audit.checks.boost.boost_trace import BoostTrace, boost_trace
from audit.checks.engine.pace import rpm_rate
from audit.checks.kit.base import Across, Judged, LimitTable, Measured, judge_row, judge_rows
from audit.model import Array, Finding, Measures, Pull
from audit.signal.arrays import block_means, median_sorted
from audit.signal.monotone import isotonic

NAME = "boost_delivery"
NEEDS = ("boost",)
HELPED_BY = ("engine_speed", "boost_target", "wastegate_duty", "throttle_position")
LEAST_RATE_HZ = 4.0
CODES = ("boost.under_target", "boost.fade", "boost.late")

POINTS = 24
LEAST_FADE_S = 0.8  # of settled boost, to speak of fading
LEAST_PEAK_KPA = 35.0  # gauge; the percentage is of no less than this
DUTY_HELD_PCT = 3.0
SAME_DUTY_PCT = 1.5
SAME_START_RPM = 500.0
SAME_TARGET_KPA = 4.0
# Common practice, no published source:
LEAST_LEVEL_KPA = 20.0  # gauge: settled boost that says what this car makes
CREEPS_KPA = 8.0  # over the settled part
COMMON_LEVEL = 0.7  # share of what most pulls settle at, at which they are compared
LAG_S = 1.0  # as long as a turbo may take to answer
LEAST_CLIMB_S = 1.5  # of a pull that never made that boost


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001
    """Settled boost short of target, kPa, and its fall from its settled peak to the end, %."""
    trace = boost_trace(pull)
    if trace is None:
        return Measured(
            unable=("too_short", "fewer than 6 believed samples of manifold pressure in the pull")
        )
    if not trace.settled:
        return Measured(unable=("too_short", trace.why))
    if ceiling(pull) is not None:
        return Measured(
            unable=(
                "not_believed",
                "manifold pressure stood at its sensor's top, so the true boost is unknown",
            )
        )
    draft = Draft({"boost_under_target_kpa": None, "boost_fade_pct": None})
    _short(pull, trace, draft)
    _fade(pull, trace, draft)
    return draft.measured("manifold_pressure")


def judge(measured: Measured, limits: LimitTable) -> Judged:
    """By the table's rows."""
    return judge_rows(CODES, measured, limits)


def _short(pull: Pull, trace: BoostTrace, draft: Draft) -> None:
    start_s, end_s = float(trace.t[trace.settled_at]), float(trace.t[-1])
    wanted = target_level(pull, start_s, end_s)
    if (
        wanted is None
        or wanted[0] < 10.0
        or stepped_by_hand(pull, logged_target=wanted[1].startswith("the log"))
    ):
        return
    t, y = trace.settled_series()
    late = t >= start_s + 0.4 * (end_s - start_s)
    logged = pull.believed("boost_target", lead_s=1.0, tail_s=1.0)
    asked = (
        logged.at(t[late])
        if len(logged.t) > 1 and wanted[1].startswith("the log")
        else np.full(late.sum(), wanted[0])
    )
    short = (asked - y[late])[np.isfinite(asked)]
    if short.size < 3:
        return
    by = median_sorted(short)
    text = f"settled boost of {wanted[0] - by:.1f} kPa gauge stayed {by:.1f} kPa under {wanted[1]} of {wanted[0]:.1f} kPa"
    draft.put("boost_under_target_kpa", by, at=(start_s, end_s), text=text)


def _fade(pull: Pull, trace: BoostTrace, draft: Draft) -> None:
    t, y = trace.settled_series()
    if t.size < 6 or t[-1] - t[0] < LEAST_FADE_S or trace.level < 10.0:
        return
    a, b, count = block_means(t, y, POINTS)
    fall = isotonic(b, count, increasing=False)
    # What does not follow the fall is a swing: an oscillation that ends in a trough is no fade.
    noise = trace.sigma**2 / float(count.mean())
    swing = float(np.sqrt(max(float(count @ (b - fall) ** 2) / float(count.sum()) - noise, 0.0)))
    peak = float(fall[0])
    drop = peak - float(fall[-1]) - 3.0 * swing - 2.0 * float(np.sqrt(noise))
    start_s, end_s = float(a[0]), float(a[-1])
    target = shift_between(pull.believed("boost_target"), start_s, end_s)
    said = ""
    if target is not None and target.change < -1.0:
        drop += target.change
        said = f"{-target.change:.1f} kPa that the target itself came down are not counted"
    duty = shift_between(pull.believed("wastegate_duty"), start_s, end_s)
    lowered = duty is not None and duty.change < -DUTY_HELD_PCT
    percent = 0.0 if lowered else 100.0 * max(drop, 0.0) / max(peak, LEAST_PEAK_KPA)
    text = (
        f"boost faded from {peak:.1f} kPa to {float(fall[-1]):.1f} kPa gauge between its settled peak and the end "
        f"of the pull, {percent:.0f} %"
    )
    draft.put("boost_fade_pct", percent, at=(start_s, end_s), text=text, said=said)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """Boost that builds later, or settles lower at the same duty, than in the night's other pulls of that gear."""
    findings: list[tuple[Finding, tuple[int, ...]]] = []
    scores: list[float] = []
    compared = False
    by_gear = [
        found
        for rows in _by_gear(pulls).values()
        for found in _weaker(pulls, measures, rows, limits)
    ]
    for judged, indices in (*_late(pulls, limits), *by_gear):
        compared = True
        scores += [judged[0]] if judged[0] is not None else []
        findings += [(judged[1], indices)] if judged[1] is not None else []
    if not compared:
        return Across(unable=("too_short", "no two pulls of the night in one gear can be compared"))
    return Across(min(scores) if scores else None, tuple(findings))


_Found = tuple[tuple[float | None, Finding | None], tuple[int, ...]]


def _by_gear(pulls: Sequence[Pull]) -> dict[int, list[int]]:
    """Indices of the pulls that settled, by known gear, in order."""
    gears: dict[int, list[int]] = {}
    for i, pull in enumerate(pulls):
        trace = boost_trace(pull)
        if (
            pull.gear is not None
            and trace is not None
            and trace.settled
            and trace.level >= LEAST_LEVEL_KPA
        ):
            gears.setdefault(pull.gear, []).append(i)
    return gears


def _late(pulls: Sequence[Pull], limits: LimitTable) -> list[_Found]:
    """The worst pull of the night against its early ones: engine speed at one common boost.

    Compared over gears: an engine that gains speed quicker leaves the turbo less time, so that boost comes later by
    the turbo's lag times the difference; and later by what the pull itself began later. A pull that ended before it
    made that boost is at least as late as its end.
    """
    traces = {
        i: trace
        for i, pull in enumerate(pulls)
        if (trace := boost_trace(pull)) is not None and trace.rate_hz >= LEAST_RATE_HZ
    }
    settled = sorted(
        trace.level for trace in traces.values() if trace.settled and trace.level >= LEAST_LEVEL_KPA
    )
    if not settled:
        return []
    level = COMMON_LEVEL * settled[(3 * (len(settled) - 1)) // 10]
    spools = {
        i: found
        for i, trace in traces.items()
        if (found := _spool(pulls[i], trace, level)) is not None
    }
    early = np.array(
        [
            i
            for i, (_, reached) in spools.items()
            if reached and float(traces[i].calm[0]) < 0.5 * level
        ],
        dtype=int,
    )
    rpms, starts = (
        _column(values)
        for values in ([spools[i][0] for i in early], [pulls[i].span.rpm_start for i in early])
    )
    pace = {i: rpm_rate(pulls[i]) for i in spools}
    rates = _column([pace[i] for i in early])
    worst: tuple[float, int, int] | None = None
    for i, (rpm, _) in spools.items():
        # Columns, not pairs: a night may hold thousands of pulls.
        began, rate = pulls[i].span.rpm_start, pace[i]
        due = (
            rpms
            + LAG_S * np.maximum((np.nan if rate is None else rate) - rates, 0.0)
            + np.maximum(began - starts, 0.0)
        )
        rows = np.flatnonzero((early != i) & (began <= starts + SAME_START_RPM) & np.isfinite(due))
        if not rows.size:
            continue
        j = int(rows[np.argsort(due[rows], kind="stable")[rows.size // 10]])
        later = (rpm - float(due[j])) / 1000.0
        if worst is None or later > worst[0]:
            worst = (later, i, int(early[j]))
    return (
        []
        if worst is None
        else [_late_found(pulls, worst, level=level, spools=spools, limits=limits)]
    )


def _spool(pull: Pull, trace: BoostTrace, level: float) -> tuple[float, bool] | None:
    """Engine speed at which boost came through a level, and True; or at which it had not come to it yet, and False."""
    made = trace.settled and trace.level >= LEAST_LEVEL_KPA
    if made and trace.level < 1.25 * level:
        return None  # it was not meant to come much further: the last part of a rise is slow
    when = trace.crossing_s(level)
    reached = when is not None
    if when is None:
        if made or float(trace.calm[0]) >= level or float(trace.t[-1] - trace.t[0]) < LEAST_CLIMB_S:
            return None
        when = float(trace.t[-1])
    rpm = float(rpm_at(pull, np.array([when]))[0])
    return (rpm, reached) if np.isfinite(rpm) else None


def _late_found(
    pulls: Sequence[Pull],
    worst: tuple[float, int, int],
    *,
    level: float,
    spools: dict[int, tuple[float, bool]],
    limits: LimitTable,
) -> _Found:
    later, i, j = worst
    rpm, reached = spools[i]
    own, other = pulls[i].gear, pulls[j].gear
    gear = "" if own is None else f" in gear {own}"
    another = (
        "another pull of this night"
        if own == other or other is None
        else f"a pull of this night in gear {other}"
    )
    same = "" if own == other and own is not None else ", what the gears account for taken off"
    text = (
        f"boost reached {level:.0f} kPa gauge at {rpm:.0f} rpm{gear}, {1000 * later:.0f} rpm later than in {another}{same}"
        if reached
        else f"boost had not reached {level:.0f} kPa gauge by {rpm:.0f} rpm{gear}, {1000 * later:.0f} rpm past where it came "
        f"in {another}{same}"
    )
    measured = Measured(
        {"boost_late_krpm": later},
        texts={"boost_late_krpm": text},
        channels={"boost_late_krpm": "manifold_pressure"},
    )
    return judge_row(limits.row("boost.late", "boost_late_krpm"), measured), (j, i)


def _weaker(
    pulls: Sequence[Pull], measures: Sequence[Measures], rows: list[int], limits: LimitTable
) -> list[_Found]:
    """The pull furthest below what the same duty (and target) gave earlier in the same gear."""
    worst: tuple[float, int, int] | None = None
    rows = [i for i in rows if (trace := boost_trace(pulls[i])) is not None and _level_held(trace)]
    if len(rows) < 2:
        return []
    duty, boost = (
        _column([measures[i].get(name) for i in rows])
        for name in ("duty_mean_pct", "boost_settled_kpa")
    )
    wanted = _column([_wanted(pulls[i]) for i in rows])
    for n, i in enumerate(rows):
        less = _below(duty[: n + 1], boost[: n + 1], wanted[: n + 1])
        if n and np.isfinite(less).any():
            j = int(np.nanargmax(less))
            if worst is None or less[j] > worst[0]:
                worst = (float(less[j]), i, rows[j])
    if worst is None:
        return []
    below, i, j = worst
    text = (
        f"boost settled {below:.1f} kPa lower than in an earlier pull of this night in gear {pulls[i].gear} "
        "at the same solenoid duty"
    )
    measured = Measured(
        {"boost_below_own_kpa": below},
        texts={"boost_below_own_kpa": text},
        channels={"boost_below_own_kpa": "manifold_pressure"},
    )
    return [(judge_row(limits.row("boost.under_target", "boost_below_own_kpa"), measured), (j, i))]


def _level_held(trace: BoostTrace) -> bool:
    """Whether the settled boost is one level: of a creep or a fade, its median depends on where the pull ended."""
    return abs(trace.rest.slope) * float(trace.t[-1] - trace.t[trace.settled_at]) <= CREEPS_KPA


def _below(duty: Array, boost: Array, wanted: Array) -> Array:
    """How far the last pull settled below each earlier one, kPa; NaN where the two cannot be compared."""
    alike = np.abs(duty[:-1] - duty[-1]) <= SAME_DUTY_PCT
    asked_less = wanted[-1] < wanted[:-1] - SAME_TARGET_KPA  # never where a target is unknown
    return np.where(alike & ~asked_less, boost[:-1] - boost[-1], np.nan)


def _column(values: Sequence[float | int | None]) -> Array:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _wanted(pull: Pull) -> float | None:
    logged = pull.believed("boost_target")
    return level_between(logged, pull.start_s, pull.end_s) if len(logged.t) else None
