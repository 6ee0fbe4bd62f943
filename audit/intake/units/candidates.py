"""The ways in which a column may be read, each with what the file says for it before a value is
seen.

Pressures are tried as absolute and as gauge whatever the file says: 'MAP (psi)' is often gauge,
'Boost (kPa)' often absolute.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from audit.intake.names.unit_text import Unit, units
from audit.intake.units.decide import MARGIN, STATED, Candidate, Scored, Source, plain
from audit.intake.units.evidence import Part, part_of
from audit.intake.units.scene import quantile
from audit.model import Array, base_of
from audit.tables import row_of

PETROL_AFR = 14.7
ETHANOL_AFR = 9.8  # E85
CLOSED_V, OPEN_V = (0.2, 1.3), (3.2, 5.1)  # a throttle sensor's ends


def by_unit(channel: str, source: Source, us_hint: float = 0.0) -> list[Scored]:
    """The units of a channel's part of the table, as they are.

    us_hint: points for the units of inches and pounds from the rest of the file.
    """
    part = part_of(channel) or Part()
    table, stated = units(), source.stated
    rows = [table[key] for key in part.units]
    if stated is not None and all(u.key != stated.key for u in rows):
        rows.append(stated)

    def prior(unit: Unit) -> float:
        if stated is not None:
            return 0.0 if unit.key == stated.key else -STATED
        return part.usual.get(unit.key, 0.0) + (us_hint if unit.key == part.us else 0.0)

    return [Scored(plain(unit), prior(unit)) for unit in rows]


def as_it_stands(channel: str, source: Source) -> Candidate:
    """The stated unit, or none: for what nothing measures."""
    return plain(source.stated or Unit("", "", row_of(channel).quantity))


def throttle(channel: str, source: Source) -> list[Scored]:
    """Percent, fraction or byte; or volts, stretched between the column's own ends."""
    scored = by_unit(channel, source)
    if source.stated is not None and source.stated.key != "throttle_v":
        return scored
    scored = [s for s in scored if s.candidate.unit.key != "throttle_v"]
    unit, finite = units()["throttle_v"], np.sort(source.values[np.isfinite(source.values)])
    low, high = (quantile(finite, q) if len(finite) else 0.0 for q in (0.01, 0.998))
    if CLOSED_V[0] <= low <= CLOSED_V[1] and OPEN_V[0] <= high <= OPEN_V[1]:
        scale = 100.0 / (high - low)
        said = "V (closed to open taken as 0 to 100 %)"
        prior = 0.0 if source.stated else -1.0
        scored.append(Scored(Candidate(unit, said, scale, -scale * low), prior))
    elif source.stated is not None:
        said = "V (0.5 to 4.5 V taken as 0 to 100 %)"
        scored.append(Scored(Candidate(unit, said, unit.scale, unit.offset), 0.0))
    return scored


def pressure(
    channel: str, source: Source, *, ambient_kpa: float, like: Unit | None = None
) -> list[Scored]:
    """Each unit as absolute and as gauge, in the channel's own reference; a barometer's as absolute
    alone. ambient_kpa: what is added to a gauge reading, or taken from an absolute one.

    like: the unit of the file's other pressures.
    """
    part, stated, hints = part_of(channel) or Part(), source.stated, source.hints
    if base_of(channel) == "barometric_pressure":
        return [
            Scored(one.candidate._replace(said=f"{_bare(unit)} absolute", reference="absolute"), p)
            for one in by_unit(channel, source)
            for unit, p in [(one.candidate.unit, one.prior)]
        ]
    lean = reference_prior(hints, source.words, stated)
    if part.lean:
        says_absolute = stated is not None and stated.reference == "absolute"
        lean = part.lean["absolute" in hints or says_absolute]
    absolute = row_of(channel).quantity == "pressure_absolute"
    offsets = (0.0, ambient_kpa) if absolute else (-ambient_kpa, 0.0)
    scored = []
    for unit, prior in _units(part, stated, like):
        of_absolute, of_gauge = (
            Candidate(unit, f"{_bare(unit)} {word}", unit.scale, offset, unit.special, word)
            for word, offset in zip(("absolute", "gauge"), offsets, strict=True)
        )
        if unit.special:
            scored.append(Scored(of_gauge._replace(said=unit.said), prior))
            continue
        scored.append(Scored(of_absolute, prior - max(lean, 0.0)))
        scored.append(Scored(of_gauge, prior + min(lean, 0.0)))
    finite = source.values[np.isfinite(source.values)]
    if base_of(channel) == "manifold_pressure" and len(finite):
        lowest = quantile(np.sort(finite), 0.01)
        scored += _vacuum(source, part, lowest=lowest, ambient_kpa=ambient_kpa, lean=lean)
    return scored


def _vacuum(
    source: Source, part: Part, *, lowest: float, ambient_kpa: float, lean: float
) -> Iterator[Scored]:
    """A gauge in two scales, inHg below ambient and psi above; vacuum counted upwards."""
    stated = source.stated
    if lowest < 0 and (stated is None or stated.key in ("psi", "psi_gauge", "inhg")):
        mixed = units()["inhg_psi"]
        prior = (-3.3 if stated is not None else -5.5) + min(lean, 0.0)
        yield Scored(plain(mixed)._replace(offset=ambient_kpa, reference="gauge"), prior)
    if "vacuum" in source.hints and lowest >= 0:
        for unit, prior in _units(part, stated):
            said = f"{unit.said} of vacuum"
            yield Scored(Candidate(unit, said, -unit.scale, ambient_kpa, "", "gauge"), prior)


def _units(
    part: Part, stated: Unit | None, like: Unit | None = None
) -> Iterator[tuple[Unit, float]]:
    """(unit, prior) of the sizes that a pressure may have."""
    if stated is not None:
        yield stated, 0.0
    for unit in map(units().__getitem__, part.units):
        usual = part.usual.get(unit.key, 0.0)
        if stated is None:
            same = like is not None and abs(unit.scale - like.scale) < 1e-9
            yield unit, usual + (part.alike if same else 0.0)
        elif abs(unit.scale - stated.scale) > 1e-9:
            yield unit, usual - STATED


def _bare(unit: Unit) -> str:
    return unit.said.removesuffix(" gauge").removesuffix(" absolute")


def reference_prior(hints: frozenset[str], words: Sequence[str], stated: Unit | None) -> float:
    """Points for gauge (negative: for absolute) from name and unit text."""
    points = 0.0
    if stated is not None and stated.reference:
        points += 3.5 if stated.reference == "gauge" else -3.5
    says_gauge = "gauge" in hints or (stated is not None and stated.reference == "gauge")
    if "map" in words:
        points -= 0.0 if says_gauge else 1.5
    elif "absolute" in hints:
        points -= 3.0
    if hints & {"gauge", "vacuum"}:
        points += 2.5
    elif "boost" in hints:
        points += 1.2
    return points


def said_reference(source: Source) -> str:
    """'gauge' or 'absolute' where the unit's text or the header says so, else ''."""
    if source.stated is not None and source.stated.reference:
        return source.stated.reference
    said = source.hints & {"gauge", "absolute"}
    return next(iter(said)) if len(said) == 1 else ""


def mixture(source: Source, *, afr: float, car_says: bool) -> list[Scored]:
    """As lambda: lambda itself, AFR on the fuel's or the petrol scale, phi where a name says so.

    afr: the stoichiometric ratio that turns AFR into lambda; car_says: it is the car file's word.
    """
    table, stated = units(), source.stated
    says_phi = bool({"phi", "φ", "richesse", "eqr"} & set(source.words))
    says_afr = "afr" in source.hints or (
        {"ratio", "air"} <= source.hints and "equiv" not in source.hints
    )
    usual = {"lambda": 0.0, "afr": 0.0 if says_afr else -0.5, "phi": 2.0 if says_phi else -1.5}

    def read(key: str, ratio: float | None = None, less: float = 0.0) -> Scored:
        prior = usual[key] if stated is None else 0.0 if stated.key == key else -STATED
        found = plain(table[key])
        if ratio is not None:
            found = found._replace(said=f"AFR (lambda = AFR/{ratio:g})", scale=1.0 / ratio)
        return Scored(found, prior - less)

    scored = [read("lambda")]
    if says_phi or "equiv" in source.hints or (stated is not None and stated.key == "phi"):
        scored.append(read("phi"))
    scored.append(read("afr", afr))
    if not _near(afr, PETROL_AFR):  # a gauge on the petrol scale whatever the fuel
        scored.append(read("afr", PETROL_AFR, 0.7))
    elif not car_says:
        scored.append(read("afr", ETHANOL_AFR, 3.0))
    if stated is not None and stated.key in ("afr_own", "lambda_pct"):
        own = ETHANOL_AFR if _near(afr, PETROL_AFR) else afr
        scale = 1.0 / own if stated.key == "afr_own" else stated.scale
        scored.append(Scored(Candidate(stated, stated.said, scale), 0.0))
    return scored


def by_the_car(scored: list[Scored], afr: float) -> list[Scored]:
    """Without the other AFR scales, unless one of them fits better by more than the margin."""
    scales = [s for s in scored if s.candidate.unit.key == "afr"]
    own = next(s for s in scales if abs(s.candidate.scale * afr - 1.0) < 1e-9)
    others = [s for s in scales if s is not own]
    if any(s.total - own.total > MARGIN for s in others):
        return [s for s in scored if s is not own]
    return [s for s in scored if s not in others]


def _near(afr: float, other: float) -> bool:
    """The same scale for all purposes: petrol with 10 % of ethanol lies 4 % off petrol."""
    return abs(afr / other - 1.0) <= 0.06


def turned(values: Array, candidate: Candidate) -> Array:
    """Source values in the canonical unit; NaN where they mean nothing."""
    if candidate.special == "reciprocal":
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(values > 0, 1.0 / values, np.nan)
    if candidate.special == "inhg_psi":
        below = units()["inhg"].scale * values
        return np.where(values < 0, below, candidate.scale * values) + candidate.offset
    if candidate.scale == 1.0 and candidate.offset == 0.0:
        return values
    return values * candidate.scale + candidate.offset
