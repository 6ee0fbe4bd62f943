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
from functools import cache
from typing import Any, NamedTuple

from audit.intake.units.decide import Candidate, Decision, Scored, Source, decide
from audit.model import base_of
from audit.tables import row_of, toml_table

Bound = float | str | list[Any]
Limits = tuple[float, float, float, float]  # low, high, width below, width above

_TERM = re.compile(r"(?:([\d.]+) )?([a-z_]+)(?: ([+-]) ([\d.]+))?$")
NOUGHT = 1e-12  # so that nothing has a logarithm too
TURNED: Mapping[str, Callable[[Candidate, float], float]] = {
    "value": lambda candidate, value: candidate.turned(value),
    "scaled": lambda candidate, value: candidate.scale * value,
    "span": lambda candidate, value: abs(candidate.scale) * value,
    "over": lambda candidate, value: candidate.turned(value) - candidate.offset,
    "per": lambda candidate, value: value / candidate.scale,
    "source": lambda _, value: value,
}


class Measured(NamedTuple):
    """What was measured of a column. seen: levels in its own unit, None where the log does not show
    them; flags: words that hold of it; known: figures that the rows' bounds are made of; typical:
    the level to compare units at, where it is not the table's.
    """

    seen: Mapping[str, float | None] = {}
    flags: frozenset[str] = frozenset()
    known: Mapping[str, float] = {}
    typical: float | None = None


class Row:
    """A row of the table, its words and bounds taken apart once; the head of the table explains
    each field.
    """

    def __init__(
        self,
        *,
        seen: str,
        when: str = "",
        unless: str = "",
        given: Mapping[str, Any] | None = None,
        why: str = "",
        points: float | None = None,
        least: float = 0.0,
        log: bool = False,
        width: float | str | list[float] = 1.0,
        low: Bound = -math.inf,
        high: Bound = math.inf,
        **how: Any,
    ) -> None:
        self.seen, self.why, self.points, self.floor, self.log = seen, why, points, -least, log
        self.when, self.unless = frozenset(when.split()), frozenset(unless.split())
        self.turn = TURNED[how.get("as", "value")]
        self.other, self.turned_over = how.get("or"), how.get("not", False)
        self.given = None if given is None else Row(**given)
        below, above = width if isinstance(width, list) else (width, width)
        self._bounds = low, high, below, above
        plain = all(isinstance(bound, float) for bound in self._bounds)
        self._limits = self._figures({}) if plain else None

    def limits(self, known: Mapping[str, float]) -> Limits | None:
        """Its bounds as figures; None where one is made of a figure that is not known."""
        return self._limits or self._figures(known)

    def _figures(self, known: Mapping[str, float]) -> Limits | None:
        try:
            low, high, below, above = (_figure(bound, known) for bound in self._bounds)
        except KeyError:
            return None
        return (
            (math.log(low), math.log(high), below, above) if self.log else (low, high, below, above)
        )

    def holds(self, words: frozenset[str], candidate: Candidate, measured: Measured) -> bool:
        """Whether it speaks of a candidate. words: of the column and of the candidate."""
        if not self.when <= words or (self.unless and self.unless <= words):
            return False
        if self.given is None:
            return True
        value, limits = measured.seen.get(self.given.seen), self.given.limits({})
        if value is None or limits is None:
            return False
        inside = limits[0] <= self.given.level(candidate, value, measured) <= limits[1]
        return inside is not self.given.turned_over

    def level(self, candidate: Candidate, value: float, measured: Measured) -> float:
        """What was measured, as the row looks at it; where up is down the lowest is the highest."""
        if candidate.scale < 0 and self.seen in ("low", "high"):
            other = measured.seen.get("high" if self.seen == "low" else "low")
            value = value if other is None else other
        out = self.turn(candidate, value)
        return math.log(max(out, NOUGHT)) if self.log else out

    def judge(self, one: Scored, value: float, limits: Limits) -> None:
        """Put its points on a candidate."""
        low, high, below, above = limits
        if self.points is not None:
            if low <= value <= high:
                one.evidence += self.points
                one.why += [self.why] if self.why else []
            return
        points = window(value, low, high, below if value < low else above, self.floor)
        if other := self.other:
            as_well = window(value, other["low"], other["high"], other["width"], -other["least"])
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
def part_of(channel: str) -> Part | None:
    """The part of the table for a channel, by its name or else its quantity; None without one."""
    table = toml_table("evidence.toml")
    found = table.get(base_of(channel)) or table.get(row_of(channel).quantity)
    while found is not None and "like" in found:
        found = table[found["like"]]
    if found is None:
        return None
    return Part(**{**found, "rows": tuple(Row(**row) for row in found.get("rows", ()))})


def decided(
    channel: str,
    scored: Sequence[Scored],
    source: Source,
    measured: Measured,
    *,
    safest: bool = True,
) -> Decision:
    """The decision of a channel's unit, of candidates that are weighed. safest: if its part says
    so.
    """
    part = part_of(channel) or Part()
    typical = measured.typical
    if typical is None:
        typical = measured.seen.get(part.typical) or 1.0
    return decide(scored, source, typical=typical, safest=safest and part.safest)


def window(value: float | None, low: float, high: float, width: float, floor: float) -> float:
    """0 inside low to high, falling off as a Gaussian's logarithm outside, never below -floor; 0
    for None.
    """
    if value is None:
        return 0.0
    if not math.isfinite(value):
        return -floor
    away = low - value if value < low else value - high if value > high else 0.0
    return -min(0.5 * min(away / width, 1e3) ** 2, floor)


def weigh(scored: Sequence[Scored], channel: str, measured: Measured) -> None:
    """Put the evidence of a channel's rows on each candidate."""
    part = part_of(channel)
    worded = [
        (one, measured.flags | {one.candidate.reference, one.candidate.unit.key}) for one in scored
    ]
    for row in part.rows if part else ():
        value = measured.seen.get(row.seen)
        limits = None if value is None else row.limits(measured.known)
        if value is None or limits is None:
            continue
        for one, words in worded:
            if row.holds(words, one.candidate, measured):
                row.judge(one, row.level(one.candidate, value, measured), limits)


def _figure(bound: Bound, known: Mapping[str, float]) -> float:
    """A bound as a figure. Raises KeyError where it is made of one that is not known."""
    if isinstance(bound, list):
        pick = min if bound[0] == "least" else max
        return pick(_figure(each, known) for each in bound[1:])
    if isinstance(bound, str):
        match = _TERM.match(bound)
        if match is None:
            raise ValueError(f"'{bound}' in schemas/evidence.toml is no bound")
        times, name, sign, more = match.groups()
        away = float(more or 0.0) * (-1.0 if sign == "-" else 1.0)
        return float(times or 1.0) * known[name] + away
    return float(bound)
