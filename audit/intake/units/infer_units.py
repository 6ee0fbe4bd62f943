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
from audit.intake.units.evidence import decided, judge, part_of, weigh
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
    reading = _Reading(sources, Scene(time), car, second)
    reading.engine()
    reading.pressures()
    stated = {n: s.stated for n, s in sources.items()} | reading.sure_units()
    warm = {n: s for n, s in sources.items() if row_of(n).quantity == "temperature"}
    if warm:
        hint = _us_hint(stated.values())
        reading.found |= temperatures(warm, reading.scene, us_hint=hint)
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

    def engine(self) -> None:
        """Engine speed and throttle, by which everything else is seen."""
        rpm = opening = None
        if "engine_speed" in self.sources:
            source = self.sources["engine_speed"]
            seen = see.engine_speed(source)
            top = seen.seen.get("high") or 0.0
            if source.stated and source.stated.key == "rpm" and 0 < top < 25.0 and not source.still:
                # 'Engine RPM' is a name as much as a unit; none tops out at 25 a minute
                source = replace(source, stated=None)
            scored = candidates.by_unit("engine_speed", source)
            if source.stated is not None and top < STANDING:
                # an engine that stands, or runs down, argues for no rarer unit than the one stated
                scored = [s for s in scored if s.candidate.unit.key == source.stated.key] or scored
            self.found["engine_speed"] = judge("engine_speed", scored, source, seen)
            rpm = self.values("engine_speed")
        for name in ("throttle_position", "pedal_position"):
            if name in self.sources:
                source = self.sources[name]
                scored = candidates.throttle(name, source)
                self.found[name] = judge(name, scored, source, see.percentage(name, source, rpm))
                if opening is None and not self.found[name].doubtful:
                    opening = opening_of(self.values(name))
        speed = self.sources.get("vehicle_speed")
        self.scene = Scene(self.scene.time, rpm, opening, speed.values if speed else None)

    def pressures(self) -> None:
        """Ambient, then manifold pressure, then what is counted from ambient."""
        channel_kpa = None
        if "barometric_pressure" in self.sources:
            source = self.sources["barometric_pressure"]
            self.found["barometric_pressure"] = judge(
                "barometric_pressure", candidates.ambient(source), source, see.barometer(source)
            )
            channel_kpa = self.values("barometric_pressure")
        names = self._manifolds(channel_kpa)
        absolutes = [n for n in names if self.found[n].candidate.reference == "absolute"]
        gauges = [n for n in names if self.found[n].candidate.reference == "gauge"]
        self.barometric = barometric.best(
            channel_kpa=channel_kpa,
            manifold_kpa=self._first([*absolutes, *gauges]),
            manifold_is_absolute=bool(absolutes),
            scene=self.scene,
            altitude_m=self.car.altitude_m,
            pairs=[(self.values(a), self._over_ambient(g)) for a in absolutes for g in gauges],
        )
        ambient_kpa = self.barometric.kpa
        for name in gauges:  # so that boost is what the gauge read
            found = self.found[name]
            there = replace(found.candidate, offset=ambient_kpa)
            self.found[name] = replace(found, candidate=there)
        if "boost_target" in self.sources:
            self.found["boost_target"] = self._target(self._first(names), ambient_kpa)
        for name, source in self.sources.items():
            if (base := base_of(name)) in ("fuel_pressure", "oil_pressure"):
                scored = candidates.line(base, source, ambient_kpa=ambient_kpa)
                self.found[name] = judge(base, scored, source, see.line(source, self.scene))

    def _manifolds(self, channel_kpa: Array | None) -> list[str]:
        """Decide each manifold pressure, and name them, the first first."""
        known = (
            barometric.from_channel(channel_kpa) if channel_kpa is not None else None
        ) or barometric.from_height(self.car.altitude_m)
        offset = (known or barometric.assumed()).kpa
        ambient = (
            see.Ambient(known.kpa, known.uncertainty_kpa + 2.0) if known else see.UNKNOWN_AMBIENT
        )
        names = [n for n in self.sources if base_of(n) == "manifold_pressure"]
        names.sort(key=lambda n: (len(n), n))
        for name in names:
            source, others = self.sources[name], [n for n in names if n != name]
            beside = next((self.sources[n].values for n in others), None)
            if beside is None and name in self.second:
                beside = self.second[name][0]
            source = replace(source, values=pressure_without_rails(source.values))
            like = self._like("barometric_pressure", *others)
            seen = see.manifold(source, self.scene, ambient, beside)
            scored = candidates.manifold(source, like=like, gauge_offset_kpa=offset)
            judged = not seen.seen or "loaded" in seen.flags  # elsewhere the likeliest will do
            self.found[name] = judge("manifold_pressure", scored, source, seen, safest=judged)
        return names

    def _first(self, names: Sequence[str]) -> Array | None:
        """The thinned values of the first of these, kPa absolute; None where there is none."""
        return self.values(names[0]) if names else None

    def _over_ambient(self, name: str) -> Array:
        """A gauge column's thinned values over ambient pressure, kPa."""
        zeroed = replace(self.found[name].candidate, offset=0.0)
        return turned(self.sources[name].values, zeroed)

    def _like(self, *names: str) -> Unit | None:
        """The unit of the first of these pressures that is sure: one logger mostly keeps to one."""
        found = (self.found[n] for n in names if n in self.found)
        return next((d.candidate.unit for d in found if not d.doubtful), None)

    def _target(self, manifold_kpa: Array | None, ambient_kpa: float) -> Decision:
        """A reference that header or unit say stands; values that contradict it make a doubt of
        it, no more.
        """
        source, car = self.sources["boost_target"], self.car
        said = [*car.target_by_gear_kpa.values(), *([car.target_kpa] if car.target_kpa else [])]
        seen = see.boost_target(
            source,
            self.scene,
            manifold_kpa=manifold_kpa,
            ambient_kpa=ambient_kpa,
            said_kpa=said,
        )
        like = self._like("manifold_pressure", "barometric_pressure")
        every = candidates.target(source, like=like, ambient_kpa=ambient_kpa)
        reference = candidates.said_reference(source)
        kept = [s for s in every if reference in ("", s.candidate.reference)]
        weigh(every, "boost_target", seen)
        found = decided("boost_target", kept, source, seen)
        own = max(s.evidence for s in kept if s.candidate == found.candidate)
        if len(kept) == len(every) or max(s.evidence for s in every) - own <= STATED:
            return found
        why = f"it is called {reference}, but the values fit that badly"
        return replace(found, doubtful=True, confidence=min(found.confidence, 0.6), why=why)

    def other(self, name: str, us_hint: float) -> Decision:
        """A column that waits for nothing but the scene, road speed and manifold pressure."""
        source, base = self.sources[name], base_of(name)
        if base == "knock_retard":
            every = [s.values for n, s in self.sources.items() if base_of(n) == base]
            return knock.retard(source, every)
        if row_of(name).quantity == "mixture":
            return self._mixture(source)
        if part_of(name) is None:
            return Decision(
                candidates.as_it_stands(name, source), source.stated_from or "assumed", ""
            )
        scored = candidates.by_unit(name, source, us_hint)
        if name == "vehicle_speed":
            seen = see.road_speed(
                source,
                self.scene,
                geared=bool(self.car.rpm_per_kmh),
                other_kmh=self._second_speed(),
            )
            self._weigh_gears(scored, source.values)
        elif name == "mass_air_flow":
            seen = see.mass_flow(source, self.scene, self.sure("manifold_pressure"))
        elif name == "acceleration_longitudinal":
            seen = see.acceleration(source, self.scene, self.sure("vehicle_speed"))
        elif row_of(name).quantity == "percent":
            seen = see.percentage(name, source)
        else:
            seen = see.by_size(name, source)
        return judge(name, scored, source, seen)

    def _mixture(self, source: Source) -> Decision:
        car = self.car
        says = car.path is not None or car.stoichiometric_afr != candidates.PETROL_AFR
        scored = candidates.mixture(source, afr=car.stoichiometric_afr, car_says=says)
        seen = see.mixture(source, self.scene)
        weigh(scored, "lambda", seen)
        if says:
            scored = candidates.by_the_car(scored, car.stoichiometric_afr)
        return decided("lambda", scored, source, seen)

    def _second_speed(self) -> Array | None:
        other = self.second.get("vehicle_speed")
        return None if other is None or other[1] is None else other[0] * other[1].scale

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
