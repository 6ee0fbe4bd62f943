"""The one door to schemas/: channel table, limits, causes and the JSON schemas."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache, lru_cache
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import tomli

if TYPE_CHECKING:
    from importlib.resources.abc import Traversable

from audit.errors import CarFileError, did_you_mean
from audit.model import Car, Limit, base_of

LEVELS = ("best", "watch", "hold", "stop")
E85_SHARE = 0.85  # ethanol by volume at which the e85 levels stand in full


class ChannelRow(NamedTuple):
    """One row of the channel table. Ranges, rails, slew, spike in the canonical unit."""

    name: str
    unit: str
    quantity: str
    range: tuple[float, float]
    usual: tuple[float, float] | None = None
    rails: tuple[float, ...] = ()
    slew: float | None = None
    spike: float | None = None
    step: float | None = None
    flat_s: float | None = None
    slow: bool = False
    several: bool = False
    stirs: bool = False
    fine: float = 0.0
    damage: bool = False
    agree: float | None = None
    cooler: float = 0.0
    flicker: float = 0.0
    never_zero: bool = False
    digits: int = 1


class NoRow(KeyError):
    """A table of schemas/ lacks a row that something asks for; the text says which."""

    def __str__(self) -> str:
        return str(self.args[0])


class Limits:
    """The limits of one car: table rows with the car file's overrides."""

    def __init__(self, rows: tuple[Limit, ...], settings: Mapping[str, float]) -> None:
        self._rows = rows
        self._settings = settings
        self._by_code: dict[str, tuple[Limit, ...]] = {}
        for row in rows:
            self._by_code[row.code] = (*self._by_code.get(row.code, ()), row)

    def rows(self, code: str) -> tuple[Limit, ...]:
        """All rows of a finding code, in the table's order."""
        return self._by_code.get(code, ())

    def row(self, code: str, measure: str) -> Limit:
        """The row of a code for one measure; NoRow when the table has none."""
        for row in self.rows(code):
            if row.measure == measure:
                return row
        raise NoRow(f"{code} has no row for {measure} in schemas/thresholds.toml.")

    def of_measure(self, measure: str) -> tuple[Limit, ...]:
        """All rows that judge one measure, whatever their code."""
        return tuple(row for row in self._rows if row.measure == measure)

    def setting(self, name: str) -> float:
        """A figure of the [settings] table, in its unit."""
        return self._settings[name]


def schema_dir() -> Traversable:
    """schemas/ of the installed wheel, or of the checkout."""
    shipped = files("audit") / "schemas"
    return shipped if shipped.is_dir() else Path(__file__).parents[1] / "schemas"


@cache
def toml_table(name: str) -> dict[str, Any]:
    """A table of schemas/ by file name, parsed once; treat it as read-only."""
    return tomli.loads((schema_dir() / name).read_text(encoding="utf-8"))


@cache
def json_schema(name: str) -> dict[str, Any]:
    """A JSON Schema of schemas/ by file name."""
    loaded: dict[str, Any] = json.loads((schema_dir() / name).read_text(encoding="utf-8"))
    return loaded


@lru_cache(maxsize=1)
def channel_rows() -> Mapping[str, ChannelRow]:
    """The channel table, by canonical name."""
    table: dict[str, dict[str, Any]] = toml_table("channels.toml")
    return {name: _channel_row(name, row) for name, row in table.items()}


def channel_row(name: str) -> ChannelRow | None:
    """The row that a channel is judged by: 'lambda_2' by that of 'lambda'; None for no channel."""
    return channel_rows().get(base_of(name))


def row_of(name: str) -> ChannelRow:
    """The row of a channel that is known to be one. Raises NoRow for any other name."""
    found = channel_row(name)
    if found is None:
        raise NoRow(f"{base_of(name)} has no row in schemas/channels.toml. Give it one first.")
    return found


def _channel_row(name: str, row: dict[str, Any]) -> ChannelRow:
    fields: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in row.items()}
    return ChannelRow(name=name, **fields)


def threshold_rows() -> list[dict[str, Any]]:
    """The [[limit]] rows as they stand in the table."""
    return list(toml_table("thresholds.toml")["limit"])


def limits_for(car: Car) -> Limits:
    """The limits of one car: the table's for its fuel and injection, its own [thresholds] laid over
    them.
    """
    return limits(car.thresholds, fuel=car.fuel, injection=car.injection)


def limits(
    overrides: Mapping[str, Mapping[str, float]] | None = None,
    *,
    fuel: str = "petrol",
    injection: str = "port",
) -> Limits:
    """The limits for a fuel and an injection, with a car file's [thresholds] laid over them.

    Raises CarFileError for an unknown code, measure or level, or levels out of order.
    """
    table = threshold_rows()
    changed: dict[int, dict[str, float]] = {}
    for key, levels in (overrides or {}).items():
        at = _row_index(table, key)
        for level in [name for name in levels if name not in LEVELS]:
            near = did_you_mean(level, LEVELS)
            raise CarFileError(f'thresholds."{key}".{level}: unknown level. {near}')
        changed[at] = {level: float(value) for level, value in levels.items()}
    rows = tuple(
        _limit(_of_car(row, fuel, injection), changed.get(i, {})) for i, row in enumerate(table)
    )
    settings = {
        name: float(row["value"]) for name, row in toml_table("thresholds.toml")["settings"].items()
    }
    return Limits(rows, settings)


def fuel_shares(fuel: str) -> dict[str, float]:
    """How far the levels of each fuel of the table hold: {} for petrol, {"e85": 0.59} for e50.

    Ethanol by its share of volume, by line up to e85 and not beyond; methanol in full. Raises
    ValueError.
    """
    if fuel in ("petrol", "gasoline"):
        return {}
    if fuel == "methanol":
        return {"methanol": 1.0}
    share = 100.0 if fuel == "ethanol" else float(fuel.removeprefix("e"))
    return {"e85": min(share / 100.0 / E85_SHARE, 1.0)}


def _of_car(row: dict[str, Any], fuel: str, injection: str) -> dict[str, Any]:
    """The row with its levels for this fuel and injection.

    A part `[limit.e85]`, `[limit.methanol]` or `[limit.direct]` of a row says what differs: a level
    of its own, or `add` for all levels. Without a part for methanol that for e85 holds.
    """
    out = dict(row)
    shares = fuel_shares(fuel)
    if "methanol" in shares and "methanol" not in row:
        shares = {"e85": 1.0}
    if injection == "direct":
        shares["direct"] = 1.0
    for name, share in shares.items():
        part = row.get(name)
        if part is None:
            continue
        for level in LEVELS:
            if level in row:
                out[level] = _moved(out[level], row[level], part, level, share)
    return out


def _moved(now: Any, petrol: Any, part: Mapping[str, Any], level: str, share: float) -> Any:
    """A level, or the list of a level, moved by this share of what the part says."""
    if isinstance(now, list):
        return [_moved(n, p, part, level, share) for n, p in zip(now, petrol, strict=True)]
    by = part["add"] if "add" in part else part.get(level, petrol) - petrol
    return round(now + share * by, 4)


def _row_index(table: list[dict[str, Any]], key: str) -> int:
    for i, row in enumerate(table):
        if key in (row["code"], f"{row['code']}.{row['measure']}"):
            return i
    known = {r["code"] for r in table} | {f"{r['code']}.{r['measure']}" for r in table}
    raise CarFileError(f'thresholds."{key}": no such limit. {did_you_mean(key, known)}')


def _limit(row: dict[str, Any], changed: dict[str, float]) -> Limit:
    """A row with a car file's levels laid over it; a level that goes by boost at each of `at`."""
    merged, at = {**row, **changed}, tuple(map(float, row.get("at", ())))
    below = bool(row.get("below", False))
    along = {
        name: tuple(map(float, v if isinstance(v, list) else [v] * max(len(at), 1)))
        for name, v in ((name, merged[name]) for name in LEVELS if name in merged)
    }
    values = {name: levels[-1] for name, levels in along.items()}
    # 'best' follows a raised watch level by itself
    steps = [pair for pair in along.items() if pair[0] != "best" and changed]
    for (name_a, a), (name_b, b) in pairwise(steps):
        for low, high in zip(a, b, strict=True):
            if (low < high) if below else (low > high):
                raise CarFileError(
                    f'thresholds."{row["code"]}": {name_b} = {high:g} comes before {name_a} = '
                    f"{low:g}; give all levels in order ({', '.join(changed)} given)."
                )
    return Limit(
        code=row["code"],
        measure=row["measure"],
        unit=row["unit"],
        below=below,
        best=values.get("best", 0.0),
        watch=values.get("watch"),
        hold=values.get("hold"),
        stop=values.get("stop"),
        why=row["why"],
        source=row["source"],
        by=row.get("by", ""),
        at=at,
        along=along if at else {},
    )
