"""The evening ahead: what to inspect, the duties in order, cool-downs, and what ends it."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import Any

from audit.archive.step.response import Response, bounds_of
from audit.archive.step.response_document import number
from audit.archive.step.step_table import figures
from audit.model import Car
from audit.tables import limits_for

INSPECT = (
    "Ball joints, tie rods, wheel bearings",
    "Tyres: pressure, tread, age; wheel nuts",
    "Hoses, clamps: air, coolant, fuel, vacuum",
    "Wastegate lines, solenoid plug: tight",
    "Fluids: oil, coolant, brake; no leak below",
    "Fuel: the right one, and enough of it",
    "Belts and brakes",
    "Logger: duty, manifold pressure, lambda, charge temperature, engine speed",
    "Dyno or closed course; someone with you",
)


@dataclass(frozen=True)
class Leg:
    """Pulls at one duty. expected, low, high: settled boost in kPa gauge, None where nothing backs a figure."""

    duty: float
    pulls: int
    why: str
    expected: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Plan:
    """legs: in order, () where nothing may be logged; lead: the sentence before them; after: that follows them.
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


def plan(car: Car, response: Response | None = None) -> Plan:
    """The evening of a car; without a response (or with one that holds no pull) that of a new car."""
    known = response if response is not None and response.evidence.n else None
    lead, legs, after = _from_response(known) if known is not None else _new_car(car, response)
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
        _ends(car),
        notes,
        us,
    )


def _new_car(car: Car, response: Response | None) -> tuple[str, tuple[Leg, ...], str]:
    """Fixed duty from the table's first and up, each screened before the next."""
    step, pulls = figures("step"), int(figures("evening")["pulls_per_step"])
    if response is not None and response.step.binds == "last_night":
        return f"{response.step.sentence} {response.step.log_next}", (), ""
    first = max(step["first_duty"], car.duty_min_pct)
    size = step["duty"] * (1.0 if car.boost_limit_kpa is not None else step["strict_share"])
    lead = "Nothing is logged of this car yet. One gear, the duty held fixed, no boost controller at work."
    legs = (
        Leg(first, pulls, "expect the spring's boost, no more"),
        Leg(
            first + size, pulls, "only when the first are screened, clear, and well under the limit"
        ),
    )
    return (
        lead,
        legs,
        "Screen them into the archive. The next duty comes from `pullaudit response`, not from this sheet.",
    )


def _from_response(response: Response) -> tuple[str, tuple[Leg, ...], str]:
    step, pulls = response.step, int(figures("evening")["pulls_per_step"])
    after = "Screen the evening into the archive before any higher duty."
    if step.binds == "last_night" or (step.action == "refuse" and step.duty is None):
        return " ".join(filter(None, (step.sentence, step.log_next))), (), after
    if step.action == "refuse":
        assert step.duty is not None
        return (
            step.sentence,
            (
                *_check_leg(response, step.from_duty, step.duty),
                Leg(step.duty, pulls, step.log_next),
            ),
            after,
        )
    assert step.duty is not None
    why = {"up": "the next step", "down": "back to the target", "stay": "the same again"}[
        step.action
    ]
    goal = Leg(step.duty, pulls, why, step.expected, step.low, step.high)
    return step.sentence, (*_check_leg(response, step.from_duty, step.duty), goal), after


def _check_leg(response: Response, base: float | None, goal: float) -> tuple[Leg, ...]:
    """One pull at the last duty first, before a step up: the car must be as it was."""
    if base is None or goal <= base + 0.25:
        return ()
    gear = next((g for g in response.gears if g.gear == response.main), None)
    if gear is None or gear.curve is None:
        return ()
    low, middle, high = gear.curve.interval(base, relative=response.air.relative)
    return (
        Leg(base, 1, "as last time: outside this range, stop and look for why", middle, low, high),
    )


def _cool_down(response: Response | None) -> tuple[float, str]:
    """Seconds between pulls until a pull's heat has mostly gone, in half minutes, and where that comes from."""
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
    ), f"charge temperature recovered with a time constant of {tau:.0f} s in {len(taus)} pulls"


def _ends(car: Car) -> tuple[str, ...]:
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
    if car.boost_limit_kpa is not None:
        cap = f"Boost at {car.boost_limit_kpa:.1f} kPa, the car's limit: lift"
    elif car.target_kpa is not None:
        cap = f"Boost at {bounds_of(car, car.target_kpa).limit_kpa:.1f} kPa (no limit in the car file): lift at once"
    else:
        cap = "Boost over what you meant to see (no limit in the car file): lift at once"
    return (
        cap,
        "Boost outside the range given for its duty",
        f"Lambda {hold['lean_lambda']:.2f} or leaner under boost: lift",
        f"Knock retard of {hold['knock_retard_max_deg']:.0f} °, or knock heard: lift",
        f"Coolant at {hold['coolant_peak_c']:.0f} °C, charge at {hold['intake_peak_c']:.0f} °C",
        "A misfire, a new noise, smell or smoke; wheelspin; rain",
        f"{setting['most_pulls']:.0f} pulls, whatever is left to log",
    )


def _notes(car: Car) -> tuple[str, ...]:
    if car.boost_limit_kpa is not None:
        return ()
    return ("The car file gives no boost limit (boost.limit_kpa): steps are halved.",)


def document_of_plan(made: Plan) -> dict[str, Any]:
    """The document 'pullaudit.plan', version 1. Pressures kPa (boost gauge)."""
    from audit import __version__

    setting = figures("evening")
    return {
        "document": "pullaudit.plan",
        "version": 1,
        "tool": __version__,
        "car": made.car.name,
        "setting": made.setting or None,
        "gear": made.gear,
        "us_units": made.us_units,
        "inspect": list(INSPECT),
        "warm_up": {"coolant_c": setting["warm_coolant_c"], "oil_c": setting["warm_oil_c"]},
        "lead": made.lead,
        "legs": [_leg(leg) for leg in made.legs],
        "after": made.after or None,
        "cool_down_s": made.cool_down_s,
        "cool_down_from": made.cool_from,
        "ends": list(made.ends),
        "notes": list(made.notes),
    }


def _leg(leg: Leg) -> dict[str, Any]:
    return {
        "duty_pct": number(leg.duty),
        "pulls": leg.pulls,
        "why": leg.why,
        "expected_kpa": number(leg.expected),
        "low_kpa": number(leg.low),
        "high_kpa": number(leg.high),
    }
