"""boost_delivery: does boost reach its target, keep it to the end, and come as in this car's other
pulls?

Looks at the settled part only: low engine speed that cannot make the target is no fault. Pulls at a
duty set by hand have no target to miss. Boost that collapses is told apart from boost that fades.
Does not see: why; a car that is late or weak in every pull of the night and has no target (that is
for the archive).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.checks.boost.boost_context import rpm_at, shift_between, target_at, target_level
from audit.checks.boost.boost_duty import steered
from audit.checks.boost.boost_trace import COLLAPSED, BoostTrace, Fall, collapse
from audit.checks.boost.boost_uneven import tapers_alike, uneven, usual_level
from audit.checks.boost.context import boost_trace, ceiling, duty_of
from audit.checks.engine.pace import rpm_rate
from audit.checks.kit.base import (
    Across,
    Judged,
    LimitTable,
    Measured,
    Together,
    cannot,
    gathered,
    judge_figure,
    judge_row,
    judge_rows,
)
from audit.declared import declared
from audit.model import Array, Measures, Pull
from audit.signal.arrays import block_means, median_sorted
from audit.signal.monotone import isotonic

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes
OF_A_PULL = ("boost.under_target", "boost.lost")  # fade is judged beside the night's other pulls

POINTS = 24
LEAST_FADE_S = 0.8  # of settled boost, to speak of fading
LEAST_PEAK_KPA = 35.0  # gauge; the percentage is of no less than this
DUTY_HELD_PCT = 3.0
SAME_START_RPM = 500.0
# Common practice, no published source:
LEAST_LEVEL_KPA = 20.0  # gauge: settled boost that says what this car makes
COMMON_LEVEL = 0.7  # share of what most pulls settle at, at which they are compared
SPOOLED_RPM = 5000.0  # a pull to here has given any turbo the gas to come
LAG_S = 1.0  # as long as a turbo may take to answer
LEAST_CLIMB_S = 1.5  # of a pull that never made that boost


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Settled boost short of target, kPa, its fall from its settled peak to the end, %, and what it
    lost at once, %.
    """
    trace = boost_trace(pull)
    if trace is None:
        return cannot("too_short", "fewer than 6 believed samples of manifold pressure in the pull")
    if ceiling(pull) is not None:
        return cannot(
            "not_believed",
            "manifold pressure stood at its sensor's top, so the true boost is unknown",
        )
    sheet = Measured(
        {"boost_under_target_kpa": None, "boost_fade_pct": None, "boost_lost_pct": 0.0}
    )
    if trace.fall is not None and trace.fall.sudden:
        _put_lost(trace.fall, sheet)
    if trace.settled:
        _short(pull, trace, sheet)
        _short_of_spring(pull, trace, limits, sheet)
        _fade(pull, trace, sheet)
    elif trace.fall is not None and not trace.fall.sudden:
        _sagged(trace.fall, sheet)
    elif trace.fall is None:
        sheet.unable = trace.unable
        sheet.values["boost_lost_pct"] = None
    return sheet.of("manifold_pressure")


def judge(measured: Measured, limits: LimitTable) -> Judged:
    """By the table's rows."""
    return judge_rows(OF_A_PULL, measured, limits)


def _put_lost(fall: Fall, sheet: Measured) -> None:
    text = (
        f"boost collapsed from {fall.level:.0f} kPa to {fall.low:.0f} kPa gauge with the throttle "
        "open, "
        f"{100 * fall.share:.0f} % of it within {fall.end_s - fall.start_s:.1f} s"
    )
    sheet.put("boost_lost_pct", 100 * fall.share, at=(fall.start_s, fall.end_s), text=text)


def _sagged(fall: Fall, sheet: Measured) -> None:
    percent = 100 * (fall.level - fall.low) / max(fall.level, LEAST_PEAK_KPA)
    _put_fade(sheet, percent, fall.level, fall.low, (fall.start_s, fall.end_s))


def _put_fade(  # noqa: PLR0917 - one figure
    sheet: Measured,
    percent: float,
    peak: float,
    end: float,
    at: tuple[float, float],
    said: str = "",
) -> None:
    text = (
        f"boost faded from {peak:.1f} kPa to {end:.1f} kPa gauge between its settled peak and the "
        "end "
        f"of the pull, {percent:.0f} %"
    )
    sheet.put("boost_fade_pct", percent, at=at, text=text, said=said)


def _short(pull: Pull, trace: BoostTrace, sheet: Measured, *, by_controller: bool = False) -> None:
    """Settled boost under its target, where something steers it. by_controller: other pulls say
    that it does.
    """
    start_s, end_s = float(trace.t[trace.settled_at]), float(trace.t[-1])
    wanted = target_level(pull, start_s, end_s)
    if wanted is None or wanted[0] < 10.0:
        return
    if not (
        by_controller or steered(pull, duty_of(pull), logged_target=wanted[1].startswith("the log"))
    ):
        return
    t, y = trace.settled_series()
    late = t >= start_s + 0.4 * (end_s - start_s)
    asked = target_at(pull, t[late], wanted)
    short = (asked - y[late])[np.isfinite(asked)]
    if short.size < 3:
        return
    by = median_sorted(short)
    text = (
        f"settled boost of {wanted[0] - by:.1f} kPa gauge stayed {by:.1f} kPa under {wanted[1]} "
        f"of {wanted[0]:.1f} kPa"
    )
    sheet.put("boost_under_target_kpa", by, at=(start_s, end_s), text=text)


def _short_of_spring(pull: Pull, trace: BoostTrace, limits: LimitTable, sheet: Measured) -> None:
    """Boost that did not even come to what the wastegate's spring holds shut for, whatever the
    duty.
    """
    spring = pull.car.spring_kpa
    least = limits.setting("spring_share") * (spring or limits.setting("weakest_spring_kpa"))
    by = least - trace.level
    known = sheet.values.get("boost_under_target_kpa")
    if pull.span.rpm_end < SPOOLED_RPM or by <= max(known or 0.0, 0.0):
        return
    whose = "the car's spring" if spring else "any spring"
    text = (
        f"boost settled at {trace.level:.1f} kPa gauge by {pull.span.rpm_end:.0f} rpm, {by:.1f} "
        "kPa under the "
        f"{least:.1f} kPa that {whose} gives at the least"
    )
    at = (float(trace.t[trace.settled_at]), float(trace.t[-1]))
    sheet.put("boost_under_target_kpa", by, at=at, text=text)


def _fade(pull: Pull, trace: BoostTrace, sheet: Measured) -> None:
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
    _put_fade(sheet, percent, peak, float(fall[-1]), (start_s, end_s), said)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """Boost that fades, builds later, or settles elsewhere than in the night's other pulls like
    it.
    """
    found = [
        *_lost_beside(pulls, limits),
        *_faded(pulls, measures, limits),
        *_late(pulls, limits),
        *_clamped(pulls, measures, limits),
        *uneven(pulls, limits),
    ]
    return gathered(found, "no two pulls of the night can be compared")


def _lost_beside(pulls: Sequence[Pull], limits: LimitTable) -> list[Together]:
    """Pulls in which boost fell for good from where the others like them stay: alone each looks
    like an overshoot.
    """
    found: list[Together] = []
    for i, pull in enumerate(pulls):
        trace = boost_trace(pull)
        if trace is None or not trace.settled or trace.fall is not None:
            continue
        if float(trace.calm.max()) * (1.0 - COLLAPSED) < trace.level:
            continue
        usual = usual_level(pulls, i)
        fall = None if usual is None else collapse(trace.t, trace.y, usual)
        if fall is None:
            continue
        sheet = Measured()
        _put_lost(fall, sheet)
        measured = sheet.of("manifold_pressure")
        found.append((judge_row(limits.row("boost.lost", "boost_lost_pct"), measured), (i,)))
    return found


def _faded(
    pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable
) -> list[Together]:
    """Each pull's fade; one that all pulls share, smooth in engine speed, is the turbo's own taper:
    a watch at most.
    """
    row = limits.row("boost.fade", "boost_fade_pct")
    own = tapers_alike(pulls, measures)
    found: list[Together] = []
    for i, pull in enumerate(pulls):
        percent, trace = measures[i].get("boost_fade_pct"), boost_trace(pull)
        if percent is None or trace is None:
            continue
        sheet = Measured()
        if trace.settled:
            _fade(pull, trace, sheet)
        elif trace.fall is not None:
            _sagged(trace.fall, sheet)
        measured = sheet.of("manifold_pressure")
        if i in own and row.hold is not None and percent < limits.setting("own_taper_pct"):
            said = {"boost_fade_pct": "All pulls of the night taper alike: the turbo's own way"}
            measured.values["boost_fade_pct"] = min(percent, 0.999 * row.hold)
            measured.said = said
        found.append((judge_row(row, measured), (i,)))
    return found


def _clamped(
    pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable
) -> list[Together]:
    """Pulls short of target at a duty that stood, though in other pulls a controller moved it and
    held it lower.

    Alone such a pull looks like a duty set by hand; beside them it is a controller that can do no
    more.
    """
    duties = [duty_of(pull) for pull in pulls]
    moved = [d.level for d in duties if d is not None and not d.fixed]
    found: list[Together] = []
    for i, (pull, duty) in enumerate(zip(pulls, duties, strict=True)):
        trace = boost_trace(pull)
        if duty is None or trace is None or not (trace.settled and moved) or not duty.fixed:
            continue
        if (
            measures[i].get("boost_under_target_kpa") is None
            and duty.level > max(moved) + DUTY_HELD_PCT
        ):
            sheet = Measured()
            _short(pull, trace, sheet, by_controller=True)
            row = limits.row("boost.under_target", "boost_under_target_kpa")
            found.append((judge_row(row, sheet.of("manifold_pressure")), (i,)))
    return found


def _late(pulls: Sequence[Pull], limits: LimitTable) -> list[Together]:
    """The worst pull of the night against its early ones: engine speed at one common boost.

    Compared over gears: an engine that gains speed quicker leaves the turbo less time, so that
    boost comes later by the turbo's lag times the difference; and later by what the pull itself
    began later. A pull that ended before it made that boost is at least as late as its end.
    """
    traces = {
        i: trace
        for i, pull in enumerate(pulls)
        if (trace := boost_trace(pull)) is not None and trace.rate_hz >= DECLARED.least_rate_hz
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
    """Engine speed at which boost came through a level, and True; or at which it had not come to it
    yet, and False.
    """
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
) -> Together:
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
        f"boost reached {level:.0f} kPa gauge at {rpm:.0f} rpm{gear}, {1000 * later:.0f} rpm later "
        f"than in {another}{same}"
        if reached
        else f"boost had not reached {level:.0f} kPa gauge by {rpm:.0f} rpm{gear}, "
        f"{1000 * later:.0f} rpm past where it came "
        f"in {another}{same}"
    )
    row = limits.row("boost.late", "boost_late_krpm")
    return judge_figure(row, later, text, "manifold_pressure"), (j, i)


def _column(values: Sequence[float | int | None]) -> Array:
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)
