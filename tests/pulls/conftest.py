"""Made logs of full-throttle running, with what truly happened in them: times in s, speeds in rpm and km/h."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import polars as pl
import pytest

from audit.model import Array, Barometric, Car, Channel, Log
from audit.sanity.examine import examine
from audit.tables import channel_rows, limits

CAR = Car(gear_ratios=(3.3, 1.95, 1.36, 1.03, 0.82), final_drive=4.1, circumference_m=1.841)
RATIOS = {g: r * 4.1 / 0.06 / 1.841 for g, r in enumerate(CAR.gear_ratios, 1)}  # rpm per km/h
NOISE = {
    "engine_speed": 6.0,
    "vehicle_speed": 0.15,
    "throttle_position": 0.15,
    "manifold_pressure": 0.5,
}


def lines(t: Array, *points: tuple[float, float]) -> Array:
    x, y = zip(*points, strict=True)
    return np.interp(t, x, y)


def one_pull(
    t: Array,
    *,
    gear: int = 3,
    start: float = 20.0,
    end: float = 26.0,
    rpm: tuple[float, float] = (2800.0, 6500.0),
) -> dict[str, Array]:
    """Cruise, full throttle in one gear, lift, cruise."""
    speed = lines(t, (0, rpm[0]), (start, rpm[0]), (end, rpm[1]), (end + 4, rpm[0]), (200, rpm[0]))
    return {
        "engine_speed": speed,
        "vehicle_speed": speed / RATIOS[gear],
        "throttle_position": lines(
            t,
            (0, 18),
            (start - 0.05, 18),
            (start + 0.05, 100),
            (end, 100),
            (end + 0.1, 2),
            (end + 4, 2),
            (end + 4.2, 18),
            (200, 18),
        ),
        "manifold_pressure": lines(
            t,
            (0, 60),
            (start, 60),
            (start + 0.2, 99),
            (start + 1.2, 190),
            (end, 192),
            (end + 0.2, 30),
            (end + 4, 28),
            (end + 4.3, 60),
            (200, 60),
        ),
    }


def build(
    columns: Mapping[str, Array],
    t: Array,
    *,
    noise: float = 1.0,
    step: Mapping[str, float] | None = None,
    seed: int = 0,
    every: Mapping[str, int] | None = None,
    breaks: tuple[int, ...] = (),
) -> Log:
    rng = np.random.default_rng(seed)
    out = {}
    for name, clean in columns.items():
        value = clean + rng.normal(0, 1, len(t)) * NOISE.get(name, 0) * noise
        if step and name in step:
            value = np.round(value / step[name]) * step[name]
        if every and name in every:
            value = np.where(np.arange(len(t)) % every[name] == 0, value, np.nan)
        out[name] = value
    rate = 1.0 / float(np.median(np.diff(t)))
    rows = channel_rows()
    frame = pl.DataFrame({"time": t} | out).with_columns(pl.all().fill_nan(None))
    channels = tuple(
        Channel(n, n, unit=rows[n].unit, rate_hz=rate / (every or {}).get(n, 1)) for n in out
    )
    return Log(
        "made.csv",
        "0" * 64,
        frame,
        channels,
        Barometric(99.0, "barometric channel", 0.5),
        breaks=breaks,
    )


def found(log: Log, car: Car = CAR) -> tuple:
    from audit.pulls.find import find_pulls

    return find_pulls(log, examine(log, car), car, limits())


@pytest.fixture
def clock() -> Callable[..., Array]:
    return lambda rate=20.0, length_s=45.0: np.arange(0, length_s, 1.0 / rate)
