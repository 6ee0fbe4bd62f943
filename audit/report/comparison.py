"""Two pulls, logs or nights side by side: each measure, the difference, and what differs for
certain.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from audit.model import Measures
from audit.report.display import apart, number, unit_for
from audit.report.response_table import many, wrapped
from audit.report.words import CAUTION
from audit.tables import toml_table


@dataclass(frozen=True)
class Side:
    """One thing compared: its name, and gear and measures of each of its pulls. us_units: its own;
    afr: air-fuel ratio for one of lambda, where its logs gave that.
    """

    name: str
    pulls: tuple[tuple[int | None, Measures], ...]
    us_units: bool = False
    afr: float | None = None


@dataclass(frozen=True, slots=True)
class Difference:
    """One measure: means of both sides, b - a, and the least difference that would be certain."""

    measure: str
    label: str
    unit: str
    digits: int
    a: float
    b: float
    least: float

    @property
    def change(self) -> float:
        return self.b - self.a

    @property
    def certain(self) -> bool:
        return abs(self.change) > self.least


@dataclass(frozen=True)
class Comparison:
    """gear: both sides' pulls are of this gear; None where they share none, and all are taken."""

    a: Side
    b: Side
    gear: int | None
    counts: tuple[int, int]
    rows: tuple[Difference, ...]


def compare(a: Side, b: Side) -> Comparison:
    """Pulls of the gear that both have most of, mean against mean.

    The spread is pooled over both sides with the table's noise as so many pulls more, so one pull
    against one is judged by the table alone.
    """
    gear = _shared_gear(a, b)
    left, right = (_of_gear(side, gear) for side in (a, b))
    rows = [_difference(name, row, left, right) for name, row in _table()["measure"].items()]
    return Comparison(
        a, b, gear, (len(left), len(right)), tuple(row for row in rows if row is not None)
    )


def _table() -> dict[str, Any]:
    return toml_table("compare.toml")


def _shared_gear(a: Side, b: Side) -> int | None:
    counts = [
        (min(sum(g == gear for g, _ in side.pulls) for side in (a, b)), gear)
        for gear in {g for g, _ in a.pulls if g is not None}
    ]
    most, gear = max(counts, default=(0, None))
    return gear if most else None


def _of_gear(side: Side, gear: int | None) -> list[Measures]:
    return [measures for own, measures in side.pulls if gear is None or own == gear]


def _difference(
    name: str, row: Mapping[str, Any], a: Sequence[Measures], b: Sequence[Measures]
) -> Difference | None:
    left, right = ([v for m in side if (v := m.get(name)) is not None] for side in (a, b))
    if not left or not right:
        return None
    setting = {key: float(r["value"]) for key, r in _table()["settings"].items()}
    prior, noise = setting["prior_pulls"], float(row["noise"])
    squares = sum((v - statistics.fmean(side)) ** 2 for side in (left, right) for v in side)
    free = len(left) + len(right) - 2
    variance = (prior * noise**2 + squares) / (prior + free)
    least = setting["sure"] * math.sqrt(variance * (1.0 / len(left) + 1.0 / len(right)))
    return Difference(
        name,
        row["label"],
        row["unit"],
        int(row.get("digits", 1)),
        statistics.fmean(left),
        statistics.fmean(right),
        least,
    )


def document(found: Comparison) -> dict[str, Any]:
    """The document 'pullaudit.comparison', version 1. Canonical units."""
    from audit import __version__

    return {
        "document": "pullaudit.comparison",
        "version": 1,
        "tool": f"pullaudit {__version__}",
        "a": {"name": found.a.name, "pulls": found.counts[0]},
        "b": {"name": found.b.name, "pulls": found.counts[1]},
        "gear": found.gear,
        "measures": {
            row.measure: {
                "a": round(row.a, 4),
                "b": round(row.b, 4),
                "difference": round(row.change, 4),
                "certain_from": round(row.least, 4),
                "certain": row.certain,
                "unit": row.unit,
            }
            for row in found.rows
        },
    }


def render(found: Comparison, *, us: bool) -> list[str]:
    """A table that a phone shows: both figures, the difference, * where it is certain."""
    gear = (
        f"gear {found.gear}"
        if found.gear is not None
        else "gear not known, or none that both have: all pulls"
    )
    lines = [
        *wrapped(f"A: {found.a.name} ({many(found.counts[0], 'pull')})", "", "   "),
        *wrapped(f"B: {found.b.name} ({many(found.counts[1], 'pull')})", "", "   "),
        gear,
        "",
        f"{'':<25}{'A':>6} {'B':>6} {'B-A':>6}",
    ]
    afr = found.a.afr or found.b.afr if us else None
    for row in found.rows:
        lines += [_afr_line(row, afr)] if afr and row.unit == "1" else []
        lines += [_line(row, us=us)]
    certain = [row.label for row in found.rows if row.certain]
    said = f"Differs for certain (*): {'; '.join(certain)}." if certain else NOTHING
    return [*lines, "", *wrapped(said), "", *wrapped(CAUTION)]


NOTHING = "Nothing differs by more than such pulls differ among themselves."


def _afr_line(row: Difference, afr: float) -> str:
    """A lambda as the logger gave it, to stand above it."""
    label = row.label.replace("lambda", "air-fuel ratio")
    a, b = (f"{v * afr:.1f}" for v in (row.a, row.b))
    return f"{label:<25}{a:>6} {b:>6} {apart(a, b):>6}{'*' if row.certain else ''}"


def _line(row: Difference, *, us: bool) -> str:
    unit = unit_for(row.unit, us=us)
    label = row.label if row.unit == "1" else f"{row.label}, {unit}"
    a, b = (number(v, row.unit, us=us, digits=row.digits) for v in (row.a, row.b))
    return f"{label:<25}{a:>6} {b:>6} {apart(a, b):>6}{'*' if row.certain else ''}"
