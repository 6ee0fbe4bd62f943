"""The evening ahead: what to inspect, the duties in order, cool-downs, and what ends it."""

from __future__ import annotations

import math
import statistics
from typing import Any

from audit.archive.step.gear import BASE_RUN_PCT, expects
from audit.archive.step.response import GearResponse, Response
from audit.archive.step.response_document import head, number
from audit.archive.step.step import Step, figures, first_duty, words
from audit.model import Car
from audit.tables import limits_for

Leg = dict[str, Any]


def plan(
    car: Car, response: Response | None = None, *, where: str = "DIR", afr: float | None = None
) -> dict[str, Any]:
    """The document 'pullaudit.plan', version 1: the evening of a car; without a response (or with
    one that holds no pull) that of a new car. Pressures kPa (boost gauge).

    before: what to set and to try before the pulls; legs: in order, [] where nothing may be logged,
    each with where to lift, never the car's limit; lead: the sentence before them; after: that
    follows them. cool_down_s: between pulls, from cool_down_from; ends: what ends the evening.
    where: the archive, as the sheet's commands name it. afr: air-fuel ratio for one of lambda,
    where the logger gives that; what a new car's gives is guessed by its units.
    """
    setting, said = figures("evening"), words("plan")
    known = response if response is not None and response.n else None
    history = response is not None and response.nights > 0
    us = response.us_units if response is not None else car.units == "us"
    if response is not None and (known or response.step.binds == "last_night"):
        step = response.step
        held, legs = step.binds == "last_night", _legs(car, step, response.main_gear)
        before = list(said["mended"]) if held else []
        lead = step.sentence if legs and not held else f"{step.sentence} {step.log_next}".strip()
    else:
        before = [text.format(lift=_first_lift(car)) for text in said["new"]]
        legs = [_leg(car), _leg(car, key="first", duty=first_duty(car))]
        lead = said["lead"]["new"]
        if history and response is not None:
            why = response.step.sentence.removeprefix("No step up: ")
            why = f"{why[:1].upper()}{why[1:]} {response.step.log_next}"
            lead = said["lead"]["history"].format(why=why)
    decision = None if response is None else response.decision
    lift = max((leg["lift_kpa"] for leg in legs), default=_first_lift(car))
    afr = car.stoichiometric_afr if us and not history else afr
    cool, cool_from = _cool_down(known)
    unknown = {"no_limit": car.boost_limit_kpa, "no_spring": car.spring_kpa}
    notes = [said["note"][name] for name, figure in unknown.items() if figure is None]
    return {
        **head("plan", car, known.setting if known else "", decision),
        "gear": (known and known.main) or None,
        "us_units": us,
        "history": history,
        "lead": lead,
        "inspect": list(said["inspect"]),
        "before": before,
        "warm_up": {"coolant_c": setting["warm_coolant_c"], "oil_c": setting["warm_oil_c"]},
        "legs": legs,
        "after": _after(where, [leg["duty_pct"] for leg in legs]) if legs else None,
        "cool_down_s": cool,
        "cool_down_from": cool_from,
        "ends": _ends(car, lift, afr=afr),
        "notes": list(known.notes) if known else notes,
    }


def _legs(car: Car, step: Step, gear: GearResponse | None) -> list[Leg]:
    """The pulls that a step asks for: one at the last duty first, before a step up, for the car
    must be as it was; then those of the step, or at the last duty that was clear.
    """
    duty, base = step.duty, step.from_duty
    if duty is None:
        return []
    if gear is None or step.binds == "base_run" or (step.binds == "last_night" and duty <= 0.0):
        return [_leg(car)]
    if step.binds == "last_night":
        return [_leg(car, gear, "back", **expects(gear, duty))]
    legs = []
    if base is not None and duty > base + 0.25:
        legs.append(_leg(car, gear, "check", pulls=1, **expects(gear, base)))
    if step.action == "refuse":
        return [*legs, _leg(car, gear, "", why=step.log_next, duty=duty)]
    told = {name: getattr(step, name) for name in ("duty", "expected", "low", "high")}
    return [*legs, _leg(car, gear, step.action, **told)]


def _leg(
    car: Car,
    gear: GearResponse | None = None,
    key: str = "base",
    *,
    why: str = "",
    pulls: int | None = None,
    duty: float = 0.0,
    **boost: float | None,
) -> Leg:
    """Pulls at one duty, with the settled boost that is expected where something backs a figure;
    without a duty a base run, with the spring's boost, as near as it is known.
    """
    if key == "base" and car.spring_kpa is not None:
        doubt = figures("curve")["known_spring_sd"]
        low, high = max(car.spring_kpa - doubt, 0.0), car.spring_kpa + doubt
        boost = {"expected": car.spring_kpa, "low": low, "high": high}
    elif key == "base":
        key = "base_unknown"
    lift = _first_lift(car) if gear is None else _lift(gear, boost.get("high"))
    return {
        "duty_pct": number(duty),
        "pulls": int(figures("evening")["pulls_per_step"]) if pulls is None else pulls,
        "why": why or words("plan")["leg"][key],
        **{f"{name}_kpa": number(boost.get(name)) for name in ("expected", "low", "high")},
        "lift_kpa": number(lift),
    }


def _lift(gear: GearResponse, high: float | None) -> float:
    """Where to lift: a usual overshoot over the upper end of what is expected, well under the
    limit, kPa gauge; after base runs alone as in them, unless they made more boost than was thought
    of the spring: then a little over that.
    """
    car, levels = gear.found.car, gear.valve.levels
    first, seen = _first_lift(car), max(level.high for level in levels)
    if high is None and levels[-1].duty <= BASE_RUN_PCT:
        over = figures("evening")["lift_over_spring"]
        return first if seen + 0.5 * over <= first else _under_limit(car, seen + over)
    if high is None:  # a second duty, no slope known: what the steepest valve may bring
        high = seen + figures("step")["first_rise"] * figures("step")["duty"]
    return _under_limit(car, high + gear.overshoot.allowance(high))


def _after(where: str, duties: list[float]) -> str:
    """What follows the pulls, a command a line. duties: in their order; where: the archive."""
    where = f'"{where}"' if " " in where else where
    *before, last = (f"{round(duty, 1):g}" for duty in duties)  # as the pages show them
    said = f"Say it: --duty {last}"
    if before:
        logs = " ".join(f"--duty LOG={duty}" for duty in before)
        said = f"One log for each duty, and say them: --duty {last} {logs}"
    return (
        f"pullaudit screen LOGS --archive {where}\npullaudit plan --archive {where}\n"
        f"No duty in the log? {said}."
    )


def _first_lift(car: Car) -> float:
    """Where to lift in a base run, kPa gauge: spring and a little; where no spring is known, what
    most springs hold; well under the car's limit.
    """
    setting = figures("evening")
    if car.spring_kpa is not None:
        return _under_limit(car, car.spring_kpa + setting["lift_over_spring"])
    limit = math.inf if car.boost_limit_kpa is None else car.boost_limit_kpa
    return min(setting["lift_unknown_spring"], setting["lift_unknown_share"] * limit)


def _under_limit(car: Car, boost: float) -> float:
    if car.boost_limit_kpa is None:
        return boost
    return min(boost, car.boost_limit_kpa - figures("evening")["lift_under_limit"])


def _cool_down(response: Response | None) -> tuple[float, str]:
    """Seconds between pulls until a pull's heat has mostly gone, in half minutes, and where that
    comes from.
    """
    setting = figures("evening")
    rows = None if response is None else response.rows
    taus = [] if rows is None else rows["intake_recovery_s"].drop_nulls().to_list()
    if not taus:
        return setting["cool_down_s"], "a guess till the minutes after a pull are logged"
    wanted = -math.log(setting["recovered_share"]) * statistics.median(taus)
    held = min(max(wanted, setting["least_cool_down_s"]), setting["most_cool_down_s"])
    why = f"that is what the intake air took to recover in {len(taus)} pulls"
    return 30.0 * math.ceil(held / 30.0 - 1e-9), why


def _ends(car: Car, lift: float, *, afr: float | None) -> list[str]:
    table = limits_for(car)
    leanest = table.row("mixture.lean", "lean_lambda").hold
    assert leanest is not None  # it has a row of the table, and an owner can't take it away
    lean = f"Lambda {leanest:.2f}"
    if afr is not None:
        lean = f"Air-fuel ratio {leanest * afr:.1f} (lambda {leanest:.2f})"
    figured = {
        "lift": lift,
        "lean": lean,
        "knock": table.row("knock.retard", "knock_retard_max_deg").hold,
        "coolant": table.row("heat.coolant", "coolant_peak_c").hold,
        "intake": table.row("heat.intake", "intake_peak_c").hold,
        "most": figures("evening")["most_pulls"],
    }
    return [text.format(**figured) for text in words("plan")["ends"]]
