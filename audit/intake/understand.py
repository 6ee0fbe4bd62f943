"""RawLog to Log: names, units, rates, ambient pressure; every source value is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from audit import __version__
from audit.declared import needed_channels
from audit.intake.names.naming import NO_NAME, Named, header_of, name_columns
from audit.intake.names.sensors import further_sensors
from audit.intake.names.unit_text import Unit, unit_for, units_of
from audit.intake.names.words import split
from audit.intake.rates import Rate, channel_rate, median_step, together
from audit.intake.said import note
from audit.intake.units.candidates import turned
from audit.intake.units.decide import CAR_FILE, Candidate, Decision, Source
from audit.intake.units.infer_units import infer_units
from audit.intake.units.scene import THIN_TO
from audit.model import Array, Car, Channel, Log, Note, base_of
from audit.tables import channel_row, channel_rows, row_of, toml_table

if TYPE_CHECKING:
    from audit.intake.raw import RawColumn, RawLog

SOURCE_PREFIX = "source:"
NOTHING = frozenset(toml_table("words.toml")["no_unit"])
ERROR_WORDS = frozenset(toml_table("words.toml")["broken_sensor"])
FULL_OPEN = (78.0, 92.0)  # %: a throttle whose highest value lies between was perhaps wide open


@dataclass(eq=False)
class _Column:
    """One source column on its way. values: NaN where blank, None where it holds no numbers; own:
    its name in the frame.
    """

    raw: RawColumn
    own: str
    series: pl.Series
    values: Array | None
    clock: bool
    broken: bool  # it says nothing but that its sensor does not work
    named: Named
    rate: Rate

    def thinned(self, stride: int) -> Array | None:
        """Every stride-th row, blanks filled with the last value before."""
        if self.values is None or not self.series.null_count():
            return None if self.values is None else self.values[::stride]
        there = np.isfinite(self.values)
        last = np.maximum.accumulate(np.where(there, np.arange(len(self.values)), 0))
        return np.asarray(self.values[last[::stride]])

    def sample(self, stride: int) -> Array:
        """Finite values, a thousand or so, taken evenly."""
        if self.values is None:
            return np.empty(0)
        thin = self.values[::stride]
        thin = thin[np.isfinite(thin)]
        if len(thin) < 50 and stride > 1:
            thin = self.values[np.isfinite(self.values)]
            thin = thin[:: max(1, len(thin) // THIN_TO)]
        return thin


def understand(raw: RawLog, car: Car) -> Log:
    """The canonical log of a recording as read.

    Boost is read by physics, so a gauge reading named MAP becomes kPa absolute; what could not be
    told is a doubtful channel, never a silent guess. Raises nothing for odd content.
    """
    with np.errstate(all="ignore"):  # a broken cell may hold 1e300
        return _understand(raw, car)


def _understand(raw: RawLog, car: Car) -> Log:
    columns, stride = _columns(raw, car), max(1, -(-len(raw.time) // THIN_TO))
    notes = _name(columns, car, stride)
    sources, second = _sources(columns, car, stride, notes)
    inferred = infer_units(sources, raw.time[::stride], car, second=second)
    notes += _unit_notes(columns, inferred.decisions)
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
    frame, channels = _build(raw, columns, inferred.decisions)
    notes += _throttle_note(frame, channels)
    return Log(
        path=raw.path,
        sha256=raw.sha256,
        frame=frame,
        channels=channels,
        barometric=inferred.barometric,
        notes=(*raw.notes, *notes),
        breaks=raw.clock.breaks,
        clock=raw.clock.said or raw.clock.kind,
        wall_start=raw.clock.wall_start,
        us_units=_us_units(channels),
        reader=f"pullaudit {__version__}",
        cut_off_s=float(raw.time[-1]) if raw.cut_off and len(raw.time) else None,
    )


def _columns(raw: RawLog, car: Car) -> list[_Column]:
    ruled = {word.column.strip().casefold() for word in car.channels.values()}
    out = []
    for column, series in zip(raw.columns, raw.frame.get_columns(), strict=True):
        values = None
        if column.numeric or column.header.strip().casefold() in ruled:
            floats = series if series.dtype.is_numeric() else series.cast(pl.Float64, strict=False)
            values = np.asarray(floats.to_numpy(), dtype=np.float64)
        broken = values is None and _only_errors(series)
        if broken:
            values = np.full(len(raw.time), np.nan)
        # '[-]' behind a lambda says that there is no unit
        unit = "" if column.unit.strip().casefold() in NOTHING else column.unit
        said = column._replace(numeric=values is not None, unit=unit)
        clock = raw.clock.column is not None and raw.clock.column in (column.header, series.name)
        one = _Column(said, series.name, series, values, clock, broken, Named("", ""), Rate(0.0))
        out.append(one)
    return out


def _only_errors(series: pl.Series) -> bool:
    if series.dtype != pl.String or series.n_unique() > len(ERROR_WORDS):
        return False
    words = {word.strip().lower() for word in series.unique().drop_nulls()} - {""}
    return bool(words) and words <= ERROR_WORDS


def _name(columns: Sequence[_Column], car: Car, stride: int) -> list[Note]:
    """Give each column its name; a Note for what the car file names and is not there."""
    said = [c.raw for c in columns]
    named, notes = name_columns(
        said,
        [c.sample(stride) for c in columns],
        car.channels,
        skip=frozenset(i for i, c in enumerate(columns) if c.clock),
        broken=frozenset(i for i, c in enumerate(columns) if c.broken),
    )
    if any(n.also for n in named):
        named = further_sensors(named, said, [c.thinned(stride) for c in columns])
    for column, one in zip(columns, named, strict=True):
        column.named = one
    return notes


def _sources(
    columns: Sequence[_Column], car: Car, stride: int, notes: list[Note]
) -> tuple[dict[str, Source], dict[str, tuple[Array, Unit | None]]]:
    """The named columns as evidence, and second columns for a channel already taken."""
    sources: dict[str, Source] = {}
    second: dict[str, tuple[Array, Unit | None]] = {}
    for c in columns:
        named, rows = c.named, c.thinned(stride) if c.named.channel or c.named.also else None
        if c.values is None or rows is None:
            continue
        if named.channel:
            unit, unit_from = _car_unit(named, car, notes)
            there = c.values[np.isfinite(c.values)]
            sources[named.channel] = Source(
                # a knock may last a single row
                c.values if base_of(named.channel) == "knock_retard" else rows,
                unit,
                unit_from,
                named.hints,
                split(header_of(c.raw)),
                still=len(there) > 1 and bool((there == there[0]).all()),
            )
        elif named.also in ("manifold_pressure", "vehicle_speed"):
            second.setdefault(named.also, (rows, named.unit))
    return sources, second


def _car_unit(named: Named, car: Car, notes: list[Note]) -> tuple[Unit | None, str]:
    """The unit that the car file states for a channel, else the file's own."""
    word = car.channels.get(named.channel)
    if word is None or not word.unit:
        return named.unit, named.unit_from
    unit = unit_for(word.unit, named.channel)
    if unit is not None:
        return unit, CAR_FILE
    known = ", ".join(u.said for u in units_of(row_of(named.channel).quantity) if u.said)
    notes.append(note("car_unit", unit=word.unit, channel=named.channel, known=known))
    return named.unit, named.unit_from


def _unit_notes(columns: Sequence[_Column], decisions: dict[str, Decision]) -> list[Note]:
    """What a person should know about how a unit was read."""
    notes = []
    for c in columns:
        found = decisions.get(c.named.channel)
        if found is None:
            continue
        header, read = c.raw.header, found.candidate
        if found.doubtful:
            other = f", or as well {found.runner_up}" if found.runner_up else ""
            why = f" ({found.why})" if found.why else ""
            said = read.said or "it stands"
            notes.append(note("unit_doubt", header=header, said=said, other=other, why=why))
        elif read.special == "reciprocal":
            notes.append(note("phi", header=header))
        elif base_of(c.named.channel) == "fuel_pressure" and "differential" in c.named.hints:
            notes.append(note("differential", header=header))
    return notes


def _unnamed(columns: Sequence[_Column]) -> list[Note]:
    """A needed channel that no column was taken for, while there are columns of no known name."""
    there = {c.named.channel for c in columns}
    lacks = [name for name in needed_channels() if name not in there]
    free = [
        c.raw.header
        for c in columns
        if not c.named.channel and c.named.why == NO_NAME and c.values is not None
    ]
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
    if not {"throttle_position", "manifold_pressure"} <= set(frame.columns):
        return []
    throttle, pressure = (frame[n].to_numpy() for n in ("throttle_position", "manifold_pressure"))
    top = float(np.max(throttle[np.isfinite(throttle)], initial=0.0))
    boosted = float(np.nanmax(pressure[throttle >= top - 2.0], initial=0.0)) > 125.0
    if not (FULL_OPEN[0] <= top < FULL_OPEN[1] and boosted):
        return []
    source = next(c.source for c in channels if c.name == "throttle_position")
    return [note("throttle_top", source=source, top=f"{top:.0f}")]


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

    for c in columns:
        name, own = c.named.channel, SOURCE_PREFIX + c.own
        if c.clock:
            clock = raw.clock
            channel = Channel("time", c.raw.header, clock.kind, "s", unit_from="format")
            stored = kept(own, c.series)
            why, unit_why = "the log's clock", clock.said
            channel = replace(channel, name_why=why, unit_why=unit_why, stored_as=stored)
        elif name and c.values is not None:
            found = decisions[name]
            told = _turned(c.series, c.values, found.candidate)
            stored = "" if told is c.series else kept(own, c.series)
            front[name] = told.alias(name)
            channel = _known(c.named, c.raw.header, found, stored)
        else:
            stored = kept(f"column:{c.own}" if channel_row(c.own) else c.own, c.series)
            header, unit = c.raw.header, raw.columns[len(channels)].unit
            channel = Channel(
                name=f"column:{header}" if channel_row(header) else header,
                source=header,
                source_unit=unit,
                unit=unit,
                known=False,
                unit_from=c.raw.unit_from,
                name_why=c.named.why,
                nearest=c.named.nearest,
                stored_as=stored,
            )
        held = c.rate.held and channel.name != "time"
        channels.append(replace(channel, rate_hz=round(c.rate.hz, 4), held=held))
    ordered = sorted(front, key=lambda name: (order[base_of(name)], len(name), name))
    time = pl.Series("time", raw.time.tolist(), dtype=pl.Float64)
    frame = raw.frame.select(time, *(front[n] for n in ordered), *rest.values())
    return frame, tuple(channels)


def _turned(series: pl.Series, values: Array, candidate: Candidate) -> pl.Series | pl.Expr:
    """A column of the frame in the canonical unit, as units.candidates.turned; the same object
    where nothing changes. By polars where it can: the first series made of a numpy array loads
    numpy.ma, which takes as long as reading a log.
    """
    if candidate.special:
        return pl.Series(turned(values, candidate), nan_to_null=True)
    plain = candidate.scale == 1.0 and candidate.offset == 0.0
    if plain and series.dtype == pl.Float64:
        return series
    floats = pl.col(series.name).cast(pl.Float64, strict=False)
    return (floats * candidate.scale + candidate.offset).fill_nan(None)


def _known(named: Named, header: str, found: Decision, stored: str) -> Channel:
    return Channel(
        name=named.channel,
        source=header,
        source_unit=found.candidate.said,
        unit=row_of(named.channel).unit,
        unit_from=found.unit_from,
        name_why=named.why,
        unit_why=found.why,
        confidence=found.confidence,
        runner_up=found.runner_up,
        doubtful=found.doubtful,
        scale=found.candidate.scale,
        offset=found.candidate.offset,
        stored_as=stored,
    )


def _us_units(channels: Sequence[Channel]) -> bool:
    """The source is in psi or °F."""
    boost = ("manifold_pressure", "boost_target")
    return any(
        c.source_unit == "°F" or (c.name in boost and "psi" in c.source_unit)
        for c in channels
        if c.known
    )


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
