"""The unit of every named column, by what the file says and what physics allows.

Order matters: engine speed and throttle set the scene, ambient pressure comes before manifold
pressure, manifold pressure before its target.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from audit.intake.names.unit_text import Unit, units
from audit.intake.units import barometric, mixture, moving, plain_units, pressure
from audit.intake.units.decide import Candidate, Decision
from audit.intake.units.railed import temperature_without_rails
from audit.intake.units.scene import Scene, opening_of
from audit.intake.units.temperature import Column, temperatures
from audit.model import Array, Barometric, Car, base_of
from audit.tables import row_of

US_UNITS = {"psi", "psi_gauge", "psi_absolute", "inhg", "inhg_psi", "mph", "f", "lbmin"}
METRIC_UNITS = {
    "kpa",
    "kpa_gauge",
    "kpa_absolute",
    "bar",
    "bar_gauge",
    "bar_absolute",
    "mbar",
    "kmh",
    "c",
    "kgh",
    "kgcm2",
}
BY_SIZE: Mapping[str, tuple[tuple[str, ...], tuple[float, float], float, dict[str, float]]] = {
    "injector_pulse_width": (("ms", "us", "s"), (0.4, 45.0), 0.25, {"us": -0.5, "s": -2.0}),
    "battery_voltage": (("v", "mv"), (8.0, 17.5), 0.12, {}),
    "turbo_speed": (("rpm", "krpm", "hz"), (12000.0, 320000.0), 0.3, {"hz": -2.0}),
}


@dataclass(frozen=True)
class Source:
    """One named column, thinned and forward-filled, with what the file says of its unit."""

    values: Array
    stated: Unit | None
    stated_from: str
    hints: frozenset[str]
    words: tuple[str, ...]


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
    out = Inferred()
    scene = _scene(sources, time, out)
    _pressures(sources, scene, car, out, second)
    known = {n: s.stated for n, s in sources.items()} | {
        n: d.candidate.unit for n, d in out.decisions.items() if not d.doubtful
    }
    us_hint = _us_hint(list(known.values()), most=1.5)
    columns = [
        Column(n, temperature_without_rails(n, s.values), s.stated, s.stated_from)
        for n, s in sources.items()
        if row_of(n).quantity == "temperature"
    ]
    if columns:
        out.decisions.update(temperatures(columns, scene, us_hint=us_hint))
    us_hint = _us_hint(
        [d.candidate.unit for d in out.decisions.values() if not d.doubtful], most=1.5
    )
    for name in sorted(sources, key=lambda n: n != "vehicle_speed"):
        if name not in out.decisions:
            out.decisions[name] = _other(
                name, sources, scene, out=out, car=car, us_hint=us_hint, second=second
            )
    return out


def turned(values: Array, candidate: Candidate) -> Array:
    """Source values in the canonical unit; NaN where they mean nothing."""
    if candidate.special == "reciprocal":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(values > 0, 1.0 / values, np.nan)
    if candidate.special == "inhg_psi":
        return (
            np.where(values < 0, units()["inhg"].scale * values, candidate.scale * values)
            + candidate.offset
        )
    if candidate.scale == 1.0 and candidate.offset == 0.0:
        return values
    return values * candidate.scale + candidate.offset


def _scene(sources: Mapping[str, Source], time: Array, out: Inferred) -> Scene:
    rpm = None
    if "engine_speed" in sources:
        source = sources["engine_speed"]
        out.decisions["engine_speed"] = plain_units.engine_speed(
            source.values, stated=source.stated, stated_from=source.stated_from
        )
        rpm = turned(source.values, out.decisions["engine_speed"].candidate)
    opening = None
    for name in ("throttle_position", "pedal_position"):
        if name in sources:
            source = sources[name]
            found = plain_units.percentage(
                name, source.values, stated=source.stated, stated_from=source.stated_from
            )
            out.decisions[name] = found
            if opening is None and not found.doubtful:
                opening = opening_of(turned(source.values, found.candidate))
    speed = sources["vehicle_speed"].values if "vehicle_speed" in sources else None
    return Scene(time, rpm, opening, speed)


def _us_hint(known: Sequence[Unit | None], *, most: float) -> float:
    """Points for °F and mph from the units of the file's other columns, negative for °C and
    km/h.
    """
    keys = [u.key for u in known if u is not None]
    points = sum(k in US_UNITS for k in keys) - sum(k in METRIC_UNITS for k in keys)
    return float(np.clip(0.7 * points, -most, most))


def _pressures(
    sources: Mapping[str, Source],
    scene: Scene,
    car: Car,
    out: Inferred,
    second: Mapping[str, tuple[Array, Unit | None]],
) -> None:
    channel_kpa = None
    if "barometric_pressure" in sources:
        source = sources["barometric_pressure"]
        found = pressure.ambient_pressure(
            source.values, stated=source.stated, stated_from=source.stated_from
        )
        out.decisions["barometric_pressure"] = found
        channel_kpa = turned(source.values, found.candidate)
    known = (
        barometric.from_channel(channel_kpa) if channel_kpa is not None else None
    ) or barometric.from_height(car.altitude_m)
    manifolds = _manifolds(sources, scene, out, second, known)
    absolutes = [n for n in manifolds if _reference(out, n) == "absolute"]
    gauges = [n for n in manifolds if _reference(out, n) == "gauge"]
    kpa = _kpa(sources, out, [*absolutes, *gauges])
    out.barometric = barometric.best(
        channel_kpa=channel_kpa,
        manifold_kpa=kpa,
        manifold_is_absolute=bool(absolutes),
        scene=scene,
        altitude_m=car.altitude_m,
        pairs=[
            (turned(sources[a].values, out.decisions[a].candidate), _over_ambient(sources, out, g))
            for a in absolutes
            for g in gauges
        ],
    )
    ambient_kpa = out.barometric.kpa
    for name in gauges:  # so that boost is what the gauge read
        found = out.decisions[name]
        out.decisions[name] = replace(found, candidate=replace(found.candidate, offset=ambient_kpa))
    kpa = _kpa(sources, out, manifolds)
    if "boost_target" in sources:
        source = sources["boost_target"]
        like = _like(out, "manifold_pressure", "barometric_pressure")
        out.decisions["boost_target"] = pressure.boost_target(
            source.values,
            scene,
            kpa,
            stated=source.stated,
            stated_from=source.stated_from,
            hints=source.hints,
            words=source.words,
            like=like,
            ambient_kpa=ambient_kpa,
            said_kpa=[
                *car.target_by_gear_kpa.values(),
                *([car.target_kpa] if car.target_kpa else []),
            ],
        )
    for name, source in sources.items():
        if base_of(name) in ("fuel_pressure", "oil_pressure"):
            out.decisions[name] = pressure.line_pressure(
                source.values,
                scene,
                channel=base_of(name),
                stated=source.stated,
                stated_from=source.stated_from,
                hints=source.hints,
                ambient_kpa=ambient_kpa,
            )


def _manifolds(
    sources: Mapping[str, Source],
    scene: Scene,
    out: Inferred,
    second: Mapping[str, tuple[Array, Unit | None]],
    known: Barometric | None,
) -> list[str]:
    """Decide each manifold pressure, and name them, the first first."""
    names = [n for n in sources if base_of(n) == "manifold_pressure"]
    names.sort(key=lambda n: (len(n), n))
    offset = known.kpa if known else barometric.assumed().kpa
    ambient = pressure.Ambient(known.kpa, known.uncertainty_kpa + 2.0) if known else None
    for name in names:
        source = sources[name]
        beside = next((sources[n].values for n in names if n != name), None)
        if beside is None and name in second:
            beside = second[name][0]
        out.decisions[name] = pressure.manifold(
            source.values,
            scene,
            stated=source.stated,
            stated_from=source.stated_from,
            hints=source.hints,
            words=source.words,
            like=_like(out, "barometric_pressure", *(n for n in names if n != name)),
            ambient=ambient,
            gauge_offset_kpa=offset,
            pair=beside,
        )
    return names


def _kpa(sources: Mapping[str, Source], out: Inferred, names: Sequence[str]) -> Array | None:
    """The thinned values of the first of these, kPa absolute; None where there is none."""
    first = next(iter(names), None)
    return None if first is None else turned(sources[first].values, out.decisions[first].candidate)


def _reference(out: Inferred, name: str) -> str:
    return out.decisions[name].candidate.reference


def _over_ambient(sources: Mapping[str, Source], out: Inferred, name: str) -> Array:
    """A gauge column's thinned values over ambient pressure, kPa."""
    candidate = out.decisions[name].candidate
    return turned(sources[name].values, replace(candidate, offset=0.0))


def _like(out: Inferred, *names: str) -> Unit | None:
    """The unit of the first of these pressures that is sure: one logger mostly keeps to one."""
    found = (out.decisions[n] for n in names if n in out.decisions)
    return next((d.candidate.unit for d in found if not d.doubtful), None)


def _canonical(sources: Mapping[str, Source], out: Inferred, name: str) -> Array | None:
    """A channel's thinned values in its canonical unit, None when it is not there or in doubt."""
    found = out.decisions.get(name)
    return (
        None if found is None or found.doubtful else turned(sources[name].values, found.candidate)
    )


def _other(
    name: str,
    sources: Mapping[str, Source],
    scene: Scene,
    *,
    out: Inferred,
    car: Car,
    us_hint: float,
    second: Mapping[str, tuple[Array, Unit | None]],
) -> Decision:
    source, base = sources[name], base_of(name)
    stated, stated_from, values = source.stated, source.stated_from, source.values
    if base in ("lambda", "lambda_target"):
        says = car.path is not None or car.stoichiometric_afr != mixture.PETROL_AFR
        return mixture.mixture(
            values,
            scene,
            stated=stated,
            stated_from=stated_from,
            hints=source.hints,
            words=source.words,
            stoichiometric_afr=car.stoichiometric_afr,
            car_says=says,
        )
    if name == "vehicle_speed":
        other = second.get(name)
        reference = (
            other[0] * other[1].scale if other is not None and other[1] is not None else None
        )
        return plain_units.road_speed(
            values,
            scene,
            stated=stated,
            stated_from=stated_from,
            us_hint=us_hint,
            ratios_rpm_per_kmh=car.rpm_per_kmh,
            reference_kmh=reference,
        )
    if name == "ignition_timing":
        return plain_units.ignition(values, stated=stated, stated_from=stated_from)
    if base == "knock_retard":
        every = [s.values for n, s in sources.items() if base_of(n) == base]
        return plain_units.retard(values, every, stated=stated, stated_from=stated_from)
    if name == "mass_air_flow":
        return moving.mass_flow(
            values,
            scene,
            _canonical(sources, out, "manifold_pressure"),
            stated=stated,
            stated_from=stated_from,
        )
    if name == "acceleration_longitudinal":
        return moving.acceleration(
            values,
            scene,
            _canonical(sources, out, "vehicle_speed"),
            stated=stated,
            stated_from=stated_from,
        )
    if base in BY_SIZE:
        keys, span, width, usual = BY_SIZE[base]
        return plain_units.by_size(
            values, keys, span, width=width, stated=stated, stated_from=stated_from, usual=usual
        )
    if row_of(name).quantity == "percent":
        return plain_units.percentage(base, values, stated=stated, stated_from=stated_from)
    unit = stated or Unit("", "", row_of(name).quantity)
    return Decision(
        Candidate(unit, unit.said, unit.scale, unit.offset),
        stated_from if stated else "assumed",
        "",
    )
