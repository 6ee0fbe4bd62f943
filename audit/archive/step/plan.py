"""The evening ahead: what to inspect, the duties in order, cool-downs, and what ends it."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import Any

from audit.archive.step.first import first_duty
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


@dataclass(frozen=True)
class Leg:
    """Pulls at one duty, 0 with the solenoid unplugged. expected, low, high: settled boost in kPa
    gauge, None
    where nothing backs a figure; lift: boost at which to lift, never the car's limit, None where
    none is known."""

    duty: float
    pulls: int
    why: str
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    lift: float | None = None


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


def plan(car: Car, response: Response | None = None) -> Plan:
    """The evening of a car; without a response (or with one that holds no pull) that of a new
    car.
    """
    known = response if response is not None and response.evidence.n else None
    history = response is not None and response.nights > 0
    if known is not None:
        before: tuple[str, ...] = ()
        lead, legs, after = _from_response(known)
    elif response is not None and response.step.binds == "last_night":
        before, legs, after = (), (), ""
        lead = f"{response.step.sentence} {response.step.log_next}"
    else:
        before = _before(car)
        lead, legs, after = _new_car(car, response if history else None)
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
        _ends(car, legs),
        notes,
        us,
        before,
        response.decision if response is not None else None,
        history,
    )


def _before(car: Car) -> tuple[str, ...]:
    """What a new car's first evening sets and tries before a pull."""
    lift = _first_lift(car)
    cut = f"{lift:.1f} kPa" if lift is not None else "little over the spring's boost"
    return (
        f"Boost cut of the engine computer: set it to {cut} for tonight",
        "Try it: set under the spring's boost it must cut a gentle pull; set it back",
        "Solenoid, engine off, key on: it must click at some duty",
        "An alarm or someone beside calls: the driver watches the road, never a screen",
    )


def _first_lift(car: Car) -> float | None:
    """Where to lift in a base run, kPa gauge: spring and a little, well under the car's limit."""
    setting = figures("evening")
    if car.spring_kpa is None:
        return None
    return _under_limit(car, car.spring_kpa + setting["lift_over_spring"])


def _under_limit(car: Car, boost: float) -> float:
    if car.boost_limit_kpa is None:
        return boost
    return min(boost, car.boost_limit_kpa - figures("evening")["lift_under_limit"])


def _new_car(car: Car, response: Response | None) -> tuple[str, tuple[Leg, ...], str]:
    """A base run on the spring, then the first duties, each screened before the next."""
    pulls = int(figures("evening")["pulls_per_step"])
    lead = (
        "Nothing is logged of this car yet. One gear, the duty held fixed, no boost controller at "
        "work."
    )
    if response is not None:
        lead = f"{response.step.sentence} {response.step.log_next} Till then as for a new car."
    first, lift = first_duty(car), _first_lift(car)
    legs = (
        _base_leg(car),
        Leg(
            first,
            pulls,
            "only when the base run is screened and clear; boost must rise over it, never fall",
            lift=lift,
        ),
    )
    after = (
        f"`pullaudit screen LOGS --archive DIR --duty {_typed(first)}` names the next duty; "
        "`pullaudit plan --archive DIR` prints its sheet."
    )
    return lead, legs, after


def _base_leg(car: Car) -> Leg:
    """A base run: the spring's boost, as near as it is known."""
    spring, doubt = car.spring_kpa, figures("curve")["known_spring_sd"]
    low = None if spring is None else max(spring - doubt, 0.0)
    high = None if spring is None else spring + doubt
    return Leg(
        0.0,
        int(figures("evening")["pulls_per_step"]),
        "base run, solenoid unplugged: the spring alone",
        spring,
        low,
        high,
        _first_lift(car),
    )


def _from_response(response: Response) -> tuple[str, tuple[Leg, ...], str]:
    step, pulls = response.step, int(figures("evening")["pulls_per_step"])
    after = "`pullaudit screen LOGS --archive DIR` before any higher duty; then plan again."
    if step.duty is not None:
        after += f" No duty in the log? Say it: --duty {_typed(step.duty)}"
        check = _check_leg(response, step.from_duty, step.duty)
        after += "".join(f", of the first one --duty LOG={_typed(leg.duty)}" for leg in check) + "."
    if step.binds == "last_night" or (step.action == "refuse" and step.duty is None):
        return " ".join(filter(None, (step.sentence, step.log_next))), (), after
    assert step.duty is not None
    lift = _lift(response, step.high)
    if step.action == "refuse":
        legs = (
            *_check_leg(response, step.from_duty, step.duty),
            Leg(step.duty, pulls, step.log_next, lift=lift),
        )
        return step.sentence, legs, after
    why = {"up": "the next step", "down": "back to the target", "stay": "the same again"}[
        step.action
    ]
    if step.binds == "base_run":
        return step.sentence, (_base_leg(response.car),), after
    goal = Leg(step.duty, pulls, why, step.expected, step.low, step.high, lift)
    return step.sentence, (*_check_leg(response, step.from_duty, step.duty), goal), after


def _typed(duty: float) -> str:
    """A duty as one types it: no more digits than the pages show."""
    return f"{round(duty, 1):g}"


def _lift(response: Response, high: float | None) -> float | None:
    """Where to lift: a usual overshoot over the upper end of what is expected, well under the
    limit, kPa gauge.
    """
    gear = next((g for g in response.gears if g.gear == response.main), None)
    if gear is None:
        return None
    if high is None:  # a second duty, no slope known: what the steepest valve may bring
        seen = [level.high for level in gear.valve.levels]
        high = max(seen) + figures("step")["first_rise"] * figures("step")["duty"] if seen else None
    if high is None:
        return None
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
            middle,
            low,
            high,
            _lift(response, high),
        ),
    )


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
        return setting[
            "cool_down_s"
        ], "nothing logged tells how this car recovers; log the minutes after a pull too"
    tau = statistics.median(taus)
    wanted = -math.log(setting["recovered_share"]) * tau
    held = min(max(wanted, setting["least_cool_down_s"]), setting["most_cool_down_s"])
    return 30.0 * math.ceil(
        held / 30.0 - 1e-9
    ), f"that is what the intake air took to recover in {len(taus)} pulls"


def _ends(car: Car, legs: tuple[Leg, ...]) -> tuple[str, ...]:
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
    lifts = [leg.lift for leg in legs if leg.lift is not None]
    if lifts:
        cap = f"Boost at {max(lifts):.1f} kPa: lift at once, whatever the limit"
    elif car.boost_limit_kpa is not None:
        most = car.boost_limit_kpa - setting["lift_under_limit"]
        cap = f"Boost at {most:.1f} kPa, under the car's limit: lift"
    else:
        cap = "Boost over what you meant to see (no limit in the car file): lift at once"
    return (
        cap,
        "Boost outside the range given for its duty",
        f"Lambda {hold['lean_lambda']:.2f} or leaner under boost: lift",
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
            "The car file gives no spring (spring): with it, the sheet names where to lift in the "
            "base run."
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
