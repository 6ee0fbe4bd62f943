"""The ways in which a column may be read, each with what the file says for it before a value is
seen.

Pressures are tried as absolute and as gauge whatever the file says: 'MAP (psi)' is often gauge,
'Boost (kPa)' often absolute.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from audit.intake.units.evidence import MARGIN, STATED, Decision, Part, Scored, Source, part_of
from audit.intake.units.scene import in_order, quantile
from audit.model import Array, base_of
from audit.tables import row_of
from audit.units import Unit, units

PETROL_AFR = 14.7
ETHANOL_AFR = 9.8  # E85
CLOSED_V, OPEN_V = (0.2, 1.3), (3.2, 5.1)  # a throttle sensor's ends
OFF_ZERO = 0.3  # ° of knock retard: nearer to nought a reading tells no sign
STRAYS, STRAY_SHARE, FEW = 3, 0.02, 0.25  # most readings of the other sign, also by their share


def by_unit(channel: str, source: Source, us_hint: float = 0.0) -> list[Scored]:
    """The units of a channel's part of the table, as they are.

    us_hint: points for the units of inches and pounds from the rest of the file.
    """
    part, stated = part_of(channel), source.stated
    rows = {key: units()[key] for key in part.units}
    if stated is None and not rows:  # what nothing measures stands as it is
        return [Scored(Unit("", "", row_of(channel).quantity), 0.0)]
    if stated is None:
        return [
            Scored(unit, part.usual.get(key, 0.0) + (us_hint if key == part.us else 0.0))
            for key, unit in rows.items()
        ]
    rows.setdefault(stated.key, stated)
    return [Scored(u, 0.0 if key == stated.key else -STATED) for key, u in rows.items()]


def throttle(channel: str, source: Source) -> list[Scored]:
    """Percent, fraction or byte; or volts, stretched between the column's own ends."""
    scored, volts = by_unit(channel, source), units()["throttle_v"]
    if source.stated not in (None, volts):
        return scored
    scored = [s for s in scored if s.candidate is not volts]
    ordered = in_order(source.values)
    low, high = (quantile(ordered, q) if len(ordered) else 0.0 for q in (0.01, 0.998))
    if CLOSED_V[0] <= low <= CLOSED_V[1] and OPEN_V[0] <= high <= OPEN_V[1]:
        scale = 100.0 / (high - low)
        said = "V (closed to open taken as 0 to 100 %)"
        stretched = volts._replace(said=said, scale=scale, offset=-scale * low)
        scored.append(Scored(stretched, 0.0 if source.stated else -1.0))
    elif source.stated is not None:
        scored.append(Scored(volts._replace(said="V (0.5 to 4.5 V taken as 0 to 100 %)"), 0.0))
    return scored


def pressure(
    channel: str, source: Source, *, ambient_kpa: float, like: Unit | None = None
) -> list[Scored]:
    """Each unit as absolute and as gauge, in the channel's own reference; a barometer's as absolute
    alone. ambient_kpa: what is added to a gauge reading, or taken from an absolute one.

    like: the unit of the file's other pressures.
    """
    part, stated, hints = part_of(channel), source.stated, source.hints
    if base_of(channel) == "barometric_pressure":
        return [
            Scored(_referred(s.candidate, "absolute", s.candidate.offset), s.prior)
            for s in by_unit(channel, source)
        ]
    lean = reference_prior(hints, source.words, stated)
    if part.lean:
        says_absolute = stated is not None and stated.reference == "absolute"
        lean = part.lean["absolute" in hints or says_absolute]
    absolute = row_of(channel).quantity == "pressure_absolute"
    of_absolute, of_gauge = (0.0, ambient_kpa) if absolute else (-ambient_kpa, 0.0)
    scored = []
    for unit, prior in _units(part, stated, like):
        gauge = _referred(unit, "gauge", of_gauge)
        if unit.special:
            scored.append(Scored(gauge._replace(said=unit.said), prior))
            continue
        one = _referred(unit, "absolute", of_absolute)
        scored += [Scored(one, prior - max(lean, 0.0)), Scored(gauge, prior + min(lean, 0.0))]
    there = in_order(source.values)
    if base_of(channel) == "manifold_pressure" and len(there):
        lowest = quantile(there, 0.01)
        scored += _vacuum(source, part, lowest=lowest, ambient_kpa=ambient_kpa, lean=lean)
    return scored


def _referred(unit: Unit, reference: str, offset: float) -> Unit:
    bare = unit.said.removesuffix(" gauge").removesuffix(" absolute")
    return unit._replace(said=f"{bare} {reference}", offset=offset, reference=reference)


def _vacuum(
    source: Source, part: Part, *, lowest: float, ambient_kpa: float, lean: float
) -> Iterator[Scored]:
    """A gauge in two scales, inHg below ambient and psi above; vacuum counted upwards."""
    stated = source.stated
    if lowest < 0 and (stated is None or stated.key in ("psi", "psi_gauge", "inhg")):
        prior = (-3.3 if stated is not None else -5.5) + min(lean, 0.0)
        yield Scored(units()["inhg_psi"]._replace(offset=ambient_kpa), prior)
    if "vacuum" in source.hints and lowest >= 0:
        for unit, prior in _units(part, stated):
            up = Unit(unit.key, f"{unit.said} of vacuum", unit.quantity, -unit.scale, ambient_kpa)
            yield Scored(up._replace(reference="gauge"), prior)


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


def reference_prior(hints: frozenset[str], words: Sequence[str], stated: Unit | None) -> float:
    """Points for gauge (negative: for absolute) from name and unit text."""
    of_unit = stated.reference if stated is not None else ""
    points = {"gauge": 3.5, "absolute": -3.5}.get(of_unit, 0.0)
    if "map" in words:
        points -= 0.0 if "gauge" in (*hints, of_unit) else 1.5
    elif "absolute" in hints:
        points -= 3.0
    return points + (2.5 if hints & {"gauge", "vacuum"} else 1.2 if "boost" in hints else 0.0)


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
    stated, hints = source.stated, source.hints
    says_phi = bool({"phi", "φ", "richesse", "eqr"} & set(source.words))
    says_afr = "afr" in hints or ({"ratio", "air"} <= hints and "equiv" not in hints)
    usual = {"lambda": 0.0, "afr": 0.0 if says_afr else -0.5, "phi": 2.0 if says_phi else -1.5}

    def read(key: str, ratio: float | None = None, less: float = 0.0) -> Scored:
        prior = usual[key] if stated is None else 0.0 if stated.key == key else -STATED
        found = units()[key]
        if ratio is not None:
            found = found._replace(said=f"AFR (lambda = AFR/{ratio:g})", scale=1.0 / ratio)
        return Scored(found, prior - less)

    scored = [read("lambda")]
    if says_phi or "equiv" in hints or (stated is not None and stated.key == "phi"):
        scored.append(read("phi"))
    scored.append(read("afr", afr))
    of_petrol = abs(afr / PETROL_AFR - 1.0) <= 0.06  # with 10 % of ethanol it lies 4 % off petrol
    if not of_petrol:  # a gauge on the petrol scale whatever the fuel
        scored.append(read("afr", PETROL_AFR, 0.7))
    elif not car_says:
        scored.append(read("afr", ETHANOL_AFR, 3.0))
    if stated is not None and stated.key in ("afr_own", "lambda_pct"):
        own = 1.0 / (ETHANOL_AFR if of_petrol else afr)
        scale = own if stated.key == "afr_own" else stated.scale
        scored.append(Scored(stated._replace(scale=scale), 0.0))
    return scored


def by_the_car(scored: list[Scored], afr: float) -> list[Scored]:
    """Without the other AFR scales, unless one of them fits better by more than the margin."""
    scales = [s for s in scored if s.candidate.key == "afr"]
    own = next(s for s in scales if abs(s.candidate.scale * afr - 1.0) < 1e-9)
    better = any(s.total - own.total > MARGIN for s in scales)
    return [s for s in scored if s not in scales or (s is own) is not better]


def retard(source: Source, every: Sequence[Array]) -> Decision:
    """Timing taken out, positive: its sign is told by how many readings stand to either side of
    nought, never by how far the furthest goes; a column that goes negative, but for strays, is
    turned over.

    every: the columns of all knock sensors, which tell for one that has nothing to tell itself.
    """
    below, above = _either_side([source.values])
    if not below and not above:
        below, above = _either_side(every)
    negative, less, more = below > above, min(below, above), max(below, above)
    mixed = less > max(STRAYS, STRAY_SHARE * more) or (less > 0 and less >= FEW * more)
    unit = units()["deg_negative"] if negative else source.stated or units()["deg"]
    says = "it goes to both sides of nought" if mixed else ""
    says = says or f"{'negative' if negative else 'positive'} means taken out"
    if mixed:
        unit = unit._replace(said="° (both signs, the commoner taken as taken out)")
    return Decision(
        unit._replace(scale=-1.0 if negative else 1.0, offset=0.0),
        "physics" if negative else source.stated_from or "assumed",
        f"{says}: {below} readings below nought, {above} above" if below or above else "",
        0.6 if mixed else 1.0,
        "the other sign" if mixed else "",
        mixed,
    )


def _either_side(columns: Sequence[Array]) -> tuple[int, int]:
    """How many readings stand below nought and how many above."""
    below, above = (
        sum(int((sign * column > OFF_ZERO).sum()) for column in columns) for sign in (-1.0, 1.0)
    )
    return below, above
