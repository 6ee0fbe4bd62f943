"""What is trended, and what a note touches of it, by the table schemas/trends.toml."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

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
    """One trended measure, or a signature of several, as its row in the table has it.

    sums: (reference value k, decision interval h) of its cumulative sums, in spreads, by name.
    parts: of a signature, the side that the fault moves each of its measures to; share, least: the
    mean shift of the parts that is worth a word, and that of the second largest, in shifts that
    matter.
    """

    name: str
    label: str
    unit: str
    digits: int
    matters: float
    serious: float
    bad: str
    code: Mapping[str, str]
    means: Mapping[str, str]
    look_at: Mapping[str, Sequence[str]]
    sums: Mapping[str, tuple[float, float]]
    channel: str
    kind: str = ""
    column: str = ""
    noise: float = 1.0
    called: str = ""
    by_gear: float = 0.0
    limit: tuple[str, str] | None = None
    corrections: tuple[Correction, ...] = ()
    parts: Mapping[str, str] = field(default_factory=dict)
    share: float = 1.0
    least: float = 1.0

    @property
    def sides(self) -> tuple[str, ...]:
        """The directions that are worth a word."""
        return ("up", "down") if self.bad == "both" else (self.bad,)

    @property
    def first(self) -> int:
        """The first night that is charted; a signature's parts have had theirs."""
        return 0 if self.parts else int(chart_settings()["least_nights"])


@lru_cache(maxsize=1)
def watched() -> tuple[Watched, ...]:
    """All trended measures in the table's order."""
    return tuple(_watched(name, row) for name, row in toml_table("trends.toml")["measure"].items())


@lru_cache(maxsize=1)
def signatures() -> tuple[Watched, ...]:
    """The faults that move several measures at once."""
    rows = toml_table("trends.toml")["signature"]
    return tuple(_watched(name, row) for name, row in rows.items())


def _watched(name: str, row: Mapping[str, Any]) -> Watched:
    setting = chart_settings()
    sums = {
        which: (setting[f"{which}_k"], row.get(f"{which}_h", setting[f"{which}_h"]))
        for which in ("quick", "slow")
    }
    taken = {key: row[key] for key in row if key in Watched.__dataclass_fields__}
    taken["corrections"] = tuple(Correction(**c) for c in row.get("corrections", ()))
    return Watched(**taken | {"name": name, "sums": sums})


def called(names: Iterable[str]) -> str:
    """Measures in few words: 'injector duty, pressure at rest'."""
    own = {row.name: row.called for row in watched()}
    return ", ".join(own.get(name) or name.replace("_", " ") for name in names)


@lru_cache(maxsize=1)
def chart_settings() -> Mapping[str, float]:
    """Figures of the charts, by name."""
    rows = toml_table("trends.toml")["settings"]
    return {name: float(row["value"]) for name, row in rows.items()}


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
    words. A note that tells of a test or of how the car is tells of no change: it touches only what
    it calls by its label, which stands as it now is from that day on.
    """
    found: list[str] = []
    for row in toml_table("trends.toml")["hardware"]:
        if any(re.search(rf"\b{re.escape(word)}", text.lower()) for word in row["words"]):
            if not row["touches"]:  # tried and found sound, or the car as it is: no change
                return tuple(m.name for m in watched() if m.label in text.lower())
            found += row["touches"]
    return tuple(dict.fromkeys(found)) or None
