"""The figures of schemas/steps.toml by name, and the words of schemas/step_words.toml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

from audit.tables import toml_table


@dataclass(frozen=True, slots=True)
class ProjectedRow:
    """A measure that is carried on to the next step's boost; slope and sd a kPa, noise in its unit;
    over_air: it stands on
    the outside air.
    """

    measure: str
    trend: str
    code: str
    label: str
    unit: str
    slope: float
    sd: float
    noise: float
    over_air: bool = False


@cache
def figures(group: str) -> Mapping[str, float]:
    """The single figures of a group ('step', 'curve', 'evening'), each in its unit."""
    rows = toml_table("steps.toml")[group]
    return {name: float(row["value"]) for name, row in rows.items() if "value" in row}


def words(group: str) -> Mapping[str, Any]:
    """The sentences of a group, figures to be filled in."""
    rows: Mapping[str, Any] = toml_table("step_words.toml")[group]
    return rows


@cache
def choices(name: str) -> tuple[float, ...]:
    """The values of a figure of the curve that the data weigh."""
    return tuple(float(v) for v in toml_table("steps.toml")["curve"][name]["values"])


@lru_cache(maxsize=1)
def projected_rows() -> tuple[ProjectedRow, ...]:
    """What is projected, in the table's order."""
    return tuple(
        ProjectedRow(**{key: value for key, value in row.items() if key not in ("why", "source")})
        for row in toml_table("steps.toml")["projected"]
    )
