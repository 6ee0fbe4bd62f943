"""Made drives and headers for the intake tests: an invented car, not the simulator's."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from audit.intake.raw import Clock, RawColumn, RawLog
from audit.model import Array

AMBIENT = 99.0
RATIOS = (115.0, 68.0, 47.0, 36.0, 29.0)  # rpm per km/h


def drive(
    *,
    seconds: float = 90.0,
    hz: float = 20.0,
    seed: int = 1,
    ambient: float = AMBIENT,
    stopped_s: float = 4.0,
    idle_s: float = 8.0,
    warm: bool = True,
    peak: float = 195.0,
) -> dict[str, Array]:
    """Canonical channels of a drive: key on, idle, then cruise, pull and overrun in turn."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * hz)) / hz
    n = len(t)
    phase = (t - stopped_s - idle_s) % 14.0
    off, idle = t < stopped_s, (t >= stopped_s) & (t < stopped_s + idle_s)
    cruise, pull = ~off & ~idle & (phase < 6.0), ~off & ~idle & (phase >= 6.0) & (phase < 10.0)
    over = ~off & ~idle & ~cruise & ~pull
    throttle = np.select([off, idle, cruise, pull], [0.0, 0.0, 17.0 + 3.0 * np.sin(t), 99.0], 0.0)
    rpm = np.select(
        [off, idle, cruise, pull],
        [0.0, 860.0, 2400.0 + 100.0 * np.sin(t / 3), 2400.0 + 1000.0 * (phase - 6.0)],
        6400.0 - 900.0 * (phase - 10.0),
    )
    rpm = np.maximum(rpm + rng.normal(0, 8, n) * (rpm > 0), 0.0)
    spool = np.clip((phase - 6.2) / 1.2, 0.0, 1.0)
    map_kpa = np.select(
        [off, idle, cruise, pull],
        [ambient, 36.0, 58.0 + 5 * np.sin(t), ambient - 4 + (peak - ambient + 4) * spool],
        24.0,
    )
    map_kpa = map_kpa + rng.normal(0, 0.6, n)
    lam = np.select(
        [off, idle, cruise, pull],
        [1.0, 1.0, 1.0, 1.0 - 0.2 * np.clip((phase - 6.0) / 0.6, 0, 1)],
        1.35,
    ) + rng.normal(0, 0.008, n)
    target = np.where(pull, peak - ambient, 0.0)
    coolant = (88.0 + 2.0 * np.sin(t / 40)) if warm else 18.0 + 72.0 * (1 - np.exp(-t / 60.0))
    return {
        "time": t,
        "engine_speed": rpm,
        "vehicle_speed": np.where(idle | off, 0.0, rpm / RATIOS[2]),
        "throttle_position": throttle + rng.normal(0, 0.1, n),
        "pedal_position": np.clip(throttle + rng.normal(0, 0.3, n), 0, 100),
        "manifold_pressure": map_kpa,
        "barometric_pressure": np.full(n, ambient),
        "boost_target": target,
        "wastegate_duty": np.where(pull, 55.0 + rng.normal(0, 1, n), 0.0),
        "lambda": lam,
        "lambda_target": np.where(pull, 0.8, 1.0),
        "intake_air_temp": 27.0 + 9.0 * np.abs(np.sin(t / 25)),
        "ambient_air_temp": np.full(n, 19.0),
        "coolant_temp": coolant,
        "oil_temp": 92.0 + 4.0 * np.sin(t / 50),
        "fuel_temp": 30.0 + 2 * np.sin(t / 70),
        "exhaust_gas_temp": np.where(off, 150.0, 480.0 + 350.0 * pull),
        "fuel_pressure": np.where(off, 0.0, 300.0 + map_kpa - ambient),
        "oil_pressure": np.where(off, 0.0, 140.0 + rpm * 0.055),
        "injector_duty": np.where(off, 0.0, 3.0 + rpm * map_kpa / 18000.0),
        "injector_pulse_width": np.where(off, 0.0, 1.2 + map_kpa * 0.055),
        "ignition_timing": np.select([off, idle, cruise, pull], [5.0, 12.0, 32.0, 14.0], 28.0)
        + rng.normal(0, 0.4, n),
        "knock_retard": np.where(pull & (phase > 9.0), 1.5, 0.0),
        "knock_level": 0.4 + rpm / 5000.0,
        "knock_count": np.cumsum(rng.random(n) < 0.002).astype(float),
        "battery_voltage": np.where(off, 12.3, 14.0) + rng.normal(0, 0.04, n),
        "mass_air_flow": rpm * map_kpa / 5500.0,
        "short_term_fuel_trim": rng.normal(0, 2.5, n).round(1),
        "long_term_fuel_trim": np.full(n, 3.1) + 0.8 * (t > 30),
        "gear": np.where(off | idle, 0.0, 3.0),
        "turbo_speed": 20000.0 + map_kpa * 600.0,
        "acceleration_longitudinal": np.where(pull, 3.2, np.where(over, -1.4, 0.0))
        + rng.normal(0, 0.1, n),
    }


@dataclass(frozen=True)
class Made:
    """A source column: header, unit text apart from it, and the source values."""

    header: str
    values: Array
    unit: str = ""
    unit_from: str = ""
    name: str = ""


def raw_log(
    columns: Sequence[Made], time: Array, *, clock: str | None = None, path: str = "made.csv"
) -> RawLog:
    """A RawLog of made columns; NaN becomes a blank cell."""
    names: dict[str, int] = {}
    series = []
    for c in columns:
        names[c.header] = names.get(c.header, 0) + 1
        label = c.header if names[c.header] == 1 else f"{c.header} ({names[c.header]})"
        series.append(
            pl.Series(label, c.values, nan_to_null=True)
            if c.values.dtype.kind == "f"
            else pl.Series(label, c.values)
        )
    frame = pl.DataFrame(series)
    raws = tuple(
        RawColumn(
            c.header,
            c.unit,
            c.unit_from or ("header" if c.unit else ""),
            c.values.dtype.kind == "f",
            c.name,
        )
        for c in columns
    )
    return RawLog(
        frame,
        raws,
        np.arange(1, frame.height + 1),
        "comma",
        path=path,
        sha256=hashlib.sha256(path.encode()).hexdigest(),
        time=time,
        clock=Clock(clock, "seconds", said="seconds"),
    )


def plain_columns(data: Mapping[str, Array], names: Sequence[str]) -> list[Made]:
    """Columns under their canonical names, units apart."""
    return [Made(n, data[n]) for n in names]
