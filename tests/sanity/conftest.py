"""A made drive: idle, cruise, a blip, a pull with a shift, overrun, cruise. Plain functions of time, kPa, °C, rpm."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl
import pytest

from audit.engine import State, state_of
from audit.model import Array, Barometric, Car, Channel, Log, Note
from audit.tables import channel_row

BARO = 99.0


def ramp(t: Array, *points: tuple[float, float]) -> Array:
    x, y = zip(*points, strict=True)
    return np.interp(t, x, y)


def drive(t: Array) -> dict[str, Array]:
    """Engine off to 3 s, idle to 10, blip at 12, cruise from 15, full throttle 30 to 36, overrun to 40, cruise on."""
    throttle = ramp(
        t,
        (0, 3),
        (11.9, 3),
        (12.0, 45),
        (12.3, 45),
        (12.4, 3),
        (15, 3),
        (15.5, 18),
        (29.9, 18),
        (30.0, 100),
        (36, 100),
        (36.15, 2),
        (40, 2),
        (40.3, 16),
        (80, 16),
    )
    rpm = ramp(
        t,
        (0, 0),
        (3, 0),
        (3.6, 900),
        (12, 900),
        (12.4, 3400),
        (13.4, 900),
        (15, 900),
        (20, 2600),
        (30, 2800),
        (36, 6600),
        (40, 3000),
        (41, 2500),
        (80, 2500),
    )
    pressure = ramp(
        t,
        (0, BARO),
        (3.1, BARO),
        (3.6, 38),
        (11.95, 36),
        (12.05, 80),
        (12.35, 85),
        (12.5, 28),
        (15, 36),
        (17, 60),
        (29.9, 62),
        (30.1, 95),
        (31.2, 190),
        (36, 192),
        (36.2, 30),
        (40, 27),
        (40.4, 60),
        (80, 62),
    )
    lam = ramp(
        t,
        (0, 1.36),
        (4, 1.36),
        (6, 1.0),
        (12.2, 1.0),
        (12.4, 0.88),
        (12.8, 1.1),
        (14, 1.0),
        (30.2, 1.0),
        (30.8, 0.8),
        (36.2, 0.79),
        (36.6, 1.36),
        (40.2, 1.36),
        (40.7, 1.0),
        (80, 1.0),
    )
    return {
        "engine_speed": rpm,
        "throttle_position": throttle,
        "manifold_pressure": pressure,
        "lambda": lam,
        "vehicle_speed": ramp(
            t, (0, 0), (15, 0), (20, 50), (30, 53.8), (36, 126.9), (40, 57.7), (41, 48), (80, 48)
        ),
        "intake_air_temp": ramp(t, (0, 26), (30, 24), (36, 33), (50, 27), (80, 25)),
        "coolant_temp": ramp(t, (0, 80), (80, 86)),
        "barometric_pressure": np.full_like(t, BARO),
        "battery_voltage": ramp(t, (0, 12.4), (3, 12.4), (3.2, 10.2), (3.7, 13.9), (80, 13.8)),
    }


NOISE = {
    "engine_speed": 6.0,
    "manifold_pressure": 0.5,
    "lambda": 0.004,
    "vehicle_speed": 0.15,
    "battery_voltage": 0.03,
    "throttle_position": 0.15,
    "intake_air_temp": 0.1,
    "coolant_temp": 0.1,
}
COARSE = {
    "engine_speed": 50.0,
    "manifold_pressure": 1.0,
    "lambda": 0.01,
    "vehicle_speed": 1.0,
    "battery_voltage": 0.1,
    "throttle_position": 100 / 255,
    "intake_air_temp": 1.0,
    "coolant_temp": 1.0,
    "barometric_pressure": 1.0,
}


def make_log(
    rate: float = 20.0,
    *,
    length_s: float = 60.0,
    coarse: bool = False,
    noise: float = 1.0,
    seed: int = 0,
    change: Mapping[str, Callable[[Array, Array], Array] | None] | None = None,
    every: Mapping[str, int] | None = None,
    notes: tuple[Note, ...] = (),
    drop_rows: Callable[[Array], Array] | None = None,
    breaks: tuple[int, ...] = (),
    channel: Mapping[str, Mapping[str, Any]] | None = None,
) -> Log:
    """change: channel -> f(t, values) or None to leave it out; every: blank but every so many rows."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, length_s, 1.0 / rate)
    columns: dict[str, Array] = {}
    for name, clean in drive(t).items():
        value = clean + rng.normal(0, 1, len(t)) * NOISE.get(name, 0.0) * noise * (clean != 0)
        if coarse:
            value = np.round(value / COARSE[name]) * COARSE[name]
        if name == "lambda":
            value = np.minimum(value, 1.36)
        columns[name] = value
    for name, how in (change or {}).items():
        if how is None:
            columns.pop(name, None)
        else:
            columns[name] = how(t, columns.get(name, np.zeros_like(t)).copy())
    for name, n in (every or {}).items():
        columns[name] = np.where(np.arange(len(t)) % n == 0, columns[name], np.nan)
    keep = np.ones(len(t), dtype=bool) if drop_rows is None else ~drop_rows(t)
    frame = pl.DataFrame({"time": t[keep]} | {k: v[keep] for k, v in columns.items()}).with_columns(
        pl.all().fill_nan(None)
    )
    rows = {n: channel_row(n) for n in columns}
    channels = tuple(
        Channel(
            **{
                "name": n,
                "source": n,
                "unit": "" if (row := rows[n]) is None else row.unit,
                "rate_hz": rate / (every or {}).get(n, 1),
                **(channel or {}).get(n, {}),
            }
        )
        for n in columns
    )
    return Log(
        path="made.csv",
        sha256="0" * 64,
        frame=frame,
        channels=channels,
        barometric=Barometric(BARO, "barometric channel", 0.5),
        notes=notes,
        breaks=breaks,
    )


@pytest.fixture
def make() -> Callable[..., Log]:
    return make_log


@pytest.fixture
def state() -> State:
    return state_of(make_log(50.0))


@pytest.fixture
def car() -> Car:
    return Car()
