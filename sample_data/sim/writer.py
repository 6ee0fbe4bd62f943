"""Logs and car files as text: how a frame is spelt is a Dialect, apart from what is in it."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from sim.names import MANNERS, NAMES, OPENINGS, PLAIN_UNITS, PRESSURE_UNITS, PRESSURES, TEMPERATURES, TIME_NAMES
from sim.params import NightParams

if TYPE_CHECKING:
    from pathlib import Path

    from sim.params import Array, SimFrame

KM_PER_MILE = 1.609344  # exact


@dataclass(frozen=True)
class Dialect:
    """How a log is spelt. unit_style: paren, bracket, underscore, none; clock: s, ms, hms, iso."""

    delimiter: str = ","
    decimal_comma: bool = False
    encoding: str = "utf-8"
    bom: bool = False
    newline: str = "\n"
    preamble: tuple[str, ...] = ()
    manner: str = "long"
    unit_style: str = "paren"
    units_row: bool = False
    quotes: bool = False
    clock: str = "s"
    pressure: str = "kPa"
    gauge: bool = False
    fahrenheit: bool = False
    afr: bool = False
    miles: bool = False
    fraction: bool = False
    stoichiometric_afr: float = 14.7
    cut_last: bool = False
    repeat_header: bool = False
    stray_line: str | None = None
    compress: bool = False
    start: datetime = datetime(2025, 5, 17, 19, 40)  # noqa: DTZ001 - a logger knows no time zone; an invented evening


@dataclass(frozen=True)
class _Column:
    name: str
    unit: str
    cells: list[str]


def _texts(values: Array, decimals: int) -> list[str]:
    return ["" if v != v else f"{v:.{decimals}f}" for v in values.tolist()]  # v != v: not a number


def _spell(channel: str, values: Array, frame: SimFrame, dialect: Dialect) -> tuple[str, str, Array, int]:
    """Name key, unit, values and decimals of a channel in this dialect."""
    degree = "°" if dialect.encoding != "ascii" else ""
    if channel == "manifold_pressure" and frame.unit_doubt:
        return "manifold_gauge", "psi", np.maximum(values - frame.barometric_kpa, 0.0), 1  # kPa called psi
    if channel in PRESSURES:
        scale, decimals = PRESSURE_UNITS[dialect.pressure]
        if channel == "manifold_pressure" and dialect.gauge:
            return "manifold_gauge", dialect.pressure, (values - frame.barometric_kpa) * scale, decimals
        return channel, dialect.pressure, values * scale, decimals
    if channel in TEMPERATURES:
        return (channel, f"{degree}F", values * 1.8 + 32, 1) if dialect.fahrenheit else (channel, f"{degree}C", values, 1)
    if channel in ("lambda", "lambda_target"):
        if dialect.afr:
            return channel.replace("lambda", "afr"), "AFR", values * dialect.stoichiometric_afr, 2
        return channel, "", values, 3
    if channel == "vehicle_speed":
        return (channel, "mph", values / KM_PER_MILE, 1) if dialect.miles else (channel, "km/h", values, 1)
    if channel in OPENINGS:
        return (channel, "", values / 100, 3) if dialect.fraction else (channel, "%", values, 1)
    unit, decimals = PLAIN_UNITS[channel]
    return channel, unit, values, decimals


def _clock(time: Array, dialect: Dialect) -> tuple[str, list[str]]:
    if dialect.clock == "ms":
        return "ms", [str(round(t * 1000)) for t in time.tolist()]
    if dialect.clock == "s":
        return "s", _texts(time, 3)
    stamps = [(dialect.start + timedelta(milliseconds=round(t * 1000))).isoformat(timespec="milliseconds") for t in time.tolist()]
    return "", [s[11:] for s in stamps] if dialect.clock == "hms" else stamps


def _header(name: str, unit: str, dialect: Dialect) -> str:
    plain = unit.replace("°", "").replace("%", "pct").replace("/", "") if dialect.unit_style == "underscore" else unit
    if not plain or dialect.units_row or plain.lower() in name.lower().replace("_", " ").split():
        return name  # "AFR (AFR)" helps nobody
    shown = {"paren": f"{name} ({unit})", "bracket": f"{name} [{unit}]", "underscore": f"{name}_{plain}", "none": name}
    return shown[dialect.unit_style]


def log_text(frame: SimFrame, dialect: Dialect) -> str:
    """The log as text in a dialect, before encoding."""
    spoken = MANNERS[dialect.manner]
    unit, cells = _clock(frame.time, dialect)
    columns = [_Column(TIME_NAMES[spoken], unit, cells)]
    for channel, values in frame.columns.items():
        key, unit, shown, decimals = _spell(channel, values, frame, dialect)
        name = NAMES[key][spoken]
        if frame.unit_doubt and channel == "manifold_pressure" and dialect.unit_style == "none":
            name = f"{name} ({unit})"  # a unit that is not stated cannot be stated wrongly
        columns.append(_Column(name, unit, _texts(shown, decimals)))
    if dialect.decimal_comma:
        columns = [columns[0], *(replace(c, cells=[v.replace(".", ",") for v in c.cells]) for c in columns[1:])] \
            if dialect.clock in ("hms", "iso") else [replace(c, cells=[v.replace(".", ",") for v in c.cells]) for c in columns]
    quote = '"{}"'.format if dialect.quotes else str
    join = dialect.delimiter.join
    head = join(quote(_header(c.name, c.unit, dialect)) for c in columns)
    lines = [*dialect.preamble, head]
    if dialect.units_row:
        lines.append(join(quote(c.unit) for c in columns))
    rows = [join(row) for row in zip(*(c.cells for c in columns), strict=True)]
    if dialect.repeat_header and len(rows) > 20:
        rows.insert(len(rows) // 2, head)
    if dialect.stray_line is not None and len(rows) > 20:
        rows.insert(len(rows) // 3, dialect.stray_line)
    if dialect.cut_last:
        rows[-1] = rows[-1][: int(0.55 * len(rows[-1]))]
    return dialect.newline.join(lines + rows) + ("" if dialect.cut_last else dialect.newline)


def write_log(frame: SimFrame, path: Path, dialect: Dialect) -> None:
    """Write a log. Raises UnicodeEncodeError where the encoding lacks a sign of the text."""
    data = log_text(frame, dialect).encode(dialect.encoding)
    if dialect.bom and dialect.encoding == "utf-8":
        data = b"\xef\xbb\xbf" + data
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(gzip.compress(data, mtime=0) if dialect.compress else data)


CAR_NOTES = "# An invented car. Every key may be left out; what is missing is assumed, and the tool says so.\n"


def car_toml(night: NightParams, *, units: str = "metric", extra: str = "") -> str:
    """The car file of a simulated car, commented."""
    car = night.car
    return f"""{CAR_NOTES}
name = "{car.name}"
units = "{units}"                 # how results are shown: "us" or "metric"
fuel = "{car.fuel}"               # petrol, e10, e50, e85, ethanol or methanol
stoichiometric_afr = {car.stoichiometric_afr}        # turns an air-fuel ratio into lambda
altitude_m = {night.altitude_m:.0f}                # where it is driven; used when no barometer is logged
cylinders = {car.cylinders}

[boost]
limit_kpa = {car.limit_kpa:.1f}            # gauge: what the engine may never see
sensor_top_kpa = {car.sensor_top_kpa:.1f}       # absolute: the sensor cannot read above this
spring_kpa = {car.spring_kpa:.1f}            # gauge: boost on the gate's spring alone
target_kpa = {car.target_kpa:.1f}            # gauge: used when no target is logged
# target_by_gear_kpa = {{ "1" = {0.6 * car.target_kpa:.0f}, "2" = {0.85 * car.target_kpa:.0f} }}   # where low gears get less

[injectors]
duty_limit_pct = 85

[gearing]
ratios = [{", ".join(f"{r:g}" for r in car.ratios)}]
final_drive = {car.final_drive:g}
tyre = "{car.tyre}"
circumference_m = {car.circumference_m:.3f}      # rolling; goes before the tyre's size

[solenoid]
ports = 3
frequency_hz = 30
duty_min_pct = {car.duty_min_pct:g}
duty_max_pct = {car.duty_max_pct:g}

# What a logger calls a channel, where the name or unit leaves doubt. What stands here wins.
# [channels]
# manifold_pressure = {{ column = "Boost", unit = "psi gauge" }}
# coolant_temp = "Water Temp"

# A limit of this car's own, in place of the default one.
# [thresholds."heat.intake"]
# watch = 55
{extra}"""
