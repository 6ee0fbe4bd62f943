"""What is trended, and what a note touches of it, by the table schemas/trends.toml."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from audit.errors import UsageError, did_you_mean
from audit.night.days import today
from audit.tables import toml_table


@dataclass(frozen=True, slots=True)
class Correction:
    """One thing that moves a measure and is not the car's health.

    column: of the pull or log rows. at: the reference value, None for the car's own median. slope,
    sd: the measure's change per unit expected before any night was seen, and how far a car may
    differ from that.
    """

    column: str
    slope: float
    sd: float
    at: float | None = None


@dataclass(frozen=True, slots=True)
class Watched:
    """One trended measure.

    noise: spread from night to night expected before any night was seen. matters, serious: the
    least shift that is worth a 'watch' and a 'hold', unit; bad: 'up', 'down' or 'both', the
    direction that is worth a word. limit: (code, measure) of the limit that a slope is run against,
    None for none. quick_h: decision interval of its quick sum, None for the one of all measures.
    """

    name: str
    label: str
    unit: str
    digits: int
    kind: str
    column: str
    noise: float
    matters: float
    serious: float
    bad: str
    code: Mapping[str, str]
    means: Mapping[str, str]
    channel: str = ""
    called: str = ""
    by_gear: float = 0.0
    limit: tuple[str, str] | None = None
    corrections: tuple[Correction, ...] = ()
    relative: bool = False
    quick_h: float | None = None
    look_at: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@lru_cache(maxsize=1)
def watched() -> tuple[Watched, ...]:
    """All trended measures in the table's order."""
    return tuple(_watched(name, row) for name, row in toml_table("trends.toml")["measure"].items())


def _watched(name: str, row: dict) -> Watched:  # type: ignore[type-arg]
    taken = {
        key: value for key, value in row.items() if key not in ("why", "source", "corrections")
    }
    if "limit" in taken:
        code, measure = taken["limit"]
        taken["limit"] = (code, measure)
    taken["look_at"] = {side: tuple(rows) for side, rows in taken.get("look_at", {}).items()}
    corrections = tuple(Correction(**c) for c in row.get("corrections", ()))
    return Watched(name=name, corrections=corrections, **taken)


def called(names: Iterable[str]) -> str:
    """Measures in few words: 'injector duty, pressure at rest'."""
    own = {row.name: row.called for row in watched()}
    return ", ".join(own.get(name) or name.replace("_", " ") for name in names)


@lru_cache(maxsize=1)
def chart_settings() -> Mapping[str, float]:
    """Figures of the charts, by name."""
    return {
        name: float(row["value"]) for name, row in toml_table("trends.toml")["settings"].items()
    }


def touches_of(
    text: str, day: str, affects: Sequence[str] | None = None
) -> tuple[tuple[str, ...], str]:
    """(the measures that a note of a day touches, why there are none). affects: as in Journal.add.

    Raises UsageError for a measure that is none.
    """
    every = [measure.name for measure in watched()]
    known = [*every, "all", "none"]
    for name in affects or ():
        if name not in known:
            raise UsageError(f"--affects {name}: no such measure. {did_you_mean(name, known)}")
    if affects:
        return tuple(n for n in every if n in affects or "all" in affects), ""
    if day > today():
        return (), f"{day} is still to come"
    found = touched_by(text)
    doubt = "its words are not known as hardware that a measure depends on"
    return ((), doubt) if found is None else (found, "")


def touched_by(text: str) -> tuple[str, ...] | None:
    """The measures that a note's words touch by the table in schemas/trends.toml; None for unknown
    words, () for a note that tells of a test or of how the car is, and not of a change.
    """
    found: list[str] = []
    for row in toml_table("trends.toml")["hardware"]:
        if any(re.search(rf"\b{re.escape(word)}", text.lower()) for word in row["words"]):
            if not row["touches"]:  # tried and found sound, or the car as it is: no change
                return ()
            found += row["touches"]
    return tuple(dict.fromkeys(found)) or None
