"""When no step up can be backed: why, and what to log next, in the words of the table."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from audit.archive.step.evidence import Evidence
from audit.archive.step.step import Bounds, Overshoot, Step, worded
from audit.archive.step.step_table import figures, words
from audit.archive.step.valve import Valve, levels_of

if TYPE_CHECKING:
    import polars as pl

    from audit.model import Car

HIGHEST_AMBIENT_KPA = 105.0
BASE_RUN_PCT = 0.5  # logged duty of a base run: none, as it is rounded
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
        return worded("last_night", "refuse", 0, say=say, duty=last_clear or 0.0)
    return None


def nothing_logged(found: Evidence, nights: pl.DataFrame, *, first: float) -> Step:
    """The refusal without a pull that counts. first: the duty to start at, %."""
    held = not_clear(nights, found.setting)
    if held is not None:
        return held
    why = next((mend for left, mend in MENDS.items() if found.left_out.get(left)), "nothing")
    return worded("no_pulls", "refuse", 0, say={"mend": words("mend")[why].format(first=first)})


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
        held = replace(held, gear=gear, target=target)
        if not valve.faults:
            return held
        return replace(held, sentence=f"{held.sentence} {valve.said[0]}", duty=None)
    if valve.faults:
        doubtful = valve.slope is not None and valve.slope.proof_under >= 0.0
        say = {"said": valve.said[0], "by_hand": words("mend")["direction"] if doubtful else ""}
        return worded(valve.faults[0], "refuse", gear, target=target, say=say)
    if target is None:
        stays = _on_logged_target(found.of_gear(gear), gear)
        return stays or worded("no_target", "refuse", gear)
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
    known = {"from_duty": duty, "duty": duty, "target": wanted}
    return worded("on_logged_target", "stay", gear, "target", **known)


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
        say = {"seen": seen}
        return worded("base_run", "stay", gear, say=say, from_duty=low.duty, duty=0.0)
    return worded("over_spring", "refuse", gear, say={"seen": seen})


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
    levels = levels_of(duty, boost)
    if len(duty) >= least_pulls and len(levels) >= least_duties:
        return None
    known: dict[str, Any] = {"target": bounds.target_kpa, "limit": bounds.limit_kpa}
    if levels and float(np.median(boost)) >= bounds.target_kpa - setting["on_target"]:
        known |= dict.fromkeys(("from_duty", "duty"), levels[-1].duty)
        return worded("on_target_early", "stay", gear, "target", **known)
    goal, mend, second, peak = None, "no_level", None, 0.0
    if levels:
        goal = known["from_duty"] = levels[-1].duty
        mend = "one_more" if len(levels) >= least_duties else "before_second"
        if len(levels) < least_duties and len(duty) >= 2:
            peak = float(boost.max()) + overshoot.allowance(float(boost.max()))
            second = _second_duty(goal, peak, bounds)
            mend, goal = ("no_second", goal) if second is None else ("second", second)
    to_log = words("mend")[mend].format(
        top=known.get("from_duty"), second=second, peak=peak, **known
    )
    say = {
        "pulls": f"{len(duty)} pull{'s' if len(duty) != 1 else ''}",
        "duties": f"{len(levels)} {'duty' if len(levels) == 1 else 'duties'}",
        "least_pulls": least_pulls,
        "least_duties": least_duties,
        "mend": to_log,
    }
    return worded("too_few", "refuse", gear, say=say, duty=goal, **known)


def _second_duty(top: float, peak: float, bounds: Bounds) -> float | None:
    """The duty to log after one duty alone, None where there is no room: no slope is known, so the
    steepest that valves have must leave some over the highest peak, kPa gauge.
    """
    setting = figures("step")
    room = bounds.limit_kpa - peak
    if bounds.sensor_top_kpa is not None:
        over = setting["sensor_margin"] + HIGHEST_AMBIENT_KPA + peak
        room = min(room, bounds.sensor_top_kpa - over)
    start = max(top, bounds.duty_min_pct)  # after a base run the solenoid's least duty is no step
    step = min(bounds.step_pct, room / setting["first_rise"], bounds.duty_max_pct - start)
    second = float(np.floor((start + step + 0.05) / setting["least"]) * setting["least"])
    return None if second < start + setting["least"] - 0.05 else second
