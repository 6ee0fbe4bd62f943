"""RawLog to Log: names, units, rates, ambient pressure; every source value is kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
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
from audit.intake.units.candidates import turned
from audit.intake.units.decide import CAR_FILE, Decision, Source
from audit.intake.units.infer_units import Inferred, infer_units
from audit.intake.units.scene import THIN_TO
from audit.model import Array, Car, Channel, Log, Note, base_of
from audit.tables import channel_row, channel_rows, row_of, toml_table

if TYPE_CHECKING:
    from audit.intake.raw import RawColumn, RawLog

SOURCE_PREFIX = "source:"
NOTHING = frozenset(toml_table("words.toml")["no_unit"])
ERROR_WORDS = frozenset(toml_table("words.toml")["broken_sensor"])


def understand(raw: RawLog, car: Car) -> Log:
    """The canonical log of a recording as read.

    Boost is read by physics, so a gauge reading named MAP becomes kPa absolute; what could not be
    told is a doubtful channel, never a silent guess. Raises nothing for odd content.
    """
    with np.errstate(all="ignore"):  # a broken cell may hold 1e300
        return _understand(raw, car)


def _understand(raw: RawLog, car: Car) -> Log:
    series = [raw.frame.to_series(i) for i in range(raw.frame.width)]
    clock_at = frozenset(
        i
        for i, c in enumerate(raw.columns)
        if raw.clock.column is not None and raw.clock.column in (c.header, raw.frame.columns[i])
    )
    ruled = {word.column.strip().casefold() for word in car.channels.values()}
    values = [
        _numbers(s) if c.numeric or c.header.strip().casefold() in ruled else None
        for s, c in zip(series, raw.columns, strict=True)
    ]
    broken = frozenset(i for i, s in enumerate(series) if values[i] is None and _only_errors(s))
    for i in broken:
        values[i] = np.full(len(raw.time), np.nan)
    columns = [
        replace(c, numeric=v is not None, unit=_said_unit(c.unit))
        for c, v in zip(raw.columns, values, strict=True)
    ]
    stride = max(1, -(-len(raw.time) // THIN_TO))
    samples = [_sample(v, stride) if v is not None else np.empty(0) for v in values]
    named, notes = name_columns(columns, samples, car.channels, skip=clock_at, broken=broken)
    if any(n.also for n in named):
        rows = [
            _thinned(s, v, stride) if v is not None else None
            for s, v in zip(series, values, strict=True)
        ]
        named = further_sensors(named, columns, rows)
    sources, second = _sources(
        named, columns, series=series, values=values, car=car, stride=stride, notes=notes
    )
    inferred = infer_units(sources, raw.time[::stride], car, second=second)
    notes += _unit_notes(named, columns, inferred)
    notes += _unnamed(named, columns, values)
    step = median_step(raw.time)
    rates = [
        channel_rate(raw.time, v, row_step_s=step)
        if v is not None
        else Rate(1.0 / step if step > 0 else 0.0)
        for v in values
    ]
    apart = [None if i in clock_at else v for i, v in enumerate(values)]
    rates = together(raw.time, apart, rates, row_step_s=step)
    frame, channels = _build(
        raw, named, series=series, values=values, inferred=inferred, rates=rates, clock_at=clock_at
    )
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


def _said_unit(unit: str) -> str:
    """The unit's text, or nothing where it says that there is none ('[-]' behind a lambda)."""
    return "" if unit.strip().casefold() in NOTHING else unit


def _numbers(series: pl.Series) -> Array | None:
    """A column as float64, NaN for blanks; None when it holds no numbers."""
    if not series.dtype.is_numeric():
        series = series.cast(pl.Float64, strict=False)
    return np.asarray(series.to_numpy(), dtype=np.float64)


def _only_errors(series: pl.Series) -> bool:
    """Whether a column of text says nothing but that its sensor does not work."""
    if series.dtype != pl.String or series.n_unique() > len(ERROR_WORDS):
        return False
    words = {word.strip().lower() for word in series.unique().drop_nulls()} - {""}
    return bool(words) and words <= ERROR_WORDS


def _sample(values: Array, stride: int) -> Array:
    """Finite values, a thousand or so, taken evenly."""
    thin = values[::stride]
    thin = thin[np.isfinite(thin)]
    if len(thin) < 50 and stride > 1:
        thin = values[np.isfinite(values)]
        thin = thin[:: max(1, len(thin) // THIN_TO)]
    return thin


def _thinned(series: pl.Series, values: Array, stride: int) -> Array:
    """Every stride-th row, blanks filled with the last value before."""
    if not series.null_count():
        return values[::stride]
    there = np.isfinite(values)
    last = np.maximum.accumulate(np.where(there, np.arange(len(values)), 0))
    return np.asarray(values[last[::stride]])


def _sources(
    named: Sequence[Named],
    columns: Sequence[RawColumn],
    *,
    series: Sequence[pl.Series],
    values: Sequence[Array | None],
    car: Car,
    stride: int,
    notes: list[Note],
) -> tuple[dict[str, Source], dict[str, tuple[Array, Unit | None]]]:
    """The named columns as evidence, and second columns for a channel already taken."""
    sources: dict[str, Source] = {}
    second: dict[str, tuple[Array, Unit | None]] = {}
    for name, column, one, data in zip(named, columns, series, values, strict=True):
        if data is None:
            continue
        if name.channel:
            unit, unit_from = _car_unit(name, car, notes)
            whole = base_of(name.channel) == "knock_retard"  # a knock may last a single row
            rows = data if whole else _thinned(one, data, stride)
            there = data[np.isfinite(data)]
            sources[name.channel] = Source(
                rows,
                unit,
                unit_from,
                name.hints,
                split(header_of(column)),
                still=len(there) > 1 and bool((there == there[0]).all()),
            )
        elif name.also in ("manifold_pressure", "vehicle_speed") and name.also not in second:
            second[name.also] = (_thinned(one, data, stride), name.unit)
    return sources, second


def _car_unit(name: Named, car: Car, notes: list[Note]) -> tuple[Unit | None, str]:
    """The unit that the car file states for a channel, else the file's own."""
    word = car.channels.get(name.channel)
    if word is None or not word.unit:
        return name.unit, name.unit_from
    unit = unit_for(word.unit, name.channel)
    if unit is not None:
        return unit, CAR_FILE
    row = row_of(name.channel)
    known = ", ".join(u.said for u in units_of(row.quantity) if u.said)
    notes.append(
        Note(
            f"The car file gives the unit '{word.unit}' for {name.channel}, which is none that it "
            f"can have. Known: {known}."
        )
    )
    return name.unit, name.unit_from


def _unit_notes(
    named: Sequence[Named], columns: Sequence[RawColumn], inferred: Inferred
) -> list[Note]:
    """What a person should know about how a unit was read."""
    notes = []
    for name, column in zip(named, columns, strict=True):
        if not name.channel:
            continue
        found = inferred.decisions[name.channel]
        if found.doubtful:
            other = f", or as well {found.runner_up}" if found.runner_up else ""
            why = f" ({found.why})" if found.why else ""
            notes.append(
                Note(
                    f"The unit of '{column.header}' is not sure: read as "
                    f"{found.candidate.said or 'it stands'}{other}{why}. Name it "
                    "in the car file under [channels] to settle it."
                )
            )
        elif found.candidate.special == "reciprocal":
            notes.append(Note(f"'{column.header}' is read as phi, the inverse of lambda."))
        elif base_of(name.channel) == "fuel_pressure" and "differential" in name.hints:
            notes.append(
                Note(
                    f"'{column.header}' seems to be fuel pressure over manifold pressure, "
                    "not over ambient."
                )
            )
    return notes


def _unnamed(
    named: Sequence[Named], columns: Sequence[RawColumn], values: Sequence[Array | None]
) -> list[Note]:
    """A needed channel that no column was taken for, while there are columns of no known name."""
    there = {n.channel for n in named}
    lacks = [name for name in needed_channels() if name not in there]
    free = [
        c.header
        for n, c, v in zip(named, columns, values, strict=True)
        if not n.channel and n.why == NO_NAME and v is not None
    ]
    if not lacks or not free:
        return []
    more = f" (and {len(free) - 4} more)" if len(free) > 4 else ""
    return [
        Note(
            f"No column was taken for {' or '.join(n.replace('_', ' ') for n in lacks)}. If it is "
            f"one of {', '.join(free[:4])}{more}, say so in the car file under [channels]: "
            f'{lacks[0]} = {{ column = "{_quoted(free[0])}" }}.'
        )
    ]


FULL_OPEN = (78.0, 92.0)  # %: a throttle whose highest value lies between was perhaps wide open


def _throttle_note(frame: pl.DataFrame, channels: Sequence[Channel]) -> list[Note]:
    """A throttle that tops out short of 100 % while boost is made: wide open all the same."""
    if not {"throttle_position", "manifold_pressure"} <= set(frame.columns):
        return []
    throttle, pressure = (
        frame.get_column(n).to_numpy() for n in ("throttle_position", "manifold_pressure")
    )
    finite = throttle[np.isfinite(throttle)]
    top = float(finite.max()) if len(finite) else 0.0
    at_top = pressure[throttle >= top - 2.0]
    boosted = len(at_top) > 0 and float(np.nanmax(at_top, initial=0.0)) > 125.0
    if not (FULL_OPEN[0] <= top < FULL_OPEN[1] and boosted):
        return []
    source = next(c.source for c in channels if c.name == "throttle_position")
    return [
        Note(
            f"'{source}' tops out at {top:.0f} % while boost is made; if that is wide open, have "
            "the throttle's ends taught anew."
        )
    ]


def _build(
    raw: RawLog,
    named: Sequence[Named],
    *,
    series: Sequence[pl.Series],
    values: Sequence[Array | None],
    inferred: Inferred,
    rates: Sequence[Rate],
    clock_at: frozenset[int],
) -> tuple[pl.DataFrame, tuple[Channel, ...]]:
    """The frame (time, channels, the rest, source values) and how each column was understood."""
    order = {name: i for i, name in enumerate(channel_rows())}

    def place(name: str) -> tuple[int, int, str]:
        return order[base_of(name)], len(name), name

    front: dict[str, pl.Series] = {}
    rest: dict[str, pl.Series] = {"": pl.Series("time", raw.time)}
    taken = {"time", *(n.channel for n in named if n.channel)}
    channels: list[Channel] = []
    for i, name in enumerate(named):
        header, data, own = raw.columns[i].header, values[i], raw.frame.columns[i]
        if i in clock_at:
            stored = _kept(rest, f"{SOURCE_PREFIX}{own}", series[i], taken)
            channels.append(_clock_channel(raw, header, rates[i], stored))
        elif name.channel and data is not None:
            found = inferred.decisions[name.channel]
            same = (
                found.candidate.scale == 1.0
                and found.candidate.offset == 0.0
                and not found.candidate.special
            )
            stored = (
                ""
                if same and series[i].dtype == pl.Float64
                else _kept(rest, f"{SOURCE_PREFIX}{own}", series[i], taken)
            )
            front[name.channel] = (
                series[i].alias(name.channel)
                if not stored
                else _canonical(name.channel, data, found)
            )
            channels.append(_channel(name, header, found, rates[i], stored))
        else:
            stored = _kept(rest, f"column:{own}" if channel_row(own) else own, series[i], taken)
            channels.append(
                Channel(
                    name=f"column:{header}" if channel_row(header) else header,
                    source=header,
                    source_unit=raw.columns[i].unit,
                    unit=raw.columns[i].unit,
                    rate_hz=round(rates[i].hz, 4),
                    known=False,
                    held=rates[i].held,
                    unit_from=raw.columns[i].unit_from,
                    name_why=name.why,
                    nearest=name.nearest,
                    stored_as=stored,
                )
            )
    time = rest.pop("")
    ordered = [front[n] for n in sorted(front, key=place)]
    return pl.DataFrame([time, *ordered, *rest.values()]), tuple(channels)


def _kept(rest: dict[str, pl.Series], wanted: str, series: pl.Series, taken: set[str]) -> str:
    """Put a column by under a free name and say which."""
    name, n = wanted, 2
    while name in rest or name in taken:
        name, n = f"{wanted} ({n})", n + 1
    rest[name] = series.alias(name)
    return name


def _canonical(channel: str, data: Array, found: Decision) -> pl.Series:
    return pl.Series(channel, turned(data, found.candidate), nan_to_null=True)


def _clock_channel(raw: RawLog, header: str, rate: Rate, stored: str) -> Channel:
    return Channel(
        name="time",
        source=header,
        source_unit=raw.clock.kind,
        unit="s",
        rate_hz=round(rate.hz, 4),
        unit_from="format",
        name_why="the log's clock",
        unit_why=raw.clock.said,
        stored_as=stored,
    )


def _channel(name: Named, header: str, found: Decision, rate: Rate, stored: str) -> Channel:
    row = row_of(name.channel)
    return Channel(
        name=name.channel,
        source=header,
        source_unit=found.candidate.said,
        unit=row.unit,
        rate_hz=round(rate.hz, 4),
        held=rate.held,
        unit_from=found.unit_from,
        name_why=name.why,
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
    for c in channels:
        if c.known and (
            c.source_unit == "°F"
            or (c.name in ("manifold_pressure", "boost_target") and ("psi" in c.source_unit))
        ):
            return True
    return False


def suggest_channels(log: Log) -> str:
    """A ready [channels] block for the car file; doubtful units say so."""
    lines = ["[channels]"]
    for c in log.channels:
        if not c.known or c.name == "time":
            continue
        unit = f', unit = "{_quoted(c.source_unit)}"' if c.source_unit and _sayable(c) else ""
        doubt = f"  # not sure of the unit; or {c.runner_up}" if c.doubtful else ""
        lines.append(f'{c.name} = {{ column = "{_quoted(c.source)}"{unit} }}{doubt}')
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    plain = "".join(max(ch, " ") for ch in text)
    return plain.replace("\\", "\\\\").replace('"', '\\"')


def _sayable(channel: Channel) -> bool:
    """The unit can be read back from the car file."""
    return unit_for(channel.source_unit, channel.name) is not None
