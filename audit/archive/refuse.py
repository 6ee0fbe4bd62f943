"""When no step up can be backed: why, and what to log next."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from audit.archive.evidence import Evidence
from audit.archive.step_table import figures
from audit.archive.step_up import Bounds, Overshoot, Step
from audit.archive.valve import Valve, levels_of

if TYPE_CHECKING:
    import polars as pl

NO_TARGET = (
    "No target is known for {gear}: give boost.target_kpa in the car file, or --target with its unit, as in --target 14psi."
)


def gear_said(gear: int) -> str:
    """'gear 3', or that it is not known."""
    return f"gear {gear}" if gear else "pulls of unknown gear"


def not_clear(nights: pl.DataFrame, setting: str) -> Step | None:
    """The refusal after a night that is not clear; of the newest night, or of the newest in this setting."""
    for rows in (nights, nights.filter(nights["setting"].fill_null("") == setting)):
        if rows.is_empty() or rows["verdict"][-1] == "clear":
            continue
        reasons = list(rows["reasons"][-1] or ())
        because = f" {reasons[0]}" if reasons else ""
        return Step(
            "refuse", 0, f"No step up: the night of {rows['date'][-1]} is on {rows['verdict'][-1]}.{because}", "last_night",
            log_next="Mend what it names first. Then log two pulls at the last duty that was clear, and screen them.",
        )  # fmt: skip
    return None


def nothing_logged(found: Evidence, nights: pl.DataFrame) -> Step:
    """The refusal without a pull that counts."""
    first = figures("step")["first_duty"]
    held = not_clear(nights, found.setting)
    if held is not None:
        return held
    if found.left_out.get("without a believed solenoid duty"):
        mend = "Log the solenoid's duty beside manifold pressure"
    elif found.left_out.get("with duty moving in the pull"):
        mend = "Hold the duty fixed for the whole pull, without a boost controller at work"
    else:
        mend = "Nothing is known of boost against duty yet"
    return Step(
        "refuse", 0, "No step up: no pull that counts is in the archive.", "no_pulls",
        log_next=f"{mend}: two pulls in one gear at a fixed {first:g} % duty, then screen them into the archive.",
    )  # fmt: skip


def refusal(found: Evidence, nights: pl.DataFrame, *, gear: int, valve: Valve, target: float | None) -> Step | None:
    """Why no step in this gear can be backed, or None. Too few pulls is told by too_few."""
    held = not_clear(nights, found.setting)
    if held is not None:
        return Step("refuse", gear, held.sentence, held.binds, target=target, log_next=held.log_next)
    if valve.faults:
        return Step("refuse", gear, f"No step up. {valve.said[0]}", valve.faults[0], target=target,
                    log_next="Mend the solenoid's plumbing, then start again at a fixed "
                             f"{figures('step')['first_duty']:g} % duty, with a note in the journal.")  # fmt: skip
    if target is None:
        return Step("refuse", gear, f"No step up. {NO_TARGET.format(gear=gear_said(gear))}", "no_target")
    return None


def too_few(rows: pl.DataFrame, gear: int, *, overshoot: Overshoot, bounds: Bounds) -> Step | None:
    """The refusal with fewer pulls or duties than the table asks for, with what to log; None where they suffice."""
    setting = figures("step")
    least_pulls, least_duties = int(setting["least_pulls"]), int(setting["least_duties"])
    duty, boost = (np.asarray(rows[n].cast(float).to_numpy(), dtype=np.float64) for n in ("duty_mean_pct", "boost_settled_kpa"))
    levels = levels_of(duty, boost, np.ones(len(duty)))
    if len(duty) >= least_pulls and len(levels) >= least_duties:
        return None
    why = (f"No step up: {_many(len(duty), 'pull')} at {_many(len(levels), 'duty')} in {gear_said(gear)}; a curve takes at least "
           f"{least_pulls} pulls at {least_duties} duties.")  # fmt: skip
    log_next = _what_to_log(duty, levels[-1].duty if levels else None, len(levels), boost, overshoot, bounds)
    step = Step("refuse", gear, why, "too_few", target=bounds.target_kpa, limit=bounds.limit_kpa, log_next=log_next[0])
    if log_next[1] is None:
        return step
    return Step("refuse", gear, why, "too_few", duty=log_next[1], from_duty=levels[-1].duty if levels else None,
                target=bounds.target_kpa, limit=bounds.limit_kpa, log_next=log_next[0])  # fmt: skip


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun.removesuffix('y') + 'ies' if noun.endswith('y') else noun + 's'}"


def _what_to_log(
    duty: np.ndarray[tuple[int], np.dtype[np.float64]], top: float | None, levels: int,
    boost: np.ndarray[tuple[int], np.dtype[np.float64]], overshoot: Overshoot, bounds: Bounds,
) -> tuple[str, float | None]:  # fmt: skip
    """(sentence, duty to log or None)."""
    setting = figures("step")
    if top is None:
        first = setting["first_duty"]
        return f"Log two pulls in this gear at a fixed {first:g} % duty.", first
    if levels >= int(setting["least_duties"]):
        return f"Log one more pull at {top:.1f} % duty.", top
    if len(duty) < 2:
        return f"Log one more pull at {top:.1f} % duty before a second duty.", top
    # No slope is known yet: the steepest that valves answer with must leave room.
    room = bounds.limit_kpa - float(boost.max()) - overshoot.allowance(float(boost.max()))
    if bounds.sensor_top_kpa is not None:
        room = min(room, bounds.sensor_top_kpa - setting["sensor_margin"] - 105.0 - float(boost.max()) - overshoot.allowance(float(boost.max())))
    step = min(bounds.step_pct, room / setting["first_rise"], bounds.duty_max_pct - top)
    step = float(np.floor(step / setting["least"]) * setting["least"])
    if float(np.median(boost)) >= bounds.target_kpa - setting["on_target"]:
        return f"Boost is at the target already: stay at {top:.1f} % duty, or give a higher target.", top
    if step < setting["least"]:
        return (f"There is no room for a second duty: boost stands at {float(boost.max()):.1f} kPa gauge and the limit is "
                f"{bounds.limit_kpa:.1f} kPa. Stay at {top:.1f} % duty, or fit a softer spring."), None  # fmt: skip
    second = float(np.floor((top + step + 0.05) / setting["least"]) * setting["least"])
    return f"Log two pulls at {second:.1f} % duty, and screen them before anything higher.", second
