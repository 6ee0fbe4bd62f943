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
from functools import cache
from typing import Any

from audit.intake.units.decide import Candidate, Decision, Scored, Source, decide
from audit.model import base_of
from audit.tables import row_of, toml_table

Bound = float | str | list[Any]

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


@dataclass(frozen=True, slots=True)
class Measured:
    """What was measured of a column. seen: levels in its own unit, None where the log does not show
    them; flags: words that hold of it; known: figures that the rows' bounds are made of; typical:
    the level to compare units at, where it is not the table's.
    """

    seen: Mapping[str, float | None] = field(default_factory=dict)
    flags: frozenset[str] = frozenset()
    known: Mapping[str, float] = field(default_factory=dict)
    typical: float | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """What the table says of one channel or quantity; the head of the table explains each field."""

    units: tuple[str, ...] = ()
    usual: Mapping[str, float] = field(default_factory=dict)
    us: str = ""
    levels: Mapping[str, float] = field(default_factory=dict)
    states: Mapping[str, tuple[str, float]] = field(default_factory=dict)
    alike: float = 0.0
    lean: tuple[float, ...] = ()
    sizes: bool = False
    typical: str = "high"
    safest: bool = False
    rows: tuple[Mapping[str, Any], ...] = ()


@cache
def part_of(channel: str) -> Part | None:
    """The part of the table for a channel, by its name or else its quantity; None without one."""
    table = toml_table("evidence.toml")
    found = table.get(base_of(channel)) or table.get(row_of(channel).quantity)
    while found is not None and "like" in found:
        found = table[found["like"]]
    return None if found is None else Part(**found)


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
    for row in part.rows if part else ():
        value = measured.seen.get(row["seen"])
        limits = None if value is None else _limits(row, measured.known)
        if value is None or limits is None:
            continue
        for one in scored:
            words = measured.flags | {one.candidate.reference, one.candidate.unit.key}
            if _holds(row, words) and _given(row.get("given"), one.candidate, measured):
                _add(one, row, _turned(one.candidate, row, value, measured), limits)


def _holds(row: Mapping[str, Any], words: frozenset[str]) -> bool:
    unless = row.get("unless")
    return words.issuperset(row.get("when", "").split()) and not (
        unless and words.issuperset(unless.split())
    )


def _given(row: Mapping[str, Any] | None, candidate: Candidate, measured: Measured) -> bool:
    if row is None:
        return True
    value = measured.seen.get(row["seen"])
    if value is None:
        return False
    low, high = row.get("low", -math.inf), row.get("high", math.inf)
    inside = low <= _turned(candidate, row, value, measured) <= high
    return bool(inside is not row.get("not", False))


def _turned(
    candidate: Candidate, row: Mapping[str, Any], value: float, measured: Measured
) -> float:
    """What was measured, as the row looks at it; where up is down the lowest is the highest."""
    if candidate.scale < 0 and row["seen"] in ("low", "high"):
        other = measured.seen.get("high" if row["seen"] == "low" else "low")
        value = value if other is None else other
    out = TURNED[row.get("as", "value")](candidate, value)
    return math.log(max(out, NOUGHT)) if row.get("log") else out


def _add(
    one: Scored, row: Mapping[str, Any], value: float, limits: tuple[float, float, float, float]
) -> None:
    low, high, below, above = limits
    why = row.get("why", "")
    if "points" in row:
        if low <= value <= high:
            one.evidence += row["points"]
            one.why += [why] if why else []
        return
    points = window(value, low, high, below if value < low else above, -row["least"])
    if other := row.get("or"):
        as_well = window(value, other["low"], other["high"], other["width"], -other["least"])
        points = max(points, as_well - other["less"])
    one.add(points, why)


def _limits(
    row: Mapping[str, Any], known: Mapping[str, float]
) -> tuple[float, float, float, float] | None:
    """low, high, width below and above, of figures; None where one of them is not known."""
    width = row.get("width", 1.0)
    below, above = width if isinstance(width, list) else (width, width)
    bounds = (row.get("low", -math.inf), row.get("high", math.inf), below, above)
    try:
        low, high, below, above = (_figure(bound, known) for bound in bounds)
    except KeyError:
        return None
    if row.get("log"):
        low, high = math.log(low), math.log(high)
    return low, high, below, above


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
