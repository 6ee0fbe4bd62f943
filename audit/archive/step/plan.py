"""The evening ahead: what to inspect, the duties in order, cool-downs, and what ends it."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import Any

from audit.archive.step.first import first_duty
from audit.archive.step.refuse import BASE_RUN_PCT
from audit.archive.step.response import Response
from audit.archive.step.response_document import number
from audit.archive.step.step_table import figures
from audit.model import Car, Decision
from audit.tables import limits_for

# What hurts people first, then what hurts the engine, then what spoils the evening.
INSPECT = (
    "Brakes: firm pedal, fluid at its mark",
    "Tyres: pressure, tread, age; wheel nuts",
    "No play: steering, suspension, bearings",
    "Fuel: no smell, no drip; the right one",
    "Oil and coolant at their marks, no leak",
    "Wastegate line, solenoid plug: tight",
    "Drive belts; hoses and their clamps",
    "Logger: duty, manifold pressure, lambda, intake air, engine speed",
    "Dyno or closed course; someone with you",
)
STIFFER = (
    "if boost still climbs where you lift, the spring is stiffer: look its figure up, write it "
    "into the car file (spring), plan again"
)


@dataclass(frozen=True)
class Leg:
    """Pulls at one duty, 0 with the solenoid unplugged. lift: boost at which to lift, kPa gauge,
    never the car's limit; expected, low, high: settled boost, None where nothing backs a figure.
    """

    duty: float
    pulls: int
    why: str
    lift: float
    expected: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Plan:
    """before: what to set and to try before the pulls; legs: in order, () where nothing may be
    logged; lead: the sentence before them; after: that follows them.
    cool_down_s: between pulls, from cool_from; ends: what ends the evening, one sentence each.
    """

    car: Car
    setting: str
    gear: int | None
    lead: str
    legs: tuple[Leg, ...]
    after: str
    cool_down_s: float
    cool_from: str
    ends: tuple[str, ...]
    notes: tuple[str, ...]
    us_units: bool
    before: tuple[str, ...] = ()
    decision: Decision | None = None
    history: bool = False


def plan(
    car: Car, response: Response | None = None, *, where: str = "DIR", afr: float | None = None
) -> Plan:
    """The evening of a car; without a response (or with one that holds no pull) that of a new
    car. where: the archive, as the sheet's commands name it. afr: air-fuel ratio for one of lambda,
    where the logger gives that; what a new car's gives is guessed by its units.
    """
    known = response if response is not None and response.evidence.n else None
    history = response is not None and response.nights > 0
    if known is not None:
        lead, legs, after = _from_response(known, where)
        before = _mended(known)
    elif response is not None and response.step.binds == "last_night":
        before, legs, after = _mended(response), (_base_leg(car),), _after(where, 0.0)
        lead = f"{response.step.sentence} {response.step.log_next}"
    else:
        before = _before(car)
        lead, legs, after = _new_car(car, response if history else None, where)
    cool, cool_from = _cool_down(known)
    us = response.us_units if response is not None else car.units == "us"
    gear = known.main if known is not None else None
    notes = known.notes if known is not None else _notes(car)
    return Plan(
        car,
        known.setting if known else "",
        gear or None,
        lead,
        legs,
        after,
        cool,
        cool_from,
        _ends(car, legs, afr=car.stoichiometric_afr if us and not history else afr),
        notes,
        us,
        before,
        response.decision if response is not None else None,
        history,
    )


def _before(car: Car) -> tuple[str, ...]:
    """What a new car's first evening sets and tries before a pull."""
    lift = _first_lift(car)
    return (
        f"Boost cut of the engine computer: set it to {lift:.1f} kPa for tonight",
        "Try it: set under the spring's boost it must cut a gentle pull; set it back",
        "Solenoid, engine off, key on: it must click at some duty",
        "An alarm or someone beside calls: the driver watches the road, never a screen",
    )


def _mended(response: Response) -> tuple[str, ...]:
    """What has to be done before a pull after a night that was not clear."""
    return ("What the last night named is found and mended",) * (
        response.step.binds == "last_night"
    )


def _after(where: str, *duties: float) -> str:
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
    most = setting["lift_unknown_spring"]
    if car.boost_limit_kpa is None:
        return most
    return min(most, setting["lift_unknown_share"] * car.boost_limit_kpa)


def _lift_over_base(car: Car, seen: float) -> float:
    """Where to lift at the first duty, kPa gauge: as in the base run, unless that made (seen) more
    boost than was thought of the spring: then a little over it.
    """
    first, over = _first_lift(car), figures("evening")["lift_over_spring"]
    return first if seen + 0.5 * over <= first else _under_limit(car, seen + over)


def _under_limit(car: Car, boost: float) -> float:
    if car.boost_limit_kpa is None:
        return boost
    return min(boost, car.boost_limit_kpa - figures("evening")["lift_under_limit"])


def _new_car(car: Car, response: Response | None, where: str) -> tuple[str, tuple[Leg, ...], str]:
    """A base run on the spring, then the first duties, each screened before the next."""
    pulls = int(figures("evening")["pulls_per_step"])
    lead = (
        "Nothing is logged of this car yet. One gear, fixed duty, the computer's boost control off."
    )
    if response is not None:
        # the decision above may be a step: nothing speaks against one, its size is not known
        why = response.step.sentence.removeprefix("No step up: ")
        said = f"{why[:1].upper()}{why[1:]} {response.step.log_next}"
        lead = f"{said} Till then as for a new car."
    first, lift = first_duty(car), _first_lift(car)
    legs = (
        _base_leg(car),
        Leg(
            first,
            pulls,
            "only when the base run is screened and clear; boost must rise over it, never fall",
            lift,
        ),
    )
    return lead, legs, _after(where, 0.0, first)


def _base_leg(car: Car) -> Leg:
    """A base run: the spring's boost, as near as it is known."""
    spring, doubt = car.spring_kpa, figures("curve")["known_spring_sd"]
    low = None if spring is None else max(spring - doubt, 0.0)
    high = None if spring is None else spring + doubt
    return Leg(
        0.0,
        int(figures("evening")["pulls_per_step"]),
        "base run, solenoid unplugged: the spring alone"
        + ("" if spring is not None else f"; {STIFFER}"),
        _first_lift(car),
        spring,
        low,
        high,
    )


def _from_response(response: Response, where: str) -> tuple[str, tuple[Leg, ...], str]:
    step, pulls = response.step, int(figures("evening")["pulls_per_step"])
    if step.duty is None:
        return " ".join(filter(None, (step.sentence, step.log_next))), (), ""
    check = _check_leg(response, step.from_duty, step.duty)
    after = _after(where, *(leg.duty for leg in check), step.duty)
    if step.binds == "last_night":
        lead = " ".join(filter(None, (step.sentence, step.log_next)))
        return lead, (_back_leg(response, step.duty),), after
    lift = _lift(response, step.high)
    if step.action == "refuse":
        legs = (
            *check,
            Leg(step.duty, pulls, step.log_next, lift),
        )
        return step.sentence, legs, after
    why = {"up": "the next step", "down": "back to the target", "stay": "the same again"}[
        step.action
    ]
    if step.binds == "base_run":
        return step.sentence, (_base_leg(response.car),), after
    goal = Leg(step.duty, pulls, why, lift, step.expected, step.low, step.high)
    return step.sentence, (*check, goal), after


def _lift(response: Response, high: float | None) -> float:
    """Where to lift: a usual overshoot over the upper end of what is expected, well under the
    limit, kPa gauge; where nothing was seen, as in a base run.
    """
    gear = next((g for g in response.gears if g.gear == response.main), None)
    levels = () if gear is None else gear.valve.levels
    if gear is None or not levels:
        return _first_lift(response.car)
    if high is None and levels[-1].duty <= BASE_RUN_PCT:
        return _lift_over_base(response.car, levels[-1].high)
    if high is None:  # a second duty, no slope known: what the steepest valve may bring
        seen = max(level.high for level in levels)
        high = seen + figures("step")["first_rise"] * figures("step")["duty"]
    return _under_limit(response.car, high + gear.overshoot.allowance(high))


def _check_leg(response: Response, base: float | None, goal: float) -> tuple[Leg, ...]:
    """One pull at the last duty first, before a step up: the car must be as it was."""
    if base is None or goal <= base + 0.25:
        return ()
    gear = next((g for g in response.gears if g.gear == response.main), None)
    if gear is None or gear.curve is None:
        return ()
    low, middle, high = gear.curve.interval(base, relative=response.air.relative)
    return (
        Leg(
            base,
            1,
            "as last time: outside this range, stop and look for why",
            _lift(response, high),
            middle,
            low,
            high,
        ),
    )


def _back_leg(response: Response, duty: float) -> Leg:
    """Pulls at the last duty that was clear, once what held the night is mended."""
    if duty <= 0.0:
        return _base_leg(response.car)
    pulls, why = int(figures("evening")["pulls_per_step"]), "once that is mended, and no higher"
    gear = next((g for g in response.gears if g.gear == response.main), None)
    if gear is None:
        return Leg(duty, pulls, why, _lift(response, None))
    low, middle, high = gear.curve.interval(duty, relative=response.air.relative)
    return Leg(duty, pulls, why, _lift(response, high), middle, low, high)


def _cool_down(response: Response | None) -> tuple[float, str]:
    """Seconds between pulls until a pull's heat has mostly gone, in half minutes, and where that
    comes from.
    """
    setting = figures("evening")
    taus = (
        response.evidence.rows["intake_recovery_s"].drop_nulls().to_list()
        if response is not None
        else []
    )
    if not taus:
        return setting["cool_down_s"], "a guess till the minutes after a pull are logged"
    tau = statistics.median(taus)
    wanted = -math.log(setting["recovered_share"]) * tau
    held = min(max(wanted, setting["least_cool_down_s"]), setting["most_cool_down_s"])
    return 30.0 * math.ceil(
        held / 30.0 - 1e-9
    ), f"that is what the intake air took to recover in {len(taus)} pulls"


def _ends(car: Car, legs: tuple[Leg, ...], *, afr: float | None) -> tuple[str, ...]:
    table, setting = limits_for(car), figures("evening")
    hold = {
        name: table.row(code, name).hold
        for code, name in (
            ("mixture.lean", "lean_lambda"),
            ("knock.retard", "knock_retard_max_deg"),
            ("heat.coolant", "coolant_peak_c"),
            ("heat.intake", "intake_peak_c"),
        )
    }
    lift = max((leg.lift for leg in legs), default=_first_lift(car))
    leanest = hold["lean_lambda"]
    assert leanest is not None  # it has a row of the table, and an owner can't take it away
    lean = f"Lambda {leanest:.2f}"
    if afr is not None:
        lean = f"Air-fuel ratio {leanest * afr:.1f} (lambda {leanest:.2f})"
    return (
        f"Boost at {lift:.1f} kPa: lift at once, whatever the limit",
        "Boost outside the range given for its duty",
        f"{lean} or leaner under boost: lift",
        f"Knock retard of {hold['knock_retard_max_deg']:.0f} °, or knock heard: lift",
        f"Coolant at {hold['coolant_peak_c']:.0f} °C, intake air at {hold['intake_peak_c']:.0f} °C",
        "A misfire, a new noise, smell or smoke; wheelspin; rain",
        f"{setting['most_pulls']:.0f} pulls, whatever is left to log",
    )


def _notes(car: Car) -> tuple[str, ...]:
    said = []
    if car.boost_limit_kpa is None:
        said.append("The car file gives no boost limit (limit): steps are halved.")
    if car.spring_kpa is None:
        said.append(
            "The car file gives no spring (spring): the first lifts are a cautious figure that "
            "fits most springs; with it they stand a little over the spring's boost."
        )
    return tuple(said)


def document_of_plan(made: Plan) -> dict[str, Any]:
    """The document 'pullaudit.plan', version 1. Pressures kPa (boost gauge)."""
    from audit import __version__

    setting = figures("evening")
    told = ("gear", "us_units", "history", "lead", "cool_down_s")
    listed = ("before", "ends", "notes")
    return {
        "document": "pullaudit.plan",
        "version": 1,
        "tool": __version__,
        "car": made.car.name,
        "setting": made.setting or None,
        "inspect": list(INSPECT),
        "decision": None if made.decision is None else made.decision.plain(),
        "warm_up": {"coolant_c": setting["warm_coolant_c"], "oil_c": setting["warm_oil_c"]},
        "legs": [_leg(leg) for leg in made.legs],
        "after": made.after or None,
        "cool_down_from": made.cool_from,
        **{name: getattr(made, name) for name in told},
        **{name: list(getattr(made, name)) for name in listed},
    }


def _leg(leg: Leg) -> dict[str, Any]:
    boosts = ("expected", "low", "high", "lift")
    plain = {f"{name}_kpa": number(getattr(leg, name)) for name in boosts}
    return {"duty_pct": number(leg.duty), "pulls": leg.pulls, "why": leg.why, **plain}
