"""A next step as a noun, what it is held against, and the tables that size and word it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

from audit.model import Car
from audit.tables import toml_table

HIGHEST_AMBIENT_KPA = 105.0
ROUNDING_PCT = 0.05  # logged duty is rounded


class ProjectedRow(NamedTuple):
    """A measure that is carried on to the next step's boost; slope and sd a kPa, noise in its unit;
    over_air: it stands on the outside air.
    """

    measure: str
    trend: str
    code: str
    label: str
    unit: str
    slope: float
    sd: float
    noise: float
    over_air: bool = False


@cache
def figures(group: str) -> Mapping[str, float]:
    """The single figures of a group of schemas/steps.toml ('step', 'curve'), each in its unit."""
    rows = toml_table("steps.toml")[group]
    return {name: float(row["value"]) for name, row in rows.items() if "value" in row}


@cache
def choices(name: str) -> tuple[float, ...]:
    """The values of a figure of the curve that the data weigh."""
    return tuple(float(v) for v in toml_table("steps.toml")["curve"][name]["values"])


@cache
def projected_rows() -> tuple[ProjectedRow, ...]:
    """What is projected, in the table's order."""
    rows = toml_table("steps.toml")["projected"]
    return tuple(
        ProjectedRow(**{k: v for k, v in r.items() if k not in ("why", "source")}) for r in rows
    )


def words(group: str) -> Mapping[str, Any]:
    """The sentences of a group of schemas/step_words.toml, figures to be filled in."""
    rows: Mapping[str, Any] = toml_table("step_words.toml")[group]
    return rows


def said(group: str, key: str, **figures: Any) -> str:
    """One of these sentences, filled in."""
    return str(words(group)[key]).format(**figures)


class Overshoot(NamedTuple):
    """worst_kpa: highest peak over the settled level seen; share: the same over the settled level;
    spread_kpa: sd. seen: False where no pull could show it.
    """

    worst_kpa: float
    share: float
    spread_kpa: float
    seen: bool

    def allowance(self, settled_kpa: float) -> float:
        """What a peak may stand above a settled level, kPa."""
        return max(self.worst_kpa, self.share * settled_kpa) + self.spread_kpa


class Air(NamedTuple):
    """Last night's: density over the reference's, ambient pressure in kPa absolute."""

    relative: float
    barometric_kpa: float


class Bounds(NamedTuple):
    """What no step may pass. limit_kpa: gauge; assumed: why it is not the car file's, "" if it is.
    duty_min_pct: the solenoid does not move below it, so a step is counted from there.
    unproven_pct: the highest duty while boost was not seen to follow duty; None once it was.
    large_pct: the most duty of a step over step_pct, where the curve speaks for one; None for none.
    """

    target_kpa: float
    limit_kpa: float
    assumed: str
    sensor_top_kpa: float | None
    duty_max_pct: float
    step_pct: float
    step_kpa: float
    unproven_pct: float | None = None
    large_pct: float | None = None
    duty_min_pct: float = 0.0


def bounds_of(car: Car, target: float) -> Bounds:
    """The bounds of a car for a target in kPa gauge; strict where the car file gives no limit."""
    setting, limit = figures("step"), car.boost_limit_kpa
    share, assumed = 1.0, ""
    if limit is None:
        share, limit = setting["strict_share"], target + setting["strict_over_target"]
        assumed = "the strict limit taken for want of one in the car file"
    steps = setting["duty"] * share, setting["boost"] * share
    ends = car.sensor_top_kpa, car.duty_max_pct
    return Bounds(target, limit, assumed, *ends, *steps, duty_min_pct=car.duty_min_pct)


def first_duty(car: Car) -> float:
    """The first duty above none that may be tried after a base run, %: as from one duty to a
    second, between the spring's boost with overshoot on it and the limit; at least the smallest
    step.
    """
    setting, spring = figures("step"), car.spring_kpa
    peak = figures("curve")["spring_kpa"] if spring is None else spring
    bounds = bounds_of(car, math.inf)
    second = second_duty(0.0, peak + setting["overshoot_unseen"], bounds)
    least = min(car.duty_min_pct + setting["least"], car.duty_max_pct)
    return least if second is None else second


def second_duty(top: float, peak: float, bounds: Bounds) -> float | None:
    """The duty to log after one duty alone, None where there is no room: no slope is known, so the
    steepest that valves have must leave some over the highest peak, kPa gauge.
    """
    setting = figures("step")
    sensor = math.inf if bounds.sensor_top_kpa is None else bounds.sensor_top_kpa
    sensor -= setting["sensor_margin"] + HIGHEST_AMBIENT_KPA
    room = min(bounds.limit_kpa, sensor) - peak
    start = max(top, bounds.duty_min_pct)  # after a base run the solenoid's least duty is no step
    step = min(bounds.step_pct, room / setting["first_rise"], bounds.duty_max_pct - start)
    second = whole(start + step + ROUNDING_PCT)
    return None if second < start + setting["least"] - ROUNDING_PCT else second


def whole(duty: float) -> float:
    """The advised duty at or below one, %: a multiple of the smallest step."""
    least = figures("step")["least"]
    return math.floor(duty / least) * least


@dataclass(frozen=True)
class Step:
    """action: 'up', 'stay', 'down' or 'refuse'. duty: to try next, % (None for refuse). expected,
    low, high: settled boost there, kPa gauge, 90 % interval of the next pull; peak: upper end with
    colder air and overshoot. binds: the bound, one word; sentence: for people, canonical units;
    log_next: what to log, "" for nothing. target_duty: (lower, median, upper) duty for the target,
    each None where 100 % does not reach it.
    """

    action: str
    gear: int
    sentence: str
    binds: str = ""
    from_duty: float | None = None
    duty: float | None = None
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    peak: float | None = None
    limit: float | None = None
    target: float | None = None
    target_duty: tuple[float | None, float | None, float | None] = (None, None, None)
    log_next: str = ""


def worded(key: str, gear: int, binds: str = "", *, say: Any = None, **known: Any) -> Step:
    """A step by a row of the table of words. binds: the bound, else that of the row, else its name.
    say: figures of the sentences beside those of the step, `known`.
    """
    named = f"gear {gear}" if gear else "a gear not known"
    row, figures = words("step")[key], {"gear_said": named, **known, **(say or {})}
    sentence, then = (row.get(name, "").format(**figures) for name in ("said", "next"))
    binds = binds or row.get("binds", key)
    return Step(row["action"], gear, sentence, binds, log_next=then, **known)
