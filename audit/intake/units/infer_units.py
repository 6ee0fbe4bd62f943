"""The unit of every named column, by what the file says and what physics allows.

Order matters: engine speed and throttle set the scene, ambient pressure comes before manifold
pressure, manifold pressure before its target.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from audit.intake.names.unit_text import Unit
from audit.intake.units import barometric, candidates, knock
from audit.intake.units import measured as see
from audit.intake.units.candidates import turned
from audit.intake.units.decide import STATED, Decision, Scored, Source
from audit.intake.units.evidence import decided, part_of, weigh
from audit.intake.units.railed import pressure_without_rails
from audit.intake.units.scene import Scene, opening_of
from audit.intake.units.temperature import temperatures
from audit.model import Array, Barometric, Car, base_of
from audit.tables import row_of, toml_table

HINT, MOST_HINT = 0.7, 1.5  # points a column, and in all
NEAR_GEAR = 0.04  # of its ratio: a sample driven in that gear
# In the file's unit: an engine that has done no more than idle, where this is rpm; common practice,
# no published source.
STANDING = 1200.0
OUT_OF_GEAR = 10.0  # points lost were no sample in a gear of the car's


@dataclass
class Inferred:
    """The decisions, and the ambient pressure that gauge readings were turned with."""

    decisions: dict[str, Decision] = field(default_factory=dict)
    barometric: Barometric = field(default_factory=barometric.assumed)


def infer_units(
    sources: Mapping[str, Source],
    time: Array,
    car: Car,
    *,
    second: Mapping[str, tuple[Array, Unit | None]],
) -> Inferred:
    """A decision for each channel. time: s, thinned like the sources.

    second: for a channel, another column that reads as it too (boost beside MAP, GPS speed beside
    speed).
    """
    speed, unit = second.get("vehicle_speed", (None, None))
    kmh = None if speed is None or unit is None else speed * unit.scale
    scene = Scene(time, second_kmh=kmh, geared=bool(car.rpm_per_kmh))
    reading = _Reading(sources, scene, car, second)
    reading.engine()
    reading.pressures()
    stated = {n: s.stated for n, s in sources.items()} | reading.sure_units()
    warm = {n: s for n, s in sources.items() if row_of(n).quantity == "temperature"}
    if warm:
        hint = _us_hint(stated.values())
        reading.found |= temperatures(warm, reading.scene, us_hint=hint)
    pressure = reading.sure("manifold_pressure")  # what follows is seen beside what is sure alone
    reading.scene = replace(reading.scene, manifold_kpa=pressure)
    hint = _us_hint(reading.sure_units().values())
    for name in sorted(sources, key=lambda n: n != "vehicle_speed"):
        if name not in reading.found:
            reading.found[name] = reading.other(name, hint)
    return Inferred(reading.found, reading.barometric)


def _us_hint(known: Iterable[Unit | None]) -> float:
    """Points for °F and mph from the units of the file's other columns, negative for °C and
    km/h.
    """
    keys = [u.key for u in known if u is not None]
    system = toml_table("units.toml")["system"]
    points = sum(k in system["us"] for k in keys) - sum(k in system["metric"] for k in keys)
    return float(np.clip(HINT * points, -MOST_HINT, MOST_HINT))


@dataclass
class _Reading:
    """The columns of one log while their units are being decided."""

    sources: Mapping[str, Source]
    scene: Scene
    car: Car
    second: Mapping[str, tuple[Array, Unit | None]]
    found: dict[str, Decision] = field(default_factory=dict)
    barometric: Barometric = field(default_factory=barometric.assumed)

    def sure_units(self) -> dict[str, Unit | None]:
        return {n: d.candidate.unit for n, d in self.found.items() if not d.doubtful}

    def values(self, name: str) -> Array:
        """A decided channel's thinned values in its canonical unit."""
        return turned(self.sources[name].values, self.found[name].candidate)

    def sure(self, name: str) -> Array | None:
        """The same; None when the channel is not there or in doubt."""
        found = self.found.get(name)
        return None if found is None or found.doubtful else self.values(name)

    def judged(self, name: str, scored: Sequence[Scored], source: Source) -> Decision:
        """The decision on a column by what it shows beside what is known by now."""
        seen = see.measure(name, source, self.scene)
        weigh(scored, name, seen)
        return decided(name, scored, source, seen)

    def engine(self) -> None:
        """Engine speed and throttle, by which everything else is seen."""
        speed, first = self.sources.get("vehicle_speed"), None
        if "engine_speed" in self.sources:
            source = self.sources["engine_speed"]
            top = see.measure("engine_speed", source, self.scene).seen.get("high") or 0.0
            if source.stated and source.stated.key == "rpm" and 0 < top < 25.0 and not source.still:
                # 'Engine RPM' is a name as much as a unit; none tops out at 25 a minute
                source = source._replace(stated=None)
            scored = candidates.by_unit("engine_speed", source)
            if source.stated is not None and top < STANDING:
                # an engine that stands, or runs down, argues for no rarer unit than the one stated
                scored = [s for s in scored if s.candidate.unit.key == source.stated.key] or scored
            self.found["engine_speed"] = self.judged("engine_speed", scored, source)
            self.scene = replace(self.scene, rpm=self.values("engine_speed"))
        for name in ("throttle_position", "pedal_position"):
            if name in self.sources:
                source = self.sources[name]
                self.found[name] = self.judged(name, candidates.throttle(name, source), source)
                if first is None and (sure := self.sure(name)) is not None:
                    first = opening_of(sure)
        self.scene = replace(self.scene, opening=first, speed=speed.values if speed else None)

    def pressures(self) -> None:
        """Ambient, then manifold pressure, then what is counted from ambient."""
        ambient = None
        if "barometric_pressure" in self.sources:
            source = self.sources["barometric_pressure"]
            scored = candidates.pressure("barometric_pressure", source, ambient_kpa=0.0)
            self.found["barometric_pressure"] = self.judged("barometric_pressure", scored, source)
            ambient = self.values("barometric_pressure")
        names = self._manifolds(ambient)
        absolutes = [n for n in names if self.found[n].candidate.reference == "absolute"]
        gauges = [n for n in names if self.found[n].candidate.reference == "gauge"]
        self.barometric = barometric.best(
            channel_kpa=ambient,
            manifold_kpa=self.values(absolutes[0]) if absolutes else None,
            scene=self.scene,
            altitude_m=self.car.altitude_m,
            pairs=[(self.values(a), self._over_ambient(g)) for a in absolutes for g in gauges],
        )
        kpa = self.barometric.kpa
        for name in gauges:  # so that boost is what the gauge read
            found = self.found[name]
            self.found[name] = found._replace(candidate=found.candidate._replace(offset=kpa))
        first = self.values(names[0]) if names else None
        self.scene = replace(self.scene, manifold_kpa=first)
        for name, source in self.sources.items():
            if name == "boost_target":
                self.found[name] = self._target(source, kpa)
            elif base_of(name) in ("fuel_pressure", "oil_pressure"):
                scored = candidates.pressure(name, source, ambient_kpa=kpa)
                self.found[name] = self.judged(name, scored, source)

    def _manifolds(self, channel_kpa: Array | None) -> list[str]:
        """Decide each manifold pressure, and name them, the first first."""
        known = barometric.from_channel(channel_kpa) or barometric.from_height(self.car.altitude_m)
        offset = (known or barometric.assumed()).kpa
        ambient = (
            see.Ambient(known.kpa, known.uncertainty_kpa + 2.0) if known else see.UNKNOWN_AMBIENT
        )
        names = [n for n in self.sources if base_of(n) == "manifold_pressure"]
        names.sort(key=lambda n: (len(n), n))
        for name in names:
            source, others = self.sources[name], [n for n in names if n != name]
            beside = self.sources[others[0]].values if others else None
            if beside is None and name in self.second:
                beside = self.second[name][0]
            source = source._replace(values=pressure_without_rails(source.values))
            like = self._like("barometric_pressure", *others)
            scored = candidates.pressure(name, source, like=like, ambient_kpa=offset)
            seen = see.manifold(source, self.scene, ambient, beside)
            judged = not seen.seen or "loaded" in seen.flags  # elsewhere the likeliest will do
            weigh(scored, name, seen)
            self.found[name] = decided(name, scored, source, seen, safest=judged)
        return names

    def _over_ambient(self, name: str) -> Array:
        """A gauge column's thinned values over ambient pressure, kPa."""
        zeroed = self.found[name].candidate._replace(offset=0.0)
        return turned(self.sources[name].values, zeroed)

    def _like(self, *names: str) -> Unit | None:
        """The unit of the first of these pressures that is sure: one logger mostly keeps to one."""
        known = self.sure_units()
        return next((known[n] for n in names if n in known), None)

    def _target(self, source: Source, ambient_kpa: float) -> Decision:
        """A reference that header or unit say stands; values that contradict it make a doubt of
        it, no more.
        """
        car = self.car
        said = [*car.target_by_gear_kpa.values(), *([car.target_kpa] if car.target_kpa else [])]
        seen = see.boost_target(source, self.scene, ambient_kpa=ambient_kpa, said_kpa=said)
        like = self._like("manifold_pressure", "barometric_pressure")
        every = candidates.pressure("boost_target", source, like=like, ambient_kpa=ambient_kpa)
        reference = candidates.said_reference(source)
        kept = [s for s in every if reference in ("", s.candidate.reference)]
        weigh(every, "boost_target", seen)
        found = decided("boost_target", kept, source, seen)
        own = max(s.evidence for s in kept if s.candidate == found.candidate)
        if len(kept) == len(every) or max(s.evidence for s in every) - own <= STATED:
            return found
        why = f"it is called {reference}, but the values fit that badly"
        return found._replace(doubtful=True, confidence=min(found.confidence, 0.6), why=why)

    def other(self, name: str, us_hint: float) -> Decision:
        """A column that waits for nothing but the scene, road speed and manifold pressure."""
        source, base = self.sources[name], base_of(name)
        if base == "knock_retard":
            every = [s.values for n, s in self.sources.items() if base_of(n) == base]
            return knock.retard(source, every)
        if row_of(name).quantity == "mixture":
            return self._mixture(name, source)
        if part_of(name) is None:
            there = candidates.as_it_stands(name, source)
            return Decision(there, source.stated_from or "assumed", "")
        scored = candidates.by_unit(name, source, us_hint)
        if name == "vehicle_speed":
            self._weigh_gears(scored, source.values)
        found = self.judged(name, scored, source)
        if name == "vehicle_speed" and not found.doubtful:
            kmh = turned(source.values, found.candidate)
            self.scene = replace(self.scene, speed_kmh=kmh)
        return found

    def _mixture(self, name: str, source: Source) -> Decision:
        car = self.car
        says = car.path is not None or car.stoichiometric_afr != candidates.PETROL_AFR
        scored = candidates.mixture(source, afr=car.stoichiometric_afr, car_says=says)
        seen = see.measure(name, source, self.scene)
        weigh(scored, name, seen)
        if says:
            scored = candidates.by_the_car(scored, car.stoichiometric_afr)
        return decided(name, scored, source, seen)

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
