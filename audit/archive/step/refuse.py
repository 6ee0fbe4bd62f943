"""When no step up can be backed: why, and what to log next, in the words of the table."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from audit.archive.step.evidence import (
    LINES,
    Evidence,
    arrays,
    middle_of,
    of_last_night,
    was_tested,
)
from audit.archive.step.gear import BASE_RUN_PCT, Gear, made
from audit.archive.step.step import Step, figures, first_duty, said, second_duty, worded
from audit.signal.arrays import median

if TYPE_CHECKING:
    import polars as pl

# why pulls do not count -> what to do about it, the first that there is
MENDS = {
    "without a believed solenoid duty": "no_duty",
    "of another setting": "other_setting",
    "with duty moving in the pull": "moving",
}


def not_clear(
    nights: pl.DataFrame, setting: str, *, last_clear: float | None = None
) -> Step | None:
    """The refusal after a night that is not clear; of the newest night, or of the newest in this
    setting. Its duty is the one to go back to.

    last_clear: highest duty of the last clear night, %, None for none.
    """
    for some in (nights, nights.filter(nights["setting"].fill_null("") == setting)):
        if some.is_empty():
            continue
        newest = (some["date"] == some["date"][-1]) & (
            some["added_at"].eq_missing(some["added_at"][-1])
        )
        rows = some.filter(newest & (some["verdict"] != "clear"))  # no telling which came last
        if rows.is_empty():
            continue
        night, back = rows.row(-1, named=True), "no duty, the solenoid unplugged"
        if last_clear is not None:
            back = f"{last_clear:.1f} % duty, the last that was clear"
        because = f" {night['reasons'][0]}" if night["reasons"] else ""
        say = {"date": night["date"], "verdict": night["verdict"], "because": because, "back": back}
        return worded("last_night", 0, say=say, duty=last_clear or 0.0)
    return None


def nothing_logged(found: Evidence) -> Step:
    """The refusal without a pull that counts."""
    held = not_clear(found.kept, found.setting)
    if held is not None:
        return held
    why = next((mend for left, mend in MENDS.items() if found.left_out.get(left)), "nothing")
    return worded("no_pulls", 0, say={"mend": said("mend", why, first=first_duty(found.car))})


def refusal(gear: Gear) -> Step | None:
    """Why no step up in this gear can be backed yet, or None: the first of the rules that holds."""
    return next((step for rule in RULES if (step := rule(gear)) is not None), None)


def _last_night(gear: Gear) -> Step | None:
    found, faults = gear.found, gear.valve.faults
    held = not_clear(found.kept, found.setting, last_clear=gear.last_clear)
    if held is None:
        return None
    if faults:
        held = replace(held, sentence=f"{held.sentence} {gear.valve.said[0]}", duty=None)
    return replace(held, gear=gear.gear, target=gear.target)


def _fault(gear: Gear) -> Step | None:
    """A valve that works backwards or not at all."""
    valve = gear.valve
    if not valve.faults:
        return None
    doubtful = valve.slope is not None and valve.slope.proof_under >= 0.0
    say = {"said": valve.said[0], "by_hand": said("mend", "direction") if doubtful else ""}
    return worded(valve.faults[0], gear.gear, target=gear.target, say=say)


def _no_target(gear: Gear) -> Step | None:
    """Without a target: staying where the newest night's boost settles at the target in its own
    logs, for more duty would drive boost past what the engine computer asks for; else a refusal.
    """
    if gear.target is not None:
        return None
    names = ("boost_target_kpa", "boost_settled_kpa", "duty_mean_pct")
    wanted, settled, duty = (middle_of(of_last_night(gear.rows), name) for name in names)
    if wanted is None or settled is None or abs(settled - wanted) > figures("step")["on_target"]:
        return worded("no_target", gear.gear)
    return worded("on_logged_target", gear.gear, from_duty=duty, duty=duty, target=wanted)


def _over_spring(gear: Gear) -> Step | None:
    """Where the least duty tried gives far more than the spring and boost was not seen to rise with
    duty: a base run, and the refusal where that gives as much. The curve, a right spring or a note
    of a look at the lines lifts it.
    """
    valve, car, looked = gear.valve, gear.found.car, was_tested(gear.found.journal, LINES)
    if car.spring_kpa is None or not valve.levels or valve.responds or looked:
        return None
    setting, low = figures("valve"), valve.levels[0]
    used = max(low.duty - car.duty_min_pct, 0.0)
    over = low.boost - car.spring_kpa - setting["by_little_duty"] * used
    if used > setting["little_duty"] or over < setting["over_spring"]:
        return None
    seen, key = said("mend", "over_spring", low=low, over=over, car=car), "over_spring"
    known: dict[str, Any] = {"target": gear.target}
    if low.duty > BASE_RUN_PCT:
        key, known = "base_run", {**known, "from_duty": low.duty, "duty": 0.0}
    return worded(key, gear.gear, say={"seen": seen}, **known)


def _too_few(gear: Gear) -> Step | None:
    """Fewer pulls or duties than the table asks for, with what to log."""
    setting, bounds, levels = figures("step"), gear.bounds, gear.valve.levels
    least_pulls, least_duties = int(setting["least_pulls"]), int(setting["least_duties"])
    if gear.pulls >= least_pulls and len(levels) >= least_duties:
        return None
    known: dict[str, Any] = {"target": bounds.target_kpa, "limit": bounds.limit_kpa}
    if not levels:
        mend, goal, figured = "no_level", None, {}
    else:
        (boost,), top = arrays(gear.rows, "boost_settled_kpa"), levels[-1].duty
        if median(boost) >= bounds.target_kpa - setting["on_target"]:
            return worded("on_target_early", gear.gear, from_duty=top, duty=top, **known)
        peak = float(boost.max()) + gear.overshoot.allowance(float(boost.max()))
        second = second_duty(top, peak, bounds)
        known["from_duty"] = goal = top
        mend = "one_more" if len(levels) >= least_duties else "before_second"
        if len(levels) < least_duties and gear.pulls >= 2:
            mend, goal = ("no_second", top) if second is None else ("second", second)
        figured = {"top": top, "second": second, "peak": peak, "bounds": bounds}
    say = {
        "pulls": f"{gear.pulls} pull{'s' if gear.pulls != 1 else ''}",
        "duties": f"{len(levels)} {'duty' if len(levels) == 1 else 'duties'}",
        "least_pulls": least_pulls,
        "least_duties": least_duties,
        "mend": said("mend", mend, **figured),
    }
    return worded("too_few", gear.gear, say=say, duty=goal, **known)


def _no_clear_night(gear: Gear) -> Step | None:
    if gear.last_clear is not None:
        return None
    return worded("no_clear_night", gear.gear, target=gear.target)


def _once_more(gear: Gear) -> Step | None:
    """Another evening where boost fell as duty rose, but not surely, which tells a backwards valve,
    or did not surely follow by the most that is advised unproven, which tells a dead one: at the
    lowest or the highest duty, which has fewer, the highest first. None where it is told already.
    """
    setting, valve, bounds = figures("valve"), gear.valve, gear.bounds
    late = bounds.unproven_pct is not None and valve.levels[-1].duty >= setting["named_by"]
    if valve.fell_kpa is None and not late:
        return None
    first, second = valve.levels[0].duty, valve.levels[-1].duty
    seen = gear.evenings(first), gear.evenings(second)
    if seen[1] >= int(setting["evenings"]):
        return None
    duty = first if seen[0] < seen[1] else second
    duty = round(duty / figures("step")["least"]) * figures("step")["least"]
    say = {
        "first": first,
        "second": second,
        "fell": valve.fell_kpa,
        "lead": "Stay at" if abs(duty - gear.base) < 0.25 else "Back to",
        "tested": f"; {said('mend', 'tested')}" if late else ".",
    }
    key = "not_followed" if valve.fell_kpa is None else "fell"
    return made(gear, key, duty, "unproven" if late else "fell", say=say)


RULES = (_last_night, _fault, _no_target, _over_spring, _too_few, _no_clear_night, _once_more)
