"""Two pulls, logs or nights side by side: each measure, and what differs for certain."""

from __future__ import annotations

import math
import statistics
from typing import Any, NamedTuple

from audit.model import Measures
from audit.report.display import apart, number, unit_for
from audit.report.words import CAUTION, Sheet, aligned, many
from audit.tables import toml_table


class Side(NamedTuple):
    """One thing compared: its name, and gear and measures of each of its pulls. us_units: its own;
    afr: air-fuel ratio for one of lambda, where its logs gave that.
    """

    name: str
    pulls: tuple[tuple[int | None, Measures], ...]
    us_units: bool = False
    afr: float | None = None


class Difference(NamedTuple):
    """One measure: means of both sides, b - a, and from which difference on it is certain."""

    measure: str
    label: str
    digits: int
    a: float
    b: float
    difference: float
    certain_from: float
    certain: bool
    unit: str


class Comparison(NamedTuple):
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
    table = toml_table("compare.toml")
    shared = [
        (min(sum(g == gear for g, _ in side.pulls) for side in (a, b)), gear)
        for gear in {g for g, _ in a.pulls if g is not None}
    ]
    most, gear = max(shared, default=(0, None))
    gear = gear if most else None
    left, right = ([m for g, m in side.pulls if gear is None or g == gear] for side in (a, b))
    prior, sure = (float(table["settings"][key]["value"]) for key in ("prior_pulls", "sure"))
    rows = []
    for name, row in table["measure"].items():
        one, other = ([v for m in side if (v := m.get(name)) is not None] for side in (left, right))
        if not one or not other:
            continue
        mean, others = statistics.fmean(one), statistics.fmean(other)
        squares = sum((v - m) ** 2 for side, m in ((one, mean), (other, others)) for v in side)
        free = prior + len(one) + len(other) - 2
        variance = (prior * float(row["noise"]) ** 2 + squares) / free
        least, change = sure * math.sqrt(variance * (1 / len(one) + 1 / len(other))), others - mean
        told = name, row["label"], int(row.get("digits", 1)), mean, others, change, least
        rows.append(Difference(*told, abs(change) > least, row["unit"]))
    return Comparison(a, b, gear, (len(left), len(right)), tuple(rows))


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
                key: round(value, 4) if isinstance(value, float) else value
                for key, value in list(row._asdict().items())[3:]
            }
            for row in found.rows
        },
    }


def render(found: Comparison, *, us: bool) -> list[str]:
    """A table that a phone shows: both figures, the difference, * where it is certain."""
    sheet, afr = Sheet(us=us), found.a.afr or found.b.afr if us else None
    for mark, side, count in zip("AB", found[:2], found.counts, strict=True):
        sheet.say(f"{mark}: {side.name} ({many(count, 'pull')})", "", "   ")
    gear = "gear not known, or none that both have: all pulls"
    sheet.lines.append(gear if found.gear is None else f"gear {found.gear}")
    sheet.part(_line("", "A", "B", "B-A"))
    for row in found.rows:
        mark, unit = "*" if row.certain else "", unit_for(row.unit, us=us)
        if afr and row.unit == "1":  # a lambda as the logger gave it, to stand above it
            a, b = (f"{v * afr:.1f}" for v in (row.a, row.b))
            label = row.label.replace("lambda", "air-fuel ratio")
            sheet.lines.append(_line(label, a, b, apart(a, b)) + mark)
        a, b = (number(v, row.unit, us=us, digits=row.digits) for v in (row.a, row.b))
        label = f"{row.label}, {unit}" if unit else row.label
        sheet.lines.append(_line(label, a, b, apart(a, b)) + mark)
    certain = "; ".join(row.label for row in found.rows if row.certain)
    none = "Nothing differs by more than such pulls differ among themselves."
    sheet.part()
    sheet.say(f"Differs for certain (*): {certain}." if certain else none)
    sheet.part()
    sheet.say(CAUTION)
    return sheet.lines


def _line(label: str, a: str, b: str, change: str) -> str:
    return f"{label:<25}" + aligned((6, 6, 6), a, b, change)
