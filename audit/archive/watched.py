"""What is trended, by the table schemas/trends.toml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

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
    by_gear: float = 0.0
    limit: tuple[str, str] | None = None
    corrections: tuple[Correction, ...] = ()
    relative: bool = False
    quick_h: float | None = None
    look_at: Mapping[str, tuple[str, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hardware:
    """Words of a note and the measures that such a change touches."""

    words: tuple[str, ...]
    touches: tuple[str, ...]


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


@lru_cache(maxsize=1)
def hardware_words() -> tuple[Hardware, ...]:
    """What words in a note mean for the measures."""
    rows = toml_table("trends.toml")["hardware"]
    return tuple(Hardware(tuple(row["words"]), tuple(row["touches"])) for row in rows)


@lru_cache(maxsize=1)
def chart_settings() -> Mapping[str, float]:
    """Figures of the charts, by name."""
    return {
        name: float(row["value"]) for name, row in toml_table("trends.toml")["settings"].items()
    }
