"""Temperatures, °C, °F or K, judged together because one logger hardly ever mixes them.

Does not see: one lone air temperature between 25 and 75 without a unit.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from audit.intake.units import measured as see
from audit.intake.units.candidates import by_unit
from audit.intake.units.decide import Decision, Scored, Source
from audit.intake.units.evidence import Measured, decided, weigh
from audit.intake.units.railed import temperature_without_rails
from audit.intake.units.scene import Scene
from audit.model import Array
from audit.signal.arrays import median_of_finite

SAME_FILE = 5.0  # most that the other temperatures' unit weighs
AS_COLD = 12.0  # °C, °F or K between water and air of an engine that has stood
WARMS = 4.0  # °C, °F or K that its water must rise by, to be told from a sensor of the air
LEAST_COLD = 20  # samples
WATER, AIR = "coolant_temp", "intake_air_temp"


def temperatures(
    columns: Mapping[str, Source], scene: Scene, *, us_hint: float
) -> dict[str, Decision]:
    """Channel -> decision. us_hint: points for °F from the rest of the file (psi, mph), negative
    for °C.
    """
    columns = {
        n: s._replace(values=temperature_without_rails(n, s.values)) for n, s in columns.items()
    }
    scores = {n: by_unit(n, s, us_hint) for n, s in columns.items()}
    cold = _cold_start(columns.get(WATER), columns.get(AIR))
    known: dict[str, float] = {}
    found: dict[str, Measured] = {}
    for name in sorted(columns, key=lambda n: n != WATER):  # air is held against the water
        source = columns[name]
        one = see.measure(name, source, scene)
        there = bool(np.isfinite(source.values).any())
        middle = median_of_finite(source.values) if there else None
        seen = {**one.seen, "middle": middle, "cold_start": cold if name in (WATER, AIR) else None}
        found[name] = one._replace(seen=seen, known=known)
        weigh(scores[name], name, found[name])
        if name == WATER and middle is not None:
            best = max(scores[WATER], key=lambda s: s.total)
            known = {"water": best.candidate.turned(middle)}
    _lean_on_the_rest(columns, scores)
    return {n: decided(n, scores[n], source, found[n]) for n, source in columns.items()}


def _cold_start(coolant: Source | None, air: Source | None) -> float | None:
    """What air reads at first where coolant starts as cold and rises: both at the weather's
    temperature, so that no start is hotter than that.
    """
    if coolant is None or air is None or (air.stated is None) != (coolant.stated is None):
        return None
    water, breath = (_finite(c.values) for c in (coolant, air))
    if (
        min(len(water), len(breath)) < LEAST_COLD
        or abs(float(water[0]) - float(breath[0])) > AS_COLD
        or float(water[-1] - water[0]) < WARMS
    ):
        return None
    return float(breath[0])


def _finite(values: Array) -> Array:
    return np.asarray(values[np.isfinite(values)])


def _lean_on_the_rest(columns: Mapping[str, Source], scores: Mapping[str, list[Scored]]) -> None:
    """Unstated columns follow what the others, stated or sure by physics, are in."""
    leads: dict[str, tuple[str, float]] = {}
    for name, source in columns.items():
        stated = source.stated is not None
        points = [(s.total if stated else s.evidence, s.candidate.unit.key) for s in scores[name]]
        (best, key), (second, _) = sorted(points, key=lambda p: -p[0])[:2]
        leads[name] = key, min(best - second, SAME_FILE + 1.0)
    for name, source in columns.items():
        for one in scores[name] if source.stated is None else ():
            key = one.candidate.unit.key
            others = sum(lead for n, (k, lead) in leads.items() if k == key and n != name)
            one.add(
                min(others, SAME_FILE),
                "the other temperatures are in this unit" if others >= 1.0 else "",
            )
