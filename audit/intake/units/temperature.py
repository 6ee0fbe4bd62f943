"""Temperatures by physics: °C, °F or K, judged together because one logger rarely mixes them.

Evidence: a warmed engine holds 75 to 108 °C of coolant; on a cold start intake air, coolant and
ambient agree; air is rarely under -15 or over 75 °C; nothing outside is hotter than the coolant of
a warm engine. Common practice, no published source. Does not see: one lone air temperature between
25 and 75 without a unit.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from audit.intake.names.unit_text import Unit, units
from audit.intake.units.decide import STATED, Decision, Scored, decide, plain, window
from audit.intake.units.scene import Scene, quantile
from audit.model import Array, base_of
from audit.signal.arrays import median, median_of_finite

KEYS = ("c", "f", "k")
WARM = (74.0, 112.0)
WARMS_UP = 0.6  # °C a second, driven hard from cold
SAME_FILE = 5.0  # one logger hardly ever mixes units


@dataclass(frozen=True, slots=True)
class Column:
    """One temperature column: thinned source values and what the file says of its unit."""

    channel: str
    values: Array
    stated: Unit | None
    stated_from: str

    @property
    def kind(self) -> str:
        """The quantity: 'intake_air_temp' for 'intake_air_temp_2'."""
        return base_of(self.channel)


def temperatures(columns: Sequence[Column], scene: Scene, *, us_hint: float) -> dict[str, Decision]:
    """Channel -> decision. us_hint: points for °F from the rest of the file (psi, mph), negative
    for °C.
    """
    table = [units()[key] for key in KEYS]
    scores: dict[str, list[Scored]] = {}
    for column in columns:
        ones = []
        for unit in table:
            prior = 0.0 if column.stated is None or column.stated.key == unit.key else -STATED
            if column.stated is None:
                prior += us_hint if unit.key == "f" else -3.0 if unit.key == "k" else 0.0
            one = Scored(plain(unit), prior)
            _add_evidence(one, column, scene)
            ones.append(one)
        scores[column.channel] = ones
    _weigh_against_coolant(columns, scores)
    _lean_on_the_rest(columns, scores)
    return {c.channel: _decide(c, scores[c.channel]) for c in columns}


def _decide(column: Column, ones: Sequence[Scored]) -> Decision:
    finite = np.sort(column.values[np.isfinite(column.values)])
    return decide(
        ones,
        stated=column.stated,
        stated_from=column.stated_from,
        typical=quantile(finite, 0.9) if len(finite) else 1.0,
        safest=column.kind != "coolant_temp",
    )


def _add_evidence(one: Scored, column: Column, scene: Scene) -> None:
    finite = np.sort(column.values[np.isfinite(column.values)])
    if len(finite) == 0:
        return
    low, mid, high = (one.candidate.turned(quantile(finite, q)) for q in (0.02, 0.5, 0.98))
    if column.kind == "coolant_temp":
        _weigh_coolant(one, column, scene, low, high)
    elif column.kind == "exhaust_gas_temp":
        one.add(window(high, 150.0, 1050.0, 40.0, 10.0), "it is no exhaust temperature")
        one.add(window(low, -20.0, 1000.0, 15.0, 8.0))
    elif column.kind == "oil_temp":
        one.add(window(high, 20.0, 145.0, 10.0, 12.0), "it is too hot or too cold for oil")
        one.add(window(low, -20.0, 130.0, 8.0, 10.0))
        one.add(window(mid, 55.0, 130.0, 35.0, 1.5))
    else:
        top = {"ambient_air_temp": 45.0, "fuel_temp": 75.0}.get(column.kind, 95.0)
        one.add(
            window(high, -2.0, top, 7.0, 12.0),
            f"it is too hot or too cold for {column.kind.replace('_', ' ')}",
        )
        one.add(window(low, -18.0, top - 15.0, 5.0, 12.0), "it is colder than air is driven in")
        one.add(window(mid, 8.0, min(top, 62.0), 9.0, 3.5))


def _weigh_coolant(one: Scored, column: Column, scene: Scene, low: float, high: float) -> None:
    one.add(window(high, 15.0, 122.0, 5.0, 14.0), "it is too hot or too cold for coolant")
    one.add(window(low, -25.0, 118.0, 5.0, 14.0), "it is colder than any morning")
    values = column.values[np.isfinite(column.values)]
    late = one.candidate.turned(median(values[-max(len(values) // 4, 1) :]))
    early = one.candidate.turned(median(values[: max(len(values) // 10, 1)]))
    running = (
        scene.rpm is None or bool(median_of_finite(scene.rpm) > 400.0) if len(scene.time) else False
    )
    if not running:
        return
    settled = abs(late - early) < 4.0
    lasted = float(scene.time[-1] - scene.time[0])
    if lasted > 15.0:  # between the middles of the first tenth and of the last quarter
        one.add(
            window((late - early) / (0.825 * lasted), -1.0, WARMS_UP, 0.3, 4.0),
            "no coolant warms up so fast",
        )
    if WARM[0] <= late <= WARM[1]:
        one.add(3.0 if settled else 1.5, "it is a warm engine's coolant")
    elif settled:
        one.add(window(late, *WARM, 14.0, 6.0), "the engine would run and never warm up")
    else:
        one.add(window(late, 30.0, WARM[1], 14.0, 5.0))


def _weigh_against_coolant(columns: Sequence[Column], scores: Mapping[str, list[Scored]]) -> None:
    """Air should not be hotter than a warm engine's coolant, whichever unit air is in."""
    by_name = {c.channel: c for c in columns}
    coolant = by_name.get("coolant_temp")
    if coolant is None or not np.isfinite(coolant.values).any():
        return
    _weigh_cold_start(coolant, by_name, scores)
    best = max(scores["coolant_temp"], key=lambda s: s.total)
    water = best.candidate.turned(median_of_finite(coolant.values))
    for column in columns:
        airy = column.kind in ("intake_air_temp", "ambient_air_temp")
        if not airy or not np.isfinite(column.values).any():
            continue
        for one in scores[column.channel]:
            air = one.candidate.turned(median_of_finite(column.values))
            one.add(
                window(air, -40.0, max(water + 6.0, 30.0), 8.0, 4.0),
                "air would be hotter than the coolant",
            )


def _weigh_cold_start(
    coolant: Column, by_name: Mapping[str, Column], scores: Mapping[str, list[Scored]]
) -> None:
    """Coolant that starts where the air is, and rises: a cold engine, so both were at the weather's
    temperature.
    """
    air = by_name.get("intake_air_temp")
    if air is None or (air.stated is None) != (coolant.stated is None):
        return
    water, breath = (c.values[np.isfinite(c.values)] for c in (coolant, air))
    if (
        len(water) < 20
        or len(breath) < 20
        or abs(float(water[0]) - float(breath[0])) > 12.0
        or float(water[-1] - water[0]) < 4.0
    ):
        return
    for column in (coolant, air):
        for one in scores[column.channel]:
            one.add(
                window(one.candidate.turned(float(breath[0])), -22.0, 42.0, 6.0, 5.0),
                "a cold start would begin hotter than the weather",
            )


def _lean_on_the_rest(columns: Sequence[Column], scores: Mapping[str, list[Scored]]) -> None:
    """Unstated columns follow what the others, stated or sure by physics, are in."""
    votes = dict.fromkeys(KEYS, 0.0)
    sure: dict[str, tuple[str, float]] = {}
    for column in columns:
        stated = column.stated is not None
        ranked = sorted(scores[column.channel], key=lambda s: -(s.total if stated else s.evidence))
        lead = (
            ranked[0].total - ranked[1].total if stated else ranked[0].evidence - ranked[1].evidence
        )
        lead = min(lead, SAME_FILE + 1.0)
        sure[column.channel] = (ranked[0].candidate.unit.key, max(lead, 0.0))
        votes[ranked[0].candidate.unit.key] += max(lead, 0.0)
    for column in columns:
        if column.stated is not None:
            continue
        own_key, own = sure[column.channel]
        for one in scores[column.channel]:
            key = one.candidate.unit.key
            others = votes[key] - (own if key == own_key else 0.0)
            one.add(
                min(others, SAME_FILE),
                "the other temperatures are in this unit" if others >= 1.0 else "",
            )
