"""What the checks declare of themselves (schemas/checks.toml): needs, rates, codes, measures.

A table and no code, so that those who work before the checks (intake, sanity) and after them
(report, docs) read the same rows: nobody else names a channel that a check needs, a code or a
measure.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

from audit.model import REQUIRED_CHECKS
from audit.tables import toml_table


class Measure(NamedTuple):
    """One figure that a check measures in a pull.

    label: for people; unit: canonical, "1" for none; group: the heading it is listed under; shown:
    listed with every pull; good: "small", "large" or "" where neither is; line: how its limit lies
    on the axis of its channel ("itself", "above boost_settled_kpa", "share below boost_peak_kpa"),
    "" where it is none of an axis.
    """

    name: str
    label: str
    unit: str
    digits: int
    group: str
    shown: bool = False
    good: str = ""
    line: str = ""


class Declared(NamedTuple):
    """One check, or one part of a check; see schemas/checks.toml for the fields."""

    module: str
    name: str
    needs: tuple[str, ...]
    helped_by: tuple[str, ...]
    least_rate_hz: float
    codes: tuple[str, ...]
    measures: tuple[Measure, ...]
    part: bool = False
    holds: tuple[str, ...] = ()
    between: tuple[str, ...] = ()

    @property
    def channels(self) -> tuple[str, ...]:
        """The channels that it cannot do without, each by itself: those of which one or another
        will do are left out.
        """
        return tuple(channel_of(need) for need in self.needs if "|" not in need)


def channel_of(need: str) -> str:
    """The channel that is read for a need: boost is manifold pressure over barometric pressure."""
    return "manifold_pressure" if need == "boost" else need


@cache
def all_declared() -> tuple[Declared, ...]:
    """Every row of the table, in its order."""
    rows = []
    for row in toml_table("checks.toml")["check"]:
        fields: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in row.items()}
        fields["measures"] = tuple(Measure(**m) for m in fields.pop("measure"))
        rows.append(Declared(**fields))
    return tuple(rows)


def declared(module: str) -> Declared:
    """The row of a check by its module's name, `__name__`. Raises KeyError for one that the table
    lacks.
    """
    short = module.removeprefix("audit.checks.")
    for row in all_declared():
        if row.module == short:
            return row
    raise KeyError(f'schemas/checks.toml has no [[check]] with module = "{short}": add one')


def required() -> tuple[Declared, ...]:
    """The rows without which no night is clear: required checks, their further parts left out."""
    return tuple(row for row in all_declared() if row.name in REQUIRED_CHECKS and not row.part)


def pull_channels() -> tuple[tuple[str, ...], float]:
    """The channels without which no pull is found, and the samples a second that they need."""
    row = toml_table("checks.toml")["pulls"]
    return tuple(row["needs"]), float(row["least_rate_hz"])


def needed_channels() -> tuple[str, ...]:
    """Every channel without which no night is clear, those that pulls are found by first."""
    every = [*pull_channels()[0], *(name for row in required() for name in row.channels)]
    return tuple(dict.fromkeys(every))


def holding_channels() -> frozenset[str]:
    """Every channel that holds a night where it is logged and cannot be believed."""
    return frozenset((*needed_channels(), *(name for row in required() for name in row.holds)))
