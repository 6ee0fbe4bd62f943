"""RawLog to Log: names, units, rates, ambient pressure; every source value is kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from audit import __version__
from audit.declared import needed_channels
from audit.intake.names.naming import NO_NAME, Named, further_sensors, header_of, name_columns
from audit.intake.names.unit_text import unit_for
from audit.intake.names.words import split
from audit.intake.rates import Rate, channel_rate, median_step, together
from audit.intake.said import note
from audit.intake.units.evidence import Decision, Source
from audit.intake.units.infer_units import infer_units
from audit.intake.units.scene import THIN_TO
from audit.model import Array, Car, Channel, Log, Note, base_of
from audit.signal.arrays import finite
from audit.tables import channel_row, channel_rows, row_of, toml_table
from audit.units import Unit, turned

if TYPE_CHECKING:
    from audit.intake.raw import RawColumn, RawLog

NOTHING = frozenset(toml_table("words.toml")["no_unit"])
ERROR_WORDS = frozenset(toml_table("words.toml")["broken_sensor"])
BOOST = ("manifold_pressure", "boost_target")
FULL_OPEN = (78.0, 92.0)  # %: a throttle whose highest value lies between was perhaps wide open


@dataclass(eq=False)
class _Column:
    """One source column on its way. values: NaN where blank, None where it holds no numbers; rows:
    of these, thinned and blanks filled with the last before; clock: it is the log's; broken: it
    says nothing but that its sensor does not work.
    """

    raw: RawColumn
    series: pl.Series
    values: Array | None
    rows: Array | None
    clock: bool
    broken: bool
    named: Named = field(default=Named("", ""))
    rate: Rate = field(default=Rate(0.0))


@np.errstate(all="ignore")  # a broken cell may hold 1e300
def understand(raw: RawLog, car: Car) -> Log:
    """The canonical log of a recording as read.

    Boost is read by physics, so a gauge reading named MAP becomes kPa absolute; what could not be
    told is a doubtful channel, never a silent guess. Raises nothing for odd content.
    """
    stride = max(1, -(-len(raw.time) // THIN_TO))
    columns = [
        _column(raw, column, series, car, stride)
        for column, series in zip(raw.columns, raw.frame.get_columns(), strict=True)
    ]
    notes = _name(columns, car)
    sources, second = _sources(columns)
    decisions, ambient = infer_units(sources, raw.time[::stride], car, second=second)
    decisions["time"] = Decision(Unit("", raw.clock.kind, "time"), "format", raw.clock.said)
    notes += [n for c in columns for n in _unit_notes(c, decisions.get(c.named.channel))]
    notes += _unnamed(columns)
    step = median_step(raw.time)
    whole = Rate(1.0 / step if step > 0 else 0.0)
    rates = [
        whole if c.values is None else channel_rate(raw.time, c.values, row_step_s=step)
        for c in columns
    ]
    apart = [None if c.clock else c.values for c in columns]
    for c, rate in zip(columns, together(raw.time, apart, rates, row_step_s=step), strict=True):
        c.rate = rate
    frame, channels = _build(raw, columns, decisions)
    return Log(
        path=raw.path,
        sha256=raw.sha256,
        frame=frame,
        channels=channels,
        barometric=ambient,
        notes=(*raw.notes, *notes, *_throttle_note(frame, channels)),
        breaks=raw.clock.breaks,
        clock=raw.clock.said or raw.clock.kind,
        wall_start=raw.clock.wall_start,
        us_units=any(
            c.source_unit == "°F" or (c.name in BOOST and "psi" in c.source_unit)
            for c in channels
            if c.known
        ),
        reader=f"pullaudit {__version__}",
        cut_off_s=float(raw.time[-1]) if raw.cut_off and len(raw.time) else None,
    )


def _column(raw: RawLog, column: RawColumn, series: pl.Series, car: Car, stride: int) -> _Column:
    values, broken = None, False
    if column.numeric or column.header.strip().casefold() in {
        word.column.strip().casefold() for word in car.channels.values()
    }:
        floats = series if series.dtype.is_numeric() else series.cast(pl.Float64, strict=False)
        values = np.asarray(floats.to_numpy(), dtype=np.float64)
    elif series.dtype == pl.String and series.n_unique() <= len(ERROR_WORDS):
        words = {word.strip().lower() for word in series.unique().drop_nulls()} - {""}
        broken = bool(words) and words <= ERROR_WORDS
        values = np.full(len(raw.time), np.nan) if broken else None
    rows = None if values is None else values[::stride]
    if values is not None and series.null_count():
        last = np.where(np.isfinite(values), np.arange(len(values)), 0)
        rows = values[np.maximum.accumulate(last)[::stride]]
    # '[-]' behind a lambda says that there is no unit
    unit = "" if column.unit.strip().casefold() in NOTHING else column.unit
    said = column._replace(numeric=values is not None, unit=unit)
    clock = raw.clock.column is not None and raw.clock.column in (column.header, series.name)
    return _Column(said, series, values, rows, clock, broken)


def _name(columns: Sequence[_Column], car: Car) -> list[Note]:
    """Give each column its name; a Note for what the car file names and is not there."""
    named, notes = name_columns(
        said := [c.raw for c in columns],
        [np.empty(0) if c.rows is None else finite(c.rows) for c in columns],
        car.channels,
        skip=frozenset(i for i, c in enumerate(columns) if c.clock),
        broken=frozenset(i for i, c in enumerate(columns) if c.broken),
    )
    named = further_sensors(named, said, [c.rows for c in columns])
    for column, one in zip(columns, named, strict=True):
        column.named = Named("time", "the log's clock") if column.clock else one
    return notes


def _sources(
    columns: Sequence[_Column],
) -> tuple[dict[str, Source], dict[str, tuple[Array, Unit | None]]]:
    """The named columns as evidence, and second columns for a channel already taken."""
    sources: dict[str, Source] = {}
    second: dict[str, tuple[Array, Unit | None]] = {}
    for c in columns:
        named, channel = c.named, c.named.channel
        if c.values is None or c.rows is None or c.clock:
            continue
        if channel:
            there = finite(c.values)
            still = len(there) > 1 and bool((there == there[0]).all())
            # a knock may last a single row
            seen = c.values if base_of(channel) == "knock_retard" else c.rows
            words = split(header_of(c.raw))
            unit = named.unit, named.unit_from
            sources[channel] = Source(seen, *unit, named.hints, words, still)
        elif named.also in ("manifold_pressure", "vehicle_speed"):
            second.setdefault(named.also, (c.rows, named.unit))
    return sources, second


def _unit_notes(c: _Column, found: Decision | None) -> Iterator[Note]:
    """What a person should know about how a unit was read."""
    if found is None:
        return
    header, read = c.raw.header, found.candidate
    if found.doubtful:
        other = f", or as well {found.runner_up}" if found.runner_up else ""
        why = f" ({found.unit_why})" if found.unit_why else ""
        said = read.said or "it stands"
        yield note("unit_doubt", header=header, said=said, other=other, why=why)
    elif read.special == "reciprocal":
        yield note("phi", header=header)
    elif base_of(c.named.channel) == "fuel_pressure" and "differential" in c.named.hints:
        yield note("differential", header=header)


def _unnamed(columns: Sequence[_Column]) -> list[Note]:
    """A needed channel that no column was taken for, while there are columns of no known name."""
    there = {c.named.channel for c in columns}
    lacks = [name for name in needed_channels() if name not in there]
    without = [c for c in columns if not c.named.channel and c.named.why == NO_NAME]
    free = [c.raw.header for c in without if c.values is not None]
    if not lacks or not free:
        return []
    return [
        note(
            "no_column",
            lacks=" or ".join(n.replace("_", " ") for n in lacks),
            some=", ".join(free[:4]) + (f" (and {len(free) - 4} more)" if len(free) > 4 else ""),
            channel=lacks[0],
            column=_quoted(free[0]),
        )
    ]


def _throttle_note(frame: pl.DataFrame, channels: Sequence[Channel]) -> list[Note]:
    """A throttle that tops out short of 100 % while boost is made: wide open all the same."""
    source = {c.name: c.source for c in channels}
    if not {"throttle_position", "manifold_pressure"} <= set(frame.columns):
        return []
    throttle, pressure = (frame[n].to_numpy() for n in ("throttle_position", "manifold_pressure"))
    top = float(np.max(finite(throttle), initial=0.0))
    boosted = float(np.nanmax(pressure[throttle >= top - 2.0], initial=0.0)) > 125.0
    if not (FULL_OPEN[0] <= top < FULL_OPEN[1] and boosted):
        return []
    return [note("throttle_top", source=source["throttle_position"], top=f"{top:.0f}")]


def _build(
    raw: RawLog, columns: Sequence[_Column], decisions: dict[str, Decision]
) -> tuple[pl.DataFrame, tuple[Channel, ...]]:
    """The frame (time, channels, the rest, source values) and how each column was understood."""
    order = {name: i for i, name in enumerate(channel_rows())}
    front: dict[str, pl.Series | pl.Expr] = {}
    rest: dict[str, pl.Series] = {}
    taken = {"time", *(c.named.channel for c in columns)}
    channels: list[Channel] = []

    def kept(wanted: str, series: pl.Series) -> str:
        """Put a column by under a free name and say which."""
        name, n = wanted, 2
        while name in rest or name in taken:
            name, n = f"{wanted} ({n})", n + 1
        rest[name] = series.alias(name)
        return name

    for c, column in zip(columns, raw.columns, strict=True):
        name, own, found = c.named.channel, c.series.name, decisions.get(c.named.channel)
        stored = f"source:{own}" if found else _apart(own)
        if found and c.values is not None and not c.clock:
            canonical = _turned(c.series, c.values, found.candidate)
            front[name], stored = canonical.alias(name), "" if canonical is c.series else stored
        one = Channel(
            name=_apart(column.header),
            source=column.header,
            source_unit=column.unit,
            unit=column.unit,
            rate_hz=round(c.rate.hz, 4),
            known=found is not None,
            held=c.rate.held and not c.clock,
            unit_from=column.unit_from,
            name_why=c.named.why,
            nearest=c.named.nearest,
            stored_as=kept(stored, c.series) if stored else "",
        )
        if found:
            read, told = found.candidate, found._asdict()
            told |= {"name": name, "source_unit": read.said, "unit": row_of(name).unit}
            told |= {"scale": read.scale, "offset": read.offset}
            one = replace(one, **{key: told[key] for key in told if key != "candidate"})
        channels.append(one)
    ordered = sorted(front, key=lambda name: (order[base_of(name)], len(name), name))
    time = pl.Series("time", raw.time.tolist(), dtype=pl.Float64)
    frame = raw.frame.select(time, *(front[n] for n in ordered), *rest.values())
    return frame, tuple(channels)


def _turned(series: pl.Series, values: Array, unit: Unit) -> pl.Series | pl.Expr:
    """A column of the frame in the canonical unit; the same object where nothing changes.

    By polars where it can: the first series made of a numpy array loads numpy.ma, which takes as
    long as reading a log.
    """
    if unit.special:
        return pl.Series(turned(values, unit), nan_to_null=True)
    if unit.scale == 1.0 and unit.offset == 0.0 and series.dtype == pl.Float64:
        return series
    floats = pl.col(series.name).cast(pl.Float64, strict=False)
    return (floats * unit.scale + unit.offset).fill_nan(None)


def _apart(name: str) -> str:
    """The name of a column that is no channel, though it may be called like one."""
    return f"column:{name}" if channel_row(name) else name


def suggest_channels(log: Log) -> str:
    """A ready [channels] block for the car file; doubtful units say so."""
    lines = ["[channels]"]
    for c in log.channels:
        if not c.known or c.name == "time":
            continue
        sayable = c.source_unit and unit_for(c.source_unit, c.name)  # can be read back
        unit = f', unit = "{_quoted(c.source_unit)}"' if sayable else ""
        doubt = f"  # not sure of the unit; or {c.runner_up}" if c.doubtful else ""
        lines.append(f'{c.name} = {{ column = "{_quoted(c.source)}"{unit} }}{doubt}')
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    plain = "".join(max(ch, " ") for ch in text)
    return plain.replace("\\", "\\\\").replace('"', '\\"')
