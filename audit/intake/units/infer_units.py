"""The unit of every named column, by what the file says and what physics allows.

Order matters: engine speed and throttle set the scene, ambient pressure comes before manifold
pressure, manifold pressure before its target; temperatures are judged together because one logger
hardly ever mixes them. Does not see: one lone air temperature between 25 and 75 without a unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from audit.intake.units import barometric, candidates
from audit.intake.units import measured as see
from audit.intake.units.evidence import STATED, Decision, Measured, Scored, Source, decide, weigh
from audit.intake.units.scene import Scene, opening_of, temperature_without_rails, without_dropouts
from audit.model import Array, Barometric, Car, base_of
from audit.tables import row_of, toml_table
from audit.units import Unit, turned, units

HINT, MOST_HINT = 0.7, 1.5  # points a column, and in all
NEAR_GEAR = 0.04  # of its ratio: a sample driven in that gear
# In the file's unit: an engine that has done no more than idle, where this is rpm; common practice,
# no published source.
STANDING = 1200.0
OUT_OF_GEAR = 10.0  # points lost were no sample in a gear of the car's
SAME_FILE = 5.0  # most that the other temperatures' unit weighs
AS_COLD = 12.0  # °C, °F or K between water and air of an engine that has stood
WARMS = 4.0  # °C, °F or K that its water must rise by, to be told from a sensor of the air
LEAST_COLD = 20  # samples
WATER, AIR = "coolant_temp", "intake_air_temp"


def infer_units(
    sources: Mapping[str, Source],
    time: Array,
    car: Car,
    *,
    second: Mapping[str, tuple[Array, Unit | None]],
) -> tuple[dict[str, Decision], Barometric]:
    """A decision for each channel, and the ambient pressure that gauge readings were turned with.

    time: s, thinned like the sources. second: for a channel, another column that reads as it too
    (boost beside MAP, GPS speed beside speed).
    """
    speed, unit = second.get("vehicle_speed", (None, None))
    kmh = None if speed is None or unit is None else speed * unit.scale
    scene = Scene(time, second_kmh=kmh, geared=bool(car.rpm_per_kmh))
    reading = _Reading(sources, scene, car, second)
    reading.engine()
    reading.pressures()
    stated = {n: s.stated for n, s in sources.items()} | reading.sure_units()
    warm = {n: s for n, s in sources.items() if row_of(n).quantity == "temperature"}
    reading.found |= temperatures(warm, reading.scene, us_hint=_us_hint(stated.values()))
    pressure = reading.sure("manifold_pressure")  # what follows is seen beside what is sure alone
    reading.scene = replace(reading.scene, manifold_kpa=pressure)
    hint = _us_hint(reading.sure_units().values())
    for name in sorted(sources, key=lambda n: n != "vehicle_speed"):
        if name not in reading.found:
            reading.found[name] = reading.other(name, hint)
    return reading.found, reading.barometric


def _us_hint(known: Iterable[Unit | None]) -> float:
    """Points for °F and mph from the units of the other columns, negative for °C and km/h."""
    system = toml_table("units.toml")["system"]
    keys = [u.key for u in known if u is not None]
    points = sum((k in system["us"]) - (k in system["metric"]) for k in keys)
    return float(np.clip(HINT * points, -MOST_HINT, MOST_HINT))


@dataclass
class _Reading:
    """The columns of one log while their units are being decided."""

    sources: Mapping[str, Source]
    scene: Scene
    car: Car
    second: Mapping[str, tuple[Array, Unit | None]]
    found: dict[str, Decision] = field(default_factory=dict)
    barometric: Barometric = barometric.ASSUMED

    def sure_units(self) -> dict[str, Unit]:
        return {n: d.candidate for n, d in self.found.items() if not d.doubtful}

    def values(self, name: str) -> Array:
        """A decided channel's thinned values in its canonical unit."""
        return turned(self.sources[name].values, self.found[name].candidate)

    def sure(self, name: str) -> Array | None:
        """The same; None when the channel is not there or in doubt."""
        return self.values(name) if name in self.sure_units() else None

    def judge(
        self, name: str, scored: Sequence[Scored], source: Source, seen: Measured | None = None
    ) -> Array:
        """Decide on a column by what it shows beside what is known by now; its values then."""
        seen = seen or see.measure(name, source, self.scene)
        weigh(scored, name, seen)
        self.found[name] = decide(name, scored, source, seen)
        return self.values(name)

    def engine(self) -> None:
        """Engine speed and throttle, by which everything else is seen."""
        speed, first = self.sources.get("vehicle_speed"), None
        if source := self.sources.get("engine_speed"):
            seen = see.measure("engine_speed", source, self.scene)
            top, stated = seen.seen.get("high") or 0.0, source.stated
            if stated and stated.key == "rpm" and 0 < top < 25.0 and not source.still:
                # 'Engine RPM' is a name as much as a unit; none tops out at 25 a minute
                source = source._replace(stated=None)
            scored = candidates.by_unit("engine_speed", source)
            if source.stated is not None and top < STANDING:
                # an engine that stands, or runs down, argues for no rarer unit than the one stated
                scored = [s for s in scored if s.candidate.key == source.stated.key]
            rpm = self.judge("engine_speed", scored, source, seen)
            self.scene = replace(self.scene, rpm=rpm)
        for name in ("throttle_position", "pedal_position"):
            if source := self.sources.get(name):
                opened = self.judge(name, candidates.throttle(name, source), source)
                if first is None and not self.found[name].doubtful:
                    first = opening_of(opened)
        self.scene = replace(self.scene, opening=first, speed=speed.values if speed else None)

    def pressures(self) -> None:
        """Ambient, then manifold pressure, then what is counted from ambient."""
        ambient, name = None, "barometric_pressure"
        if source := self.sources.get(name):
            ambient = self.judge(name, candidates.pressure(name, source, ambient_kpa=0.0), source)
        names = self._manifolds(ambient)
        absolutes, gauges = (
            [n for n in names if self.found[n].candidate.reference == reference]
            for reference in ("absolute", "gauge")
        )
        over = {n: turned(self.sources[n].values, self._counted_from(n, 0.0)) for n in gauges}
        self.barometric = barometric.best(
            channel_kpa=ambient,
            manifold_kpa=self.values(absolutes[0]) if absolutes else None,
            scene=self.scene,
            altitude_m=self.car.altitude_m,
            pairs=[(self.values(a), over[g]) for a in absolutes for g in gauges],
        )
        kpa = self.barometric.kpa
        for name in gauges:  # so that boost is what the gauge read
            self.found[name] = self.found[name]._replace(candidate=self._counted_from(name, kpa))
        first = self.values(names[0]) if names else None
        self.scene = replace(self.scene, manifold_kpa=first)
        for name, source in self.sources.items():
            if name == "boost_target":
                self._target(source, kpa)
            elif base_of(name) in ("fuel_pressure", "oil_pressure"):
                self.judge(name, candidates.pressure(name, source, ambient_kpa=kpa), source)

    def _counted_from(self, name: str, kpa: float) -> Unit:
        return self.found[name].candidate._replace(offset=kpa)

    def _manifolds(self, channel_kpa: Array | None) -> list[str]:
        """Decide each manifold pressure, and name them, the first first."""
        known = barometric.from_channel(channel_kpa) or barometric.from_height(self.car.altitude_m)
        bounds = (known.kpa, known.uncertainty_kpa + 2.0) if known else ()
        names = [n for n in self.sources if base_of(n) == "manifold_pressure"]
        names.sort(key=lambda n: (len(n), n))
        for name in names:
            source, others = self.sources[name], [n for n in names if n != name]
            beside = self.sources[others[0]].values if others else None
            if beside is None and name in self.second:
                beside = self.second[name][0]
            source = source._replace(values=without_dropouts(source.values))
            like, offset = self._like("barometric_pressure", *others), known or barometric.ASSUMED
            scored = candidates.pressure(name, source, like=like, ambient_kpa=offset.kpa)
            seen = see.manifold(source, self.scene, see.known_ambient(*bounds), beside)
            self.judge(name, scored, source, seen)
        return names

    def _like(self, *names: str) -> Unit | None:
        """The unit of the first of these pressures that is sure: one logger mostly keeps to one."""
        known = self.sure_units()
        return next((units()[known[n].key] for n in names if n in known), None)

    def _target(self, source: Source, ambient_kpa: float) -> None:
        """A reference that is said stands; values that contradict it make no more than a doubt."""
        name, car = "boost_target", self.car
        said = [*car.target_by_gear_kpa.values(), *([car.target_kpa] if car.target_kpa else [])]
        seen = see.boost_target(source, self.scene, ambient_kpa=ambient_kpa, said_kpa=said)
        like = self._like("manifold_pressure", "barometric_pressure")
        every = candidates.pressure(name, source, like=like, ambient_kpa=ambient_kpa)
        reference = candidates.said_reference(source)
        kept = [s for s in every if reference in ("", s.candidate.reference)]
        weigh(every, name, seen)
        found = decide(name, kept, source, seen)
        own = max(s.evidence for s in kept if s.candidate == found.candidate)
        if max(s.evidence for s in every) - own > STATED and len(kept) < len(every):
            why = f"it is called {reference}, but the values fit that badly"
            sure = min(found.confidence, 0.6)
            found = found._replace(doubtful=True, confidence=sure, unit_why=why)
        self.found[name] = found

    def other(self, name: str, us_hint: float) -> Decision:
        """A column that waits for nothing but the scene, road speed and manifold pressure."""
        source, base = self.sources[name], base_of(name)
        if base == "knock_retard":
            every = [s.values for n, s in self.sources.items() if base_of(n) == base]
            return candidates.retard(source, every)
        seen = see.measure(name, source, self.scene)
        if row_of(name).quantity == "mixture":
            return self._mixture(name, source, seen)
        scored = candidates.by_unit(name, source, us_hint)
        if name == "vehicle_speed":
            self._weigh_gears(scored, source.values)
        speed = self.judge(name, scored, source, seen)
        if name == "vehicle_speed" and not self.found[name].doubtful:
            self.scene = replace(self.scene, speed_kmh=speed)
        return self.found[name]

    def _mixture(self, name: str, source: Source, seen: Measured) -> Decision:
        afr = self.car.stoichiometric_afr
        says = self.car.path is not None or afr != candidates.PETROL_AFR
        scored = candidates.mixture(source, afr=afr, car_says=says)
        weigh(scored, name, seen)
        scored = candidates.by_the_car(scored, afr) if says else scored
        return decide(name, scored, source, seen)

    def _weigh_gears(self, scored: Sequence[Scored], values: Array) -> None:
        """Share of driven samples that lie near one of the car's gears."""
        if not self.car.rpm_per_kmh or self.scene.rpm is None:
            return
        moving = see.driven(values, self.scene.rpm, 0.15)
        if moving.sum() < see.LEAST_ROWS:
            return
        known = np.log(np.asarray(self.car.rpm_per_kmh))
        ratio = np.log(self.scene.rpm[moving] / values[moving])
        for one in scored:
            away = np.abs((ratio - np.log(one.candidate.scale))[:, None] - known[None, :])
            share = float((away.min(axis=1) < NEAR_GEAR).mean())
            one.add(OUT_OF_GEAR * (share - 1.0), f"{share:.0%} of its samples fit the car's gears")


def temperatures(
    columns: Mapping[str, Source], scene: Scene, *, us_hint: float
) -> dict[str, Decision]:
    """Channel -> decision. us_hint: points for °F from the rest of the file (psi, mph)."""
    columns = {
        n: s._replace(values=temperature_without_rails(n, s.values)) for n, s in columns.items()
    }
    scores = {n: candidates.by_unit(n, s, us_hint) for n, s in columns.items()}
    cold = _cold_start(columns)
    known: dict[str, float] = {}
    found: dict[str, Measured] = {}
    for name in sorted(columns, key=lambda n: n != WATER):  # air is held against the water
        one = see.measure(name, columns[name], scene)
        seen = {**one.seen, "cold_start": cold if name in (WATER, AIR) else None}
        found[name] = one._replace(seen=seen, known=known)
        weigh(scores[name], name, found[name])
        if name == WATER and (middle := seen["middle"]) is not None:
            best = max(scores[WATER], key=lambda s: s.total)
            known = {"water": best.candidate.turned(middle)}
    _lean_on_the_rest(columns, scores)
    return {n: decide(n, scores[n], source, found[n]) for n, source in columns.items()}


def _cold_start(columns: Mapping[str, Source]) -> float | None:
    """What air reads at first where coolant starts as cold and rises: both are at the weather's."""
    if not {WATER, AIR} <= set(columns):
        return None
    coolant, intake = columns[WATER], columns[AIR]
    water, air = (c.values[np.isfinite(c.values)] for c in (coolant, intake))
    if (
        (coolant.stated is None) != (intake.stated is None)
        or min(len(water), len(air)) < LEAST_COLD
        or abs(water[0] - air[0]) > AS_COLD
        or water[-1] - water[0] < WARMS
    ):
        return None
    return float(air[0])


def _lean_on_the_rest(columns: Mapping[str, Source], scores: Mapping[str, list[Scored]]) -> None:
    """Unstated columns follow what the others, stated or sure by physics, are in."""
    leads: dict[str, tuple[str, float]] = {}
    for name, source in columns.items():
        stated = source.stated is not None
        points = [(s.total if stated else s.evidence, s.candidate.key) for s in scores[name]]
        (best, key), (second, _) = sorted(points, key=lambda p: -p[0])[:2]
        leads[name] = key, min(best - second, SAME_FILE + 1.0)
    for name, source in columns.items():
        for one in scores[name] if source.stated is None else ():
            key = one.candidate.key
            others = sum(lead for n, (k, lead) in leads.items() if k == key and n != name)
            why = "the other temperatures are in this unit" if others >= 1.0 else ""
            one.add(min(others, SAME_FILE), why)
