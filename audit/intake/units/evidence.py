"""One scorer of units: rows of schemas/evidence.toml, held against what was measured of a column.

A row says what a measured level would have to be under the right unit. Each candidate turns the
level into its own canonical value and gains or loses points by where that falls:

    row        { seen = "idle", low = 20, high = 70, width = 7, least = -11 }
    measured   idle = -9.6 in the source's unit
    psi gauge  -9.6 psi over ambient = 35 kPa: inside, 0 points
    kPa gauge  92 kPa: 22 beyond 70, -0.5 * (22 / 7)² = -4.9 points
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import Any, NamedTuple

from audit.intake.names.naming import CAR_FILE
from audit.model import Array, base_of
from audit.tables import row_of, toml_table
from audit.units import Unit, units

MARGIN = 2.0  # log-likelihood by which the best must lead, about 7 to 1
STATED = 6.0  # what a unit stated in the file weighs against another
CONTRADICTED = -7.0  # evidence against a stated unit from here on is worth a doubt
SAME = 0.04  # two readings that differ by less are one
NOUGHT = 1e-12  # so that nothing has a logarithm too

Bound = float | str | list[Any]
Limits = tuple[float, float, float, float]  # low, high, width below, width above

_TERM = re.compile(r"(?:([\d.]+) )?([a-z_]+)(?: ([+-]) ([\d.]+))?$")
TURNED: Mapping[str, Callable[[Unit, float], float]] = {
    "value": lambda unit, value: unit.turned(value),
    "scaled": lambda unit, value: unit.scale * value,
    "span": lambda unit, value: abs(unit.scale) * value,
    "over": lambda unit, value: unit.turned(value) - unit.offset,
    "per": lambda unit, value: value / unit.scale,
    "source": lambda _, value: value,
}


class Source(NamedTuple):
    """One named column, thinned and forward-filled, with what the file says of its unit.

    still: it shows one value all through.
    """

    values: Array
    stated: Unit | None
    stated_from: str
    hints: frozenset[str]
    words: tuple[str, ...]
    still: bool = False


@dataclass(slots=True)
class Scored:
    """A candidate's score: prior (what the file says) and evidence (what the values say)."""

    candidate: Unit
    prior: float
    evidence: float = 0.0
    why: list[str] = field(default_factory=list)

    def add(self, points: float, why: str = "", *, told_from: float = 1.0) -> None:
        """Put points on; why is kept when it weighs something."""
        self.evidence += points
        if why and abs(points) >= told_from:
            self.why.append(why)

    @property
    def total(self) -> float:
        return self.prior + self.evidence


class Decision(NamedTuple):
    """How a column's unit was decided."""

    candidate: Unit
    unit_from: str
    unit_why: str
    confidence: float = 1.0
    runner_up: str = ""
    doubtful: bool = False


class Measured(NamedTuple):
    """What was measured of a column. seen: levels in its own unit, None where the log does not show
    them; flags: words that hold of it; known: figures that the rows' bounds are made of; typical:
    the level to compare units at, where it is not the table's; safest: as its part says.
    """

    seen: Mapping[str, float | None] = {}
    flags: frozenset[str] = frozenset()
    known: Mapping[str, float] = {}
    typical: float | None = None
    safest: bool = True


@dataclass(eq=False, repr=False)
class Row:
    """A row of the table; its head explains each field."""

    seen: str
    by: str = "value"
    low: Bound = -math.inf
    high: Bound = math.inf
    width: float | str | list[float] = 1.0
    least: float = 0.0
    log: bool = False
    points: float | None = None
    instead: Mapping[str, float] | None = None
    when: str = ""
    unless: str = ""
    given: Mapping[str, Any] | None = None
    outside: bool = False
    why: str = ""

    @cached_property
    def words(self) -> tuple[frozenset[str], frozenset[str]]:
        """Words of which all must hold, and words of which not all may."""
        return frozenset(self.when.split()), frozenset(self.unless.split())

    @cached_property
    def condition(self) -> Row | None:
        return None if self.given is None else Row(**self.given)

    @cached_property
    def fixed(self) -> Limits | None:
        """Its bounds, where they are made of nothing that is first to be known."""
        return self.limits({})

    def limits(self, known: Mapping[str, float]) -> Limits | None:
        """Its bounds as figures; None where one is made of a figure that is not known."""
        below, above = self.width if isinstance(self.width, list) else (self.width, self.width)
        try:
            low, high = _figure(self.low, known), _figure(self.high, known)
            widths = _figure(below, known), _figure(above, known)
        except KeyError:
            return None
        return (math.log(low), math.log(high), *widths) if self.log else (low, high, *widths)

    def holds(self, words: frozenset[str], candidate: Unit, measured: Measured) -> bool:
        """Whether it speaks of a candidate. words: of the column and of the candidate."""
        when, unless = self.words
        if not when <= words or (unless and unless <= words):
            return False
        if self.condition is None:
            return True
        value, limits = measured.seen.get(self.condition.seen), self.condition.fixed
        if value is None or limits is None:
            return False
        inside = limits[0] <= self.condition.level(candidate, value, measured) <= limits[1]
        return inside is not self.condition.outside

    def level(self, candidate: Unit, value: float, measured: Measured) -> float:
        """What was measured, as the row looks at it; where up is down the lowest is the highest."""
        if candidate.scale < 0 and self.seen in ("low", "high"):
            other = measured.seen.get("high" if self.seen == "low" else "low")
            value = value if other is None else other
        out = TURNED[self.by](candidate, value)
        return math.log(max(out, NOUGHT)) if self.log else out

    def judge(self, one: Scored, level: float, limits: Limits) -> None:
        """Put its points on a candidate."""
        low, high, below, above = limits
        if self.points is not None:
            if low <= level <= high:
                one.add(self.points, self.why, told_from=0.0)
            return
        points = window(level, low, high, below if level < low else above, -self.least)
        if other := self.instead:
            as_well = window(level, other["low"], other["high"], other["width"], -other["least"])
            points = max(points, as_well - other["less"])
        one.add(points, self.why)


class Part(NamedTuple):
    """What the table says of one channel or quantity; the head of the table explains each field."""

    units: tuple[str, ...] = ()
    usual: Mapping[str, float] = {}
    us: str = ""
    levels: Mapping[str, float] = {}
    states: Mapping[str, tuple[str, float]] = {}
    alike: float = 0.0
    lean: tuple[float, ...] = ()
    sizes: bool = False
    typical: str = "high"
    safest: bool = False
    rows: tuple[Row, ...] = ()


@cache
def part_of(channel: str) -> Part:
    """The part of the table for a channel, by its name or else its quantity; empty without one."""
    table = toml_table("evidence.toml")
    found = table.get(base_of(channel)) or table.get(row_of(channel).quantity) or {}
    while "like" in found:
        found = table[found["like"]]
    return Part(**{**found, "rows": tuple(Row(**row) for row in found.get("rows", ()))})


def window(value: float, low: float, high: float, width: float, floor: float) -> float:
    """0 inside low to high, falling off as a Gaussian's logarithm outside, never below -floor."""
    if not math.isfinite(value):
        return -floor
    away = max(low - value, value - high, 0.0)
    return -min(0.5 * min(away / width, 1e3) ** 2, floor)


def weigh(scored: Sequence[Scored], channel: str, measured: Measured) -> None:
    """Put the evidence of a channel's rows on each candidate."""
    worded = [(s, measured.flags | {s.candidate.reference, s.candidate.key}) for s in scored]
    for row in part_of(channel).rows:
        value = measured.seen.get(row.seen)
        limits = None if value is None else row.fixed or row.limits(measured.known)
        if value is None or limits is None:
            continue
        for one, words in worded:
            if row.holds(words, one.candidate, measured):
                row.judge(one, row.level(one.candidate, value, measured), limits)


def _figure(bound: Bound, known: Mapping[str, float]) -> float:
    """A bound as a figure. Raises KeyError where it is made of one that is not known."""
    if isinstance(bound, list):
        pick = {"least": min, "most": max}[bound[0]]
        return float(pick(_figure(each, known) for each in bound[1:]))
    if isinstance(bound, str):
        times, name, sign, more = _TERM.findall(bound)[0]
        return float(times or 1.0) * known[name] + float(f"{sign}{more or 0.0}")
    return float(bound)


def decide(channel: str, scored: Sequence[Scored], source: Source, seen: Measured) -> Decision:
    """The best of the weighed candidates, with its margin to the next that gives another value.

    Two are the same when within SAME at a typical, high source value. Where it is safest, below the
    margin the candidate is taken that gives the highest value instead of the likeliest. What the
    car file states stands; so does what the file states of a column that never moves, since a
    broken sensor is no evidence of a unit.
    """
    part, stated = part_of(channel), source.stated
    typical = seen.seen.get(part.typical) or 1.0 if seen.typical is None else seen.typical
    if stated is not None and (source.stated_from == CAR_FILE or source.still):
        kept = [s for s in scored if _same_size(s.candidate.key, stated)]
        referenced = [s for s in kept if stated.reference in ("", s.candidate.reference)]
        scored = referenced or kept or [Scored(stated, 0.0)]
    ranked = sorted(scored, key=lambda s: -s.total)
    best, top = ranked[0], ranked[0].total
    others = [s for s in ranked[1:] if _differs(best.candidate, s.candidate, typical)]
    total = 1.0 + sum(math.exp(s.total - top) for s in others)
    rival = others[0] if others else None
    near = [s for s in others if top - s.total < MARGIN]
    doubtful = bool(near)
    if near and part.safest and seen.safest:
        pick = max([best, *near], key=lambda s: s.candidate.turned(typical))
        best, rival = (best, rival) if pick is best else (pick, best)
    confidence = math.exp(best.total - top) / total
    why = "; ".join([*dict.fromkeys(best.why)][:3])
    said_so = stated is not None and _same_size(best.candidate.key, stated)
    if stated is not None and (not said_so or best.evidence <= CONTRADICTED):
        doubtful, confidence = True, min(confidence, 0.6)
        unfit = f"the {source.stated_from} says {stated.said}, but the values do not fit it"
        why = f"{unfit}; {why}" if why else unfit
    told = best.evidence > -STATED and (best.why or rival is not None)
    return Decision(
        best.candidate,
        source.stated_from if said_so else "physics" if told else "assumed",
        why,
        round(confidence, 3),
        rival.candidate.said if rival else "",
        doubtful,
    )


def _same_size(key: str, stated: Unit) -> bool:
    """Whether a unit of the table is the stated one, whatever its reference."""
    own = units()[key]
    return key == stated.key or (
        abs(own.scale - stated.scale) <= 1e-12
        and (own.offset, own.special) == (stated.offset, stated.special)
    )


def _differs(a: Unit, b: Unit, typical: float) -> bool:
    """Whether two readings give other values, at a typical level or at nought."""
    x, y = a.turned(typical), b.turned(typical)
    most = SAME * max(abs(x), abs(y), 1e-9)
    if not math.isfinite(x) or not math.isfinite(y):
        return True
    return abs(x - y) > most or abs(a.turned(0.0) - b.turned(0.0)) > most
