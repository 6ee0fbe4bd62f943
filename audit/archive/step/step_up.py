"""The next duty to try in one gear, what it should give, and which bound binds; or why there is
none.

Each candidate, half a percent at a time above the highest duty of the last clear night, is held
against every bound. The last one that passes all of them is advised; the bound that the next one
breaks is the one that binds.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np

from audit.archive.step.gear import Gear, ends, made
from audit.archive.step.step import ROUNDING_PCT, Step, figures, said, whole, words


def next_step(gear: Gear) -> Step:
    """The step up from the gear's base duty, the highest of the last clear night."""
    over = ends(gear, gear.base)[1] - gear.bounds.target_kpa
    # a level that was told to be there is left only when it surely is elsewhere, not by one evening
    known = gear.evenings(gear.base) >= 2
    tolerance = figures("step")["off_target" if known else "on_target"]
    if over > tolerance:
        return _down(gear)
    binds = broken(gear, gear.base, moving=False)
    if binds not in ("limit", "sensor") and over >= -tolerance:
        return _there(gear)
    if binds is None:
        return _up(gear)
    held = _made(gear, "held", gear.base, binds, why=_why(gear, binds, gear.base))
    return held if binds in ("limit", "sensor") else _held(gear, held)


def broken(gear: Gear, duty: float, *, moving: bool = True) -> str | None:
    """The first bound that a duty breaks, None for none. moving: as a step, not where it stands."""
    setting, bounds, peak = figures("step"), gear.bounds, _peak(gear, duty)
    _, expected, high = ends(gear, duty)
    top = math.inf if bounds.sensor_top_kpa is None else bounds.sensor_top_kpa
    holds = {
        "limit": peak > bounds.limit_kpa,
        "sensor": peak + gear.found.air.barometric_kpa > top - setting["sensor_margin"],
        **{line.row.measure: line.past(high) for line in gear.lines},
    }
    if moving:
        here, unproven = ends(gear, gear.base)[1], bounds.unproven_pct
        much = high - here > bounds.step_kpa
        if unproven is not None:
            much = expected - here > setting["dead_band_boost"]
        holds |= {
            "end_stop": duty > bounds.duty_max_pct,
            "unproven": unproven is not None and duty > unproven,
            "target": expected > bounds.target_kpa - setting["aim_under"],
            "boost_step": expected - here > bounds.step_kpa,
            "step": _large(gear, duty) and much,
        }
    return next((name for name, held in holds.items() if held), None)


def _peak(gear: Gear, duty: float) -> float:
    """Settled boost with the sure upper end in colder air, and overshoot on it."""
    setting = figures("step")
    denser = gear.found.air.relative * (1.0 + setting["colder_air"] / 100.0)
    settled = gear.curve.upper(duty, sure=setting["sure"], relative=denser)
    return settled + gear.overshoot.allowance(settled)


def _large(gear: Gear, duty: float) -> bool:
    return duty > gear.base + gear.bounds.step_pct + ROUNDING_PCT


def _target_duty(gear: Gear) -> tuple[float | None, float | None, float | None]:
    return gear.curve.duty_for(gear.bounds.target_kpa, relative=gear.found.air.relative)


def _made(gear: Gear, key: str, duty: float, binds: str = "", **say: Any) -> Step:
    """A step by a row of the table of words, with how far its peak may go."""
    say |= {"base": gear.base, "here": ends(gear, gear.base)[1]}
    more = {"peak": _peak(gear, duty), "target_duty": _target_duty(gear)}
    return made(gear, key, duty, binds, say=say, **more)


def _says(gear: Gear, group: str, key: str, duty: float | None = None, **say: Any) -> str:
    """A sentence of the table of words, of a duty, else of the one that is counted from."""
    peak, bounds = _peak(gear, gear.base if duty is None else duty), gear.bounds
    low, _, high = ends(gear, gear.base, pull=False)
    say |= {"absolute": peak + gear.found.air.barometric_kpa, "known_low": low, "known_high": high}
    source = bounds.assumed or "the car's limit"
    return said(group, key, base=gear.base, bounds=bounds, peak=peak, source=source, **say)


def _why(gear: Gear, binds: str, duty: float) -> str:
    """What breaks a bound at a duty, without a full stop."""
    line = next((one for one in gear.lines if one.row.measure == binds), None)
    if line is None:
        return _says(gear, "why", binds, duty)
    high, row = ends(gear, duty)[2], line.row
    worst, limit = (
        f"{value:.2f}" if row.unit == "1" else f"{value:.1f} {row.unit}"
        for value in (line.worst(high), line.limit(high))
    )
    label = row.label[0].upper() + row.label[1:]
    return _says(gear, "why", "line", label=label, worst=worst, line_limit=limit)


def _once_more(gear: Gear, step: Step) -> Step:
    """The step with another evening asked for, unless there were many at this duty."""
    if gear.evenings(gear.base) >= int(figures("step")["evenings"]):
        return step
    return replace(step, log_next=_says(gear, "mend", "another_evening"))


def _there(gear: Gear) -> Step:
    """On target; where that is not sure yet, another evening has to say so too."""
    setting, step = figures("step"), _made(gear, "there", gear.base)
    level = gear.curve.drawn(gear.base, relative=gear.found.air.relative, pull=False)
    near = np.abs(level - gear.bounds.target_kpa) <= setting["within"]
    if float(np.mean(near)) < setting["there"]:
        step = _once_more(gear, step)
    if step.log_next:
        return step
    return replace(step, sentence=f"{step.sentence} {_says(gear, 'mend', 'reached')}")


def _up(gear: Gear) -> Step:
    """As far as no bound breaks."""
    least, start = figures("step")["least"], gear.base + ROUNDING_PCT
    # the most of one step, of which `broken` allows what goes over the usual step
    last = whole(start + (gear.bounds.large_pct or gear.bounds.step_pct))
    best, binds = None, "step"
    for duty in np.arange(whole(start) + least, last + least / 2, least).tolist():
        if (breaks := broken(gear, duty)) is not None:
            binds = breaks
            break
        best = duty
    if best is not None:
        return _made(gear, "up", best, binds, why=_binding(gear, binds, best))
    why = _lower(_why(gear, binds, whole(start) + least))
    return _held(gear, _made(gear, "no_room", gear.base, binds, why=why))


def _held(gear: Gear, step: Step) -> Step:
    """Staying where a measure binds; heat is the weather's too, so a cooler evening may lift it."""
    low, _, high = ends(gear, gear.base, pull=False)
    if step.binds == "limit" and 0.5 * (high - low) > figures("step")["known"]:
        return _once_more(gear, step)
    if step.binds in ("unproven", "intake_peak_c"):
        return replace(step, log_next=_says(gear, "mend", step.binds))
    return step


def _binding(gear: Gear, binds: str, duty: float) -> str:
    """Why no further than a duty."""
    if binds == "step" and _large(gear, duty):
        binds = "large" if gear.bounds.unproven_pct is None else "large_unproven"
    if binds in words("binding"):
        return _says(gear, "binding", binds)
    why = _why(gear, binds, duty + figures("step")["least"])
    return _says(gear, "binding", "other", why=_lower(why))


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _down(gear: Gear) -> Step:
    """Back to the duty that should settle at the target."""
    duty, least = _target_duty(gear)[1], figures("step")["least"]
    lower = 0.0 if duty is None else whole(min(duty, gear.base - least))
    over = ends(gear, lower)[1] - gear.bounds.target_kpa
    if over > figures("step")["on_target"] and lower <= 0.5:
        return _made(gear, "below_spring", gear.base)
    return _made(gear, "down", lower)
