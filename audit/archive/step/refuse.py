"""When no step up can be backed: why, and what to log next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from audit.archive.step.evidence import Evidence
from audit.archive.step.step import Bounds, Overshoot, Step
from audit.archive.step.step_table import figures
from audit.archive.step.valve import Valve, levels_of
from audit.model import Array

if TYPE_CHECKING:
    import polars as pl

    from audit.model import Car

HIGHEST_AMBIENT_KPA = 105.0
NO_TARGET = "No target is known for {gear}: give boost.target_kpa in the car file."
BASE_RUN_PCT = 0.5  # logged duty of a base run: none, as it is rounded


# What to do about a valve's fault, and what lifts the refusal.
FAULT_LIFTED = {
    "no_response": "Engine off, key on, some duty: the solenoid must click, and air blown through "
    'must change its way. Mend what does not, note the part (`pullaudit note CAR "new solenoid"`), '
    "and start at a low duty. If all works and its dead band is only wide, note "
    '"solenoid tested", and the next step is told. Never raise the duty to find out: a valve that '
    "frees higher up overboosts.",
    "reversed": "Swap the solenoid's ports as its maker draws them, or turn its output round in "
    'the engine computer; note it (`pullaudit note CAR "solenoid lines swapped"`) and start again '
    "at a low duty.",
}


def gear_said(gear: int) -> str:
    """'gear 3', or that it is not known."""
    return f"gear {gear}" if gear else "pulls of unknown gear"


def not_clear(
    nights: pl.DataFrame, setting: str, *, last_clear: float | None = None
) -> Step | None:
    """The refusal after a night that is not clear; of the newest night, or of the newest in this
    setting.

    last_clear: highest duty of the last clear night, %, None for none.
    """
    for some in (nights, nights.filter(nights["setting"].fill_null("") == setting)):
        if some.is_empty():
            continue
        at_once = (some["date"] == some["date"][-1]) & (
            some["added_at"].eq_missing(some["added_at"][-1])
        )
        rows = some.filter(
            at_once & (some["verdict"] != "clear")
        )  # no telling which of these came last
        if rows.is_empty():
            continue
        reasons = rows["reasons"].to_list()[-1] or []
        because = f" {reasons[0]}" if reasons else ""
        return Step(
            "refuse",
            0,
            f"No step up: the night of {rows['date'][-1]} is on {rows['verdict'][-1]}.{because}",
            "last_night",
            log_next=(
                f"Mend what it names first. Then log two pulls at {_back(last_clear)}, and screen "
                "them."
            ),
        )
    return None


def _back(last_clear: float | None) -> str:
    if last_clear is None:
        return "no duty, the solenoid unplugged"
    return f"{last_clear:.1f} % duty, the last that was clear"


def nothing_logged(found: Evidence, nights: pl.DataFrame, *, first: float) -> Step:
    """The refusal without a pull that counts. first: the duty to start at, %."""
    held = not_clear(nights, found.setting)
    if held is not None:
        return held
    if found.left_out.get("without a believed solenoid duty"):
        mend = "The solenoid's duty is not known: log it, or say what you set, as --duty 35."
    elif found.left_out.get("of another setting"):
        mend = (
            "Pulls of another setting do not count here: say --setting, or log two pulls in this "
            "one."
        )
    elif found.left_out.get("with duty moving in the pull"):
        mend = (
            f"Log two pulls at a fixed {first:g} % duty: it moves in these, as a boost controller "
            "moves it."
        )
    else:
        mend = (
            "Nothing is known of boost against duty yet: log a base run with the solenoid "
            f"unplugged, then two pulls in one gear at a fixed {first:g} % duty, and screen them "
            "into the archive."
        )
    return Step(
        "refuse",
        0,
        "No step up: no pull that counts is in the archive.",
        "no_pulls",
        log_next=mend,
    )


def refusal(
    found: Evidence,
    nights: pl.DataFrame,
    *,
    gear: int,
    valve: Valve,
    target: float | None,
    last_clear: float | None = None,
) -> Step | None:
    """Why no step in this gear can be backed, or None. Too few pulls is told by too_few."""
    held = not_clear(nights, found.setting, last_clear=last_clear)
    if held is not None:
        sentence = " ".join((held.sentence, *valve.said[:1])) if valve.faults else held.sentence
        return Step("refuse", gear, sentence, held.binds, target=target, log_next=held.log_next)
    if valve.faults:
        return Step(
            "refuse",
            gear,
            f"No step up. {valve.said[0]}",
            valve.faults[0],
            target=target,
            log_next=FAULT_LIFTED[valve.faults[0]],
        )
    if target is None:
        return _on_logged_target(found.of_gear(gear), gear) or Step(
            "refuse", gear, f"No step up. {NO_TARGET.format(gear=gear_said(gear))}", "no_target"
        )
    return None


def _on_logged_target(rows: pl.DataFrame, gear: int) -> Step | None:
    """Staying where the newest night's boost settles at the target in its own logs, though nobody
    gave one: more duty would drive boost past what the engine computer asks for. Else None.
    """
    if rows.is_empty():
        return None
    newest = rows.filter(rows["night_id"] == rows["night_id"][-1])
    wanted, settled, duty = (
        newest[name].cast(float).median()
        for name in ("boost_target_kpa", "boost_settled_kpa", "duty_mean_pct")
    )
    if not (isinstance(wanted, float) and isinstance(settled, float) and isinstance(duty, float)):
        return None
    if abs(settled - wanted) > figures("step")["on_target"]:
        return None
    return Step(
        "stay",
        gear,
        f"Boost is at the logged target of {wanted:.1f} kPa already: stay at {duty:.1f} % duty, or "
        "give a higher target (boost.target_kpa in the car file).",
        "target",
        from_duty=duty,
        duty=duty,
        target=wanted,
    )


def over_spring(gear: int, valve: Valve, car: Car) -> Step | None:
    """What is asked for where the least duty tried gives far more than the spring and boost was not
    seen to rise with duty: a base run, and the refusal where that gives as much; None where it does
    not, or no spring is known. The curve or a note of a look at the lines lifts it.
    """
    if car.spring_kpa is None or not valve.levels or valve.responds:
        return None
    setting, low = figures("valve"), valve.levels[0]
    used = max(low.duty - car.duty_min_pct, 0.0)
    over = low.boost - car.spring_kpa - setting["by_little_duty"] * used
    if used > setting["little_duty"] or over < setting["over_spring"]:
        return None
    seen = (
        f"at {low.duty:.1f} % duty boost settles at {low.boost:.1f} kPa gauge, {over:.1f} kPa more "
        f"than the spring of {car.spring_kpa:.1f} kPa accounts for"
    )
    if low.duty > BASE_RUN_PCT:
        return Step(
            "stay",
            gear,
            "Look at each line to the wastegate, both ends; then log a base run, the solenoid "
            f"unplugged (0 % duty), before any step up: {seen}. A base run on the spring shows "
            "that this car is like that.",
            "base_run",
            from_duty=low.duty,
            duty=0.0,
        )
    return Step(
        "refuse",
        gear,
        f"No step up: {seen}. A line may be off the wastegate, or this car is like that.",
        "over_spring",
        log_next="Look at each line to the wastegate, both ends. If all are on and whole, note it "
        '(`pullaudit note CAR "wastegate lines tested"`), and the next step is told. A right '
        "boost.spring_kpa in the car file lifts this too.",
    )


def too_few(rows: pl.DataFrame, gear: int, *, overshoot: Overshoot, bounds: Bounds) -> Step | None:
    """The refusal with fewer pulls or duties than the table asks for, with what to log; None where
    they suffice.
    """
    setting = figures("step")
    least_pulls, least_duties = int(setting["least_pulls"]), int(setting["least_duties"])
    duty, boost = (
        np.asarray(rows[n].cast(float).to_numpy(), dtype=np.float64)
        for n in ("duty_mean_pct", "boost_settled_kpa")
    )
    levels = levels_of(duty, boost, np.ones(len(duty)))
    top: float | None
    goal: float | None
    if len(duty) >= least_pulls and len(levels) >= least_duties:
        return None
    if levels and float(np.median(boost)) >= bounds.target_kpa - setting["on_target"]:
        here = levels[-1].duty
        return Step(
            "stay",
            gear,
            f"Boost is at the target already: stay at {here:.1f} % duty, or give a higher target.",
            "target",
            from_duty=here,
            duty=here,
            target=bounds.target_kpa,
            limit=bounds.limit_kpa,
        )
    why = (
        f"{_many(len(duty), 'pull', 'pulls')} at {_many(len(levels), 'duty', 'duties')} in "
        f"{gear_said(gear)} so far: it takes {least_pulls} at {least_duties} duties to tell how "
        "boost follows."
    )
    if not levels:
        top, goal = None, None
        said = "Log two pulls in this gear at the lowest duty that was clear in another."
    else:
        top = levels[-1].duty
        if len(levels) >= least_duties:
            said, goal = f"Log one more pull at {top:.1f} % duty.", top
        elif len(duty) < 2:
            said, goal = f"Log one more pull at {top:.1f} % duty before a second duty.", top
        else:
            said, goal = _second_duty(top, boost, overshoot, bounds)
    return Step(
        "refuse",
        gear,
        why,
        "too_few",
        from_duty=top,
        duty=goal,
        target=bounds.target_kpa,
        limit=bounds.limit_kpa,
        log_next=said,
    )


def _many(count: int, one: str, several: str) -> str:
    return f"{count} {one if count == 1 else several}"


def _second_duty(
    top: float, boost: Array, overshoot: Overshoot, bounds: Bounds
) -> tuple[str, float]:
    """(what to log, its duty) after one duty alone: no slope is known, so the steepest that valves
    have must leave room.
    """
    setting = figures("step")
    highest = float(boost.max())
    peak = highest + overshoot.allowance(highest)
    room = bounds.limit_kpa - peak
    if bounds.sensor_top_kpa is not None:
        room = min(
            room, bounds.sensor_top_kpa - setting["sensor_margin"] - HIGHEST_AMBIENT_KPA - peak
        )
    start = max(top, bounds.duty_min_pct)  # after a base run the solenoid's least duty is no step
    step = min(bounds.step_pct, room / setting["first_rise"], bounds.duty_max_pct - start)
    second = float(np.floor((start + step + 0.05) / setting["least"]) * setting["least"])
    if second < start + setting["least"] - 0.05:
        return (
            f"There is no room for a second duty: a peak of {peak:.1f} kPa gauge is to be counted "
            f"with, and the limit is {bounds.limit_kpa:.1f} kPa. Stay at {top:.1f} % duty, or fit "
            "a softer spring."
        ), top
    return f"Log two pulls at {second:.1f} % duty, and screen them before anything higher.", second
