"""boost_overshoot: peak above the settled level, above the car's limit, creep, and the sensor's
top.

What is told is the pull's peak less its settled level, so that the three figures add up. What is
judged is the transient alone: the settled line is carried back to the peak, so creep is no
overshoot, nor is what the target itself came down, nor a fade from a target that boost had come to.
Does not see: a peak between samples (its bound is said), nor what a pinned sensor hides.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from audit.checks.boost.boost_ceiling import Ceiling
from audit.checks.boost.boost_context import (
    Target,
    calmed,
    crest,
    highest,
    level_between,
    noise_of,
    over_target,
    rpm_at,
    target_level,
)
from audit.checks.boost.boost_creep import creep
from audit.checks.boost.boost_duty import steered
from audit.checks.boost.boost_trace import SAGGED, SPIKE_INTERVAL_S, BoostTrace
from audit.checks.boost.context import shared
from audit.checks.boost.oscillation import reported_swing
from audit.checks.kit.base import (
    Judged,
    Judgement,
    LimitTable,
    Measured,
    cannot,
    judge_row,
    judge_rows,
)
from audit.declared import declared
from audit.model import SEVERITIES, Array, Finding, Pull
from audit.signal.arrays import median_sorted
from audit.signal.held import stretches
from audit.signal.peak import peak_bound

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

TRANSIENT_S = 1.5  # after its arrival; later peaks are no overshoot of the rise
LEAST_LEVEL_KPA = 5.0  # gauge; the percentage is of no less than this
TARGET_MOVES_KPA = 2.0  # less is a constant
FOLLOWS_KPA = 6.0  # boost this near to its target follows it
FOLLOWS_S = 0.5
HELD_OVER_S = 1.5  # over the target for longer than a transient is held, no overshoot


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Boost peak, settled level, overshoot, rise, slope on engine speed, time at the ceiling."""
    trace, ceiling = shared(pull).trace, shared(pull).ceiling
    if trace is None:
        return cannot("too_short", "fewer than 6 believed samples of manifold pressure in the pull")
    sheet = Measured()
    _ceiling(sheet, ceiling)
    peak, peak_s, confirmed = highest(pull, trace)
    # told to 0.1 kPa, so that the figures add up; less noise, a peak is never under its level
    peak = round(max(peak, trace.level) if trace.settled else peak, 1)
    _against_limit(pull, sheet, confirmed, peak_s, pinned=ceiling is not None)
    sheet.put("boost_rise_s", trace.rise_s)
    sheet.put("spool_rpm", _spool_rpm(pull, trace))
    duty = level_between(pull.believed("wastegate_duty"), peak_s - 0.15, peak_s + 0.05)
    sheet.put("duty_at_peak_pct", duty)
    wanted = target_level(pull, *trace.settled_span)
    sheet.put("boost_target_kpa", wanted.kpa if wanted else None)
    _over_target(pull, trace, sheet)
    if ceiling is None:
        sheet.put("boost_peak_kpa", peak)
        bound = _bound(trace, peak)
        sheet.said |= {"boost_overshoot_kpa": bound, "boost_over_limit_pct": bound}
        _transient(pull, trace, sheet, limits)
    return sheet.of("manifold_pressure")


def judge(measured: Measured, limits: LimitTable) -> Judged:
    """The worst of the overshoot and the other codes, which are judged row by row."""
    others = judge_rows(CODES[1:], measured, limits)
    score, finding = _judge_overshoot(measured, limits)
    unseen = measured.values.get("boost_overshoot_kpa") is None
    if unseen and others.score is not None and not others.findings:
        return Judged(None)
    scores = [s for s in (score, others.score) if s is not None]
    return Judged(min(scores, default=None), ((finding,) if finding else ()) + others.findings)


def _judge_overshoot(measured: Measured, limits: LimitTable) -> Judgement:
    """The transient alone must pass both of its limits, or the one for kPa alone.

    Example: 9 kPa over 200 kPa pass the watch limit in kPa but, being 4.5 %, not the one in %: no
    finding. 20 kPa hold by themselves."""
    names = ("boost_overshoot_kpa", "boost_overshoot_pct")
    told = {name: measured.values.get(name) for name in names}
    transient = {n: measured.values.get(n.replace("overshoot", "overshoot_alone")) for n in names}
    judging = replace(measured, values=measured.values | transient)
    every = {row.measure: judge_row(row, judging) for row in limits.rows(CODES[0])}
    alone_score, alone = every.pop("boost_overshoot_alone_kpa", (None, None))
    scores = [score for score, _ in every.values() if score is not None]
    findings = [finding for _, finding in every.values() if finding is not None]
    both = min(findings, key=_rank) if findings and len(findings) == len(every) else None
    worst = max((f for f in (both, alone) if f is not None), key=_rank, default=None)
    if worst is not None:
        worst = replace(worst, value=told[names[1] if worst.unit == "%" else names[0]])
    scores = [s for s in (max(scores, default=None), alone_score) if s is not None]
    return min(scores, default=None), worst


def _rank(finding: Finding) -> int:
    return SEVERITIES.index(finding.severity)


def _against_limit(
    pull: Pull, sheet: Measured, confirmed: float, peak_s: float, *, pinned: bool
) -> None:
    """Peak over the car's limit; without any limit known, how much boost this engine saw. And how
    far figures of gauge pressure may be off either way for the ambient pressure."""
    limit, room = pull.car.boost_limit_kpa, pull.log.boost_room_kpa
    reached, at = f"boost reached {confirmed:.1f} kPa gauge", (peak_s, peak_s)
    sheet.room = {"boost_no_limit_kpa": room, "boost_over_target_kpa": room}
    if not limit:
        nobody = (
            "nobody said what this engine may see (boost.limit_kpa in the car file, or --limit)"
        )
        sheet.put("boost_no_limit_kpa", confirmed, f"{reached} and {nobody}", at=at)
        return
    sheet.room["boost_over_limit_pct"] = 100.0 * room / limit
    over = 100.0 * (confirmed - limit) / limit
    if pinned and over < 0:
        return  # pinned below the limit: nobody knows
    by = f"{abs(over):.1f} % {'over' if over >= 0 else 'below'}"
    text = f"{reached}, {by} the car's limit of {limit:.1f} kPa"
    sheet.put("boost_over_limit_pct", over, text, at=at)


def _over_target(pull: Pull, trace: BoostTrace, sheet: Measured) -> None:
    """The most that boost held over its target for HELD_OVER_S."""
    t, calm = trace.t[trace.arrival :], trace.calm[trace.arrival :]
    wanted = target_level(pull, float(t[0]), float(t[-1])) if t.size else None
    if wanted is None or wanted.kpa < 10.0:
        return
    seen = over_target(pull, t, calm, wanted)
    held = None if seen is None else stretches(seen[0], HELD_OVER_S, least=3).above(seen[1])
    if seen is None or held is None:
        return
    t, over, asked = seen
    by = held.level + trace.grain  # the lowest of many samples lies under the level
    late = t >= trace.settled_span[0]
    if trace.settled and late.sum() >= 3:
        by = max(by, median_sorted(over[late]))
    usual = median_sorted(asked[(t >= held.start_s) & (t <= held.end_s)])
    whose = f"{wanted.whose} of {usual:.1f} kPa gauge"
    text = f"boost stood {by:.1f} kPa over {whose} for {held.seconds:.1f} s"
    sheet.put("boost_over_target_kpa", by, text, at=held)


def _transient(pull: Pull, trace: BoostTrace, sheet: Measured, limits: LimitTable) -> None:
    """Overshoot and creep, or why they could not be seen."""
    if trace.settled:
        sheet.put("boost_settled_kpa", round(trace.level, 1))
        _overshoot(pull, trace, sheet, limits)
        creep(pull, trace, sheet)
    elif not _against_target(pull, trace, sheet):
        cause, why = trace.unable
        sheet.unable = (cause, f"{why}; overshoot could not be seen")


def _bound(trace: BoostTrace, peak: float) -> str:
    bound = peak_bound(trace.t, trace.calm if trace.sigma > 0 else trace.y)
    rate = f"Read {trace.rate_hz:.3g} times a second"
    if bound is None or bound < peak + 0.5:
        return rate
    return f"{rate}, the true peak may have been up to {bound:.1f} kPa"


def _ceiling(sheet: Measured, found: Ceiling | None) -> None:
    if found is None:
        sheet.put("boost_ceiling_s", 0.0)
        return
    text = (
        f"manifold pressure stood at {found.level_kpa:.1f} kPa absolute for {found.seconds:.2f} s, "
        f"which looks like the top of the sensor ({found.why}); the true boost peak is unknown"
    )
    sheet.put("boost_ceiling_s", found.seconds, text, at=(found.start_s, found.end_s))


def _spool_rpm(pull: Pull, trace: BoostTrace) -> float | None:
    """Engine speed at which boost first stood at 90 % of its settled level."""
    settled = trace.settled and trace.level >= 20.0
    when = trace.crossing_s(0.9 * trace.level) if settled else None
    rpm = np.nan if when is None else float(rpm_at(pull, np.array([when]))[0])
    return rpm if np.isfinite(rpm) else None


class Told(NamedTuple):
    """Peak, and the level that it stands above, kPa gauge to one digit; what that is called."""

    peak: float
    level: float
    what: str


def _peak_over(pull: Pull, trace: BoostTrace, line: Array) -> tuple[int, float, float]:
    """Row and height of the transient over a line, less noise; what two samples bear out."""
    begin = max(trace.arrival - 2, 0)
    until = int(np.searchsorted(trace.t, trace.t[trace.arrival] + TRANSIENT_S, side="right"))
    rows = slice(begin, max(until, begin + 3))
    above = (trace.y - line)[rows]
    i = int(np.argmax(above))
    over = crest(above, (calmed(trace) - line)[rows], noise_of(pull, trace), trace.interval)
    beside = float(max([*above[max(i - 1, 0) : i], *above[i + 1 : i + 2]], default=-np.inf))
    confirmed = over if beside >= 0.35 * over else beside
    return begin + i, max(over, 0.0), max(confirmed, 0.0)


def _overshoot(pull: Pull, trace: BoostTrace, sheet: Measured, limits: LimitTable) -> None:
    """The transient over the line that boost was to be on: its target where it follows one, else
    its settled line carried back."""
    followed = _followed(pull, trace)
    aim = None if followed is not None else _faded_from(pull, trace)
    line = _line(trace, aim) if followed is None else followed
    row, seen, over = _peak_over(pull, trace, line)
    stands_out = seen > max(7.0, 6 * trace.grain, 0.06 * trace.level)
    if over < seen and trace.interval > SPIKE_INTERVAL_S and stands_out:
        why = (
            f"a single sample stood {seen:.1f} kPa above the settled boost; at {trace.rate_hz:.3g} "
            "samples a second nobody can tell an overshoot from a stray reading"
        )
        sheet.unable = ("too_slow", why)
        return
    swing = reported_swing(pull, limits)
    if swing is not None and 0.5 * swing > 0.4 * over:  # told by its own check
        over = max(over - 0.5 * swing, 0.0)
    if trace.rest.slope > 0 and over > 0:
        # boost that only slows its climb stands over its last line too, but never came down
        after = trace.calm[row:]
        fell = float(np.max(np.maximum.accumulate(after) - after))
        over *= min(max((fell / over - 0.1) / 0.2, 0.0), 1.0)
    asked = 0.0 if followed is not None else _asked_for(pull, trace, row)
    if asked > 0:
        over = max(over - asked, 0.0)
        said = f"{asked:.1f} kPa that the target itself came down are not counted"
        sheet.put("boost_overshoot_kpa", None, said=said)
    share = 100.0 * over / max(float(line[row]), LEAST_LEVEL_KPA)
    peak, level = (sheet.values[name] or 0.0 for name in ("boost_peak_kpa", "boost_settled_kpa"))
    told = Told(peak, level, "its settled level")
    if aim is not None:
        told = Told(peak, min(round(aim.kpa, 1), peak), aim.whose)
    _put_overshoot(trace, sheet, row, judged=(over, share), told=told)


def _line(trace: BoostTrace, aim: Target | None) -> Array:
    """The settled line carried back, kPa; no lower than the level that a climb which began later
    leaves behind it, nor than what boost fades from."""
    line = trace.on_line()
    if trace.rest.slope > 0:
        line = np.maximum(line, line[trace.settled_at])
    return line if aim is None else np.maximum(line, aim.kpa)


def _faded_from(pull: Pull, trace: BoostTrace) -> Target | None:
    """The target, where something steers for it and boost ended far short of it: what it came down
    from there is a fade and no overshoot. None elsewhere."""
    wanted = target_level(pull, float(trace.t[trace.arrival]), float(trace.t[-1]))
    if wanted is None or trace.level > (1.0 - SAGGED) * wanted.kpa:
        return None
    return wanted if steered(pull, shared(pull).duty, logged_target=wanted.logged) else None


def _followed(pull: Pull, trace: BoostTrace) -> Array | None:
    """The logged target that boost keeps to once settled, with their usual distance, kPa, or None.

    It says better than a line carried back what boost was to be at its peak: a target need not be a
    straight line. Boost may take FOLLOWS_S to come down after it."""
    target = pull.believed("boost_target", lead_s=FOLLOWS_S, tail_s=0.3)
    if len(target.t) < 4 or float(np.ptp(target.value)) < TARGET_MOVES_KPA:
        return None
    now = target.at(trace.t)
    asked = np.maximum(now, target.at(trace.t - FOLLOWS_S))
    asked = np.where(np.isfinite(asked), asked, now)
    off = (trace.y - asked)[trace.settled_at :]
    if not np.isfinite(asked[max(trace.arrival - 2, 0) :]).all() or off.size < 4:
        return None
    usual = median_sorted(off)
    if abs(usual) > FOLLOWS_KPA or median_sorted(np.abs(off - usual)) > 0.5 * FOLLOWS_KPA:
        return None
    return np.where(np.isfinite(asked), asked, 0.0) + usual


def _put_overshoot(
    trace: BoostTrace, sheet: Measured, row: int, *, judged: tuple[float, float], told: Told
) -> None:
    """judged: the transient alone, kPa and %; told: the peak, and the level that it stands over."""
    over = round(told.peak - told.level, 1)
    percent = 100.0 * over / max(told.level, LEAST_LEVEL_KPA)
    text = (
        f"boost overshot {told.what} of {told.level:.1f} kPa gauge by {over:.1f} kPa "
        f"({percent:.0f} %), to {told.peak:.1f} kPa"
    )
    at = (float(trace.t[max(row - 1, 0)]), float(trace.t[min(row + 1, trace.t.size - 1)]))
    for kind, (kpa, pct) in (("", (over, percent)), ("_alone", judged)):
        sheet.put(f"boost_overshoot{kind}_kpa", kpa, text, at=at)
        sheet.put(f"boost_overshoot{kind}_pct", pct, text, at=at)


def _asked_for(pull: Pull, trace: BoostTrace, row: int) -> float:
    """How far the logged target brought boost down after the peak, kPa."""
    peak_s = float(trace.t[row])
    target = pull.believed("boost_target")
    before = target.within(peak_s - 1.5, peak_s + 0.05).value
    after = level_between(target, *trace.settled_span)
    return max(float(before.max()) - after, 0.0) if before.size and after is not None else 0.0


def _against_target(pull: Pull, trace: BoostTrace, sheet: Measured) -> bool:
    """For a pull too short to settle: the peak over the target, when boost came down again."""
    row = int(np.argmax(trace.y))
    wanted = target_level(pull, float(trace.t[row]), float(trace.t[-1]))
    if wanted is None or wanted.kpa < LEAST_LEVEL_KPA or trace.y.size - row < 4:
        return False
    over = float(np.sort(trace.y[max(row - 1, 0) : row + 3])[-2]) - wanted.kpa
    if over < 2.0 or float(trace.calm[-1]) > float(trace.calm[row]) - 0.3 * over:
        return False
    share = 100.0 * over / max(wanted.kpa, LEAST_LEVEL_KPA)
    level = round(wanted.kpa, 1)
    told = Told(round(level + over, 1), level, wanted.whose)
    _put_overshoot(trace, sheet, row, judged=(over, share), told=told)
    return True
