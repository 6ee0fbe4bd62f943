"""boost_delivery: does boost reach its target, keep it to the end, and come as in this car's other
pulls?

Looks at the settled part only: low engine speed that cannot make the target is no fault. Pulls at a
duty set by hand have no target to miss. Boost that collapses is told apart from boost that fades.
Does not see: why; a car that is late or weak in every pull of the night and has no target (that is
for the archive).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.checks.boost.boost_context import over_target, rpm_at, target_level
from audit.checks.boost.boost_duty import steered
from audit.checks.boost.boost_fade import DUTY_HELD_PCT, is_smooth
from audit.checks.boost.boost_trace import COLLAPSED, BoostTrace, Fall, collapse
from audit.checks.boost.boost_uneven import uneven, usual_level
from audit.checks.boost.context import boost_trace, settled_trace, shared
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
from audit.signal.arrays import median_sorted

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes
OF_A_PULL = ("boost.under_target", "boost.lost")  # fade is judged beside the night's other pulls

SAME_START_RPM = 500.0
# Common practice, no published source:
ALIKE_PCT = 6.0  # fades this near to the pulls' middle are alike: a taper of the turbo's own
LEAST_LEVEL_KPA = 20.0  # gauge; settled boost that says what this car makes
COMMON_LEVEL = 0.7  # share of what most pulls settle at, at which they are compared
SPOOLED_RPM = 5000.0  # a pull to here has given any turbo the gas to come
LAG_S = 1.0  # as long as a turbo may take to answer
LEAST_CLIMB_S = 1.5  # of a pull that never made that boost


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Settled boost short of target, kPa; its fall to the end, and what it lost at once, %."""
    trace = boost_trace(pull)
    if trace is None:
        return cannot("too_short", "fewer than 6 believed samples of manifold pressure in the pull")
    if shared(pull).ceiling is not None:
        why = "manifold pressure stood at its sensor's top, so the true boost is unknown"
        return cannot("not_believed", why)
    none = dict.fromkeys(("boost_under_target_kpa", "boost_fade_pct"))
    sheet = Measured({**none, "boost_lost_pct": 0.0})
    if trace.fall is not None and trace.fall.sudden:
        _put_lost(trace.fall, sheet)
    if (fade := shared(pull).fade) is not None:
        fade.put(sheet)
    if trace.settled:
        _short(pull, trace, sheet)
        _short_of_spring(pull, trace, limits, sheet)
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
        f"open, {100 * fall.share:.0f} % of it within {fall.end_s - fall.start_s:.1f} s"
    )
    sheet.put("boost_lost_pct", 100 * fall.share, text, at=(fall.start_s, fall.end_s))


def _short(pull: Pull, trace: BoostTrace, sheet: Measured, *, by_controller: bool = False) -> None:
    """Settled boost under a target that something steers for: by this pull, or others' word."""
    start_s, end_s = trace.settled_span
    wanted = target_level(pull, start_s, end_s)
    if wanted is None or wanted.kpa < 10.0:
        return
    if not (by_controller or steered(pull, shared(pull).duty, logged_target=wanted.logged)):
        return
    t, y = trace.settled_series()
    late = t >= start_s + 0.4 * (end_s - start_s)
    seen = over_target(pull, t[late], y[late], wanted)
    if seen is None:
        return
    by = -median_sorted(seen[1])
    text = (
        f"settled boost of {wanted.kpa - by:.1f} kPa gauge stayed {by:.1f} kPa under "
        f"{wanted.whose} of {wanted.kpa:.1f} kPa"
    )
    sheet.put("boost_under_target_kpa", by, text, at=(start_s, end_s))


def _short_of_spring(pull: Pull, trace: BoostTrace, limits: LimitTable, sheet: Measured) -> None:
    """Boost that did not even come to what the wastegate's spring holds shut for, at any duty."""
    spring = pull.car.spring_kpa
    least = limits.setting("spring_share") * (spring or limits.setting("weakest_spring_kpa"))
    by = least - trace.level
    known = sheet.values.get("boost_under_target_kpa")
    if pull.span.rpm_end < SPOOLED_RPM or by <= max(known or 0.0, 0.0):
        return
    whose = "the car's spring" if spring else "any spring"
    text = (
        f"boost settled at {trace.level:.1f} kPa gauge by {pull.span.rpm_end:.0f} rpm, {by:.1f} "
        f"kPa under the {least:.1f} kPa that {whose} gives at the least"
    )
    sheet.put("boost_under_target_kpa", by, text, at=trace.settled_span)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """Boost that fades, comes later, or settles elsewhere than in the night's other pulls."""
    found = [
        *_lost_beside(pulls, limits),
        *_faded(pulls, measures, limits),
        *_late(pulls, limits),
        *_clamped(pulls, measures, limits),
        *uneven(pulls, limits),
    ]
    return gathered(found, "no two pulls of the night can be compared")


def _lost_beside(pulls: Sequence[Pull], limits: LimitTable) -> list[Together]:
    """Boost that fell for good from where others like it stay: alone it looks an overshoot."""
    found: list[Together] = []
    for i, pull in enumerate(pulls):
        trace = settled_trace(pull)
        if trace is None or trace.fall is not None:
            continue
        if float(trace.calm.max()) * (1.0 - COLLAPSED) < trace.level:
            continue
        usual = usual_level(pulls, i)
        fall = None if usual is None else collapse(trace.t, trace.y, usual)
        if fall is not None:
            sheet = Measured()
            _put_lost(fall, sheet)
            found.append(_judged("boost.lost", "boost_lost_pct", sheet, limits, i))
    return found


def _judged(code: str, measure: str, sheet: Measured, limits: LimitTable, i: int) -> Together:
    return judge_row(limits.row(code, measure), sheet.of("manifold_pressure")), (i,)


def _faded(
    pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable
) -> list[Together]:
    """Each pull's fade; the turbo's own taper, which all pulls share, is a watch at most."""
    hold = limits.row("boost.fade", "boost_fade_pct").hold
    own = _tapers_alike(pulls, measures)
    found: list[Together] = []
    for i, pull in enumerate(pulls):
        percent, fade = measures[i].get("boost_fade_pct"), shared(pull).fade
        if percent is None or fade is None:
            continue
        sheet = Measured()
        fade.put(sheet)
        if i in own and hold is not None and percent < limits.setting("own_taper_pct"):
            said = "All pulls of the night taper alike: the turbo's own way"
            sheet.values["boost_fade_pct"] = min(percent, 0.999 * hold)
            sheet.said = {"boost_fade_pct": said}
        found.append(_judged("boost.fade", "boost_fade_pct", sheet, limits, i))
    return found


def _tapers_alike(pulls: Sequence[Pull], measures: Sequence[Measures]) -> set[int]:
    """The pulls whose fade is the turbo's own: two or more, alike, smooth in engine speed."""
    fades = {
        i: fade for i, m in enumerate(measures) if (fade := m.get("boost_fade_pct") or 0.0) > 0
    }
    settled = {i: trace for i, p in enumerate(pulls) if (trace := settled_trace(p)) is not None}
    if len(fades) < 2 or len(fades) < len(settled):
        return set()
    middle = median_sorted(np.array(list(fades.values())))
    alike = [i for i, fade in fades.items() if abs(fade - middle) <= ALIKE_PCT and i in settled]
    return {i for i in alike if is_smooth(pulls[i], settled[i])}


def _clamped(
    pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable
) -> list[Together]:
    """Pulls short of target at a duty that stood, though in other pulls a controller moved it and
    held it lower.

    Alone such a pull looks like a duty set by hand; beside them it is a controller that can do no
    more."""
    duties = [shared(pull).duty for pull in pulls]
    moved = max((d.level for d in duties if d is not None and not d.fixed), default=np.inf)
    found: list[Together] = []
    for i, (pull, duty) in enumerate(zip(pulls, duties, strict=True)):
        trace = settled_trace(pull)
        if trace is None or duty is None or not duty.fixed or duty.level <= moved + DUTY_HELD_PCT:
            continue
        if measures[i].get("boost_under_target_kpa") is None:
            sheet = Measured()
            _short(pull, trace, sheet, by_controller=True)
            found.append(_judged("boost.under_target", "boost_under_target_kpa", sheet, limits, i))
    return found


class _Spool(NamedTuple):
    """Engine speed at which boost came through a level, or at which it had not come to it yet."""

    rpm: float
    reached: bool
    early: bool  # it came through it from far below, so that others may be held against it
    began: float  # engine speed at which the pull began, rpm
    rate: float  # how fast it climbs, rpm/s; NaN where not known


def _late(pulls: Sequence[Pull], limits: LimitTable) -> list[Together]:
    """The worst pull of the night against its early ones: engine speed at one common boost.

    Compared over gears: an engine that gains speed quicker leaves the turbo less time, so that
    boost comes later by the turbo's lag times the difference; and later by what the pull itself
    began later. A pull that ended before it made that boost is at least as late as its end."""
    every = ((i, boost_trace(pull)) for i, pull in enumerate(pulls))
    traces = {i: t for i, t in every if t is not None and t.rate_hz >= DECLARED.least_rate_hz}
    made = [t.level for t in traces.values() if t.settled and t.level >= LEAST_LEVEL_KPA]
    if not made:
        return []
    level = COMMON_LEVEL * sorted(made)[(3 * (len(made) - 1)) // 10]
    spools = {
        i: found for i, t in traces.items() if (found := _spool(pulls[i], t, level)) is not None
    }
    early = [i for i, spool in spools.items() if spool.early]
    others = _columns([spools[i] for i in early])
    worst: tuple[float, int, int] | None = None
    for i, spool in spools.items():  # columns, not pairs: a night may hold thousands of pulls
        gains, starts = np.maximum(spool.rate - others.rate, 0.0), spool.began - others.began
        due = others.rpm + LAG_S * gains + np.maximum(starts, 0.0)
        near = (starts <= SAME_START_RPM) & np.isfinite(due) & (np.array(early, dtype=int) != i)
        rows = np.flatnonzero(near)
        if not rows.size:
            continue
        j = int(rows[np.argsort(due[rows], kind="stable")[rows.size // 10]])
        later = (spool.rpm - float(due[j])) / 1000.0
        if worst is None or later > worst[0]:
            worst = (later, i, early[j])
    if worst is None:
        return []
    later, i, j = worst
    text = _late_text(pulls[i], pulls[j], spools[i], 1000 * later, level)
    row = limits.row("boost.late", "boost_late_krpm")
    return [(judge_figure(row, later, text, "manifold_pressure"), (j, i))]


class _Columns(NamedTuple):
    rpm: Array
    began: Array
    rate: Array


def _columns(spools: Sequence[_Spool]) -> _Columns:
    return _Columns(*np.array([(s.rpm, s.began, s.rate) for s in spools]).reshape(-1, 3).T)


def _spool(pull: Pull, trace: BoostTrace, level: float) -> _Spool | None:
    """When boost came through a level; None where the pull cannot say."""
    made = trace.settled and trace.level >= LEAST_LEVEL_KPA
    if made and trace.level < 1.25 * level:
        return None  # it was not meant to come much further: the last part of a rise is slow
    when = trace.crossing_s(level)
    begin, length = float(trace.calm[0]), float(trace.t[-1] - trace.t[0])
    if when is None and (made or begin >= level or length < LEAST_CLIMB_S):
        return None
    at = float(trace.t[-1]) if when is None else when
    rpm = float(rpm_at(pull, np.array([at]))[0])
    if not np.isfinite(rpm):
        return None
    rate, reached = rpm_rate(pull), when is not None
    early = reached and begin < 0.5 * level
    return _Spool(rpm, reached, early, pull.span.rpm_start, np.nan if rate is None else rate)


def _late_text(pull: Pull, beside: Pull, spool: _Spool, later: float, level: float) -> str:
    own, other = pull.gear, beside.gear
    gear = "" if own is None else f" in gear {own}"
    another = f"a pull of this night in gear {other}"
    if own == other or other is None:
        another = "another pull of this night"
    if own != other or own is None:
        another += ", what the gears account for taken off"
    where, by = f"{level:.0f} kPa gauge", f"{spool.rpm:.0f} rpm{gear}, {later:.0f} rpm"
    if spool.reached:
        return f"boost reached {where} at {by} later than in {another}"
    return f"boost had not reached {where} by {by} past where it came in {another}"
