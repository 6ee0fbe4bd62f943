"""A made pull: every channel a plain function of time, so that a test states the one thing it is about.

    pull = make_pull(duration=6.0, rate=20.0, channels={"boost": lambda t: step(t, to=91.5)}, noise={"boost": 0.5})

Times given to the functions are s from the start of the pull (negative before it).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import polars as pl
import pytest

from audit.model import GOOD, MISSING, Array, Barometric, Car, Channel, Log, Pull, Sanity, Span
from audit.tables import Limits, channel_rows, limits

Shape = Callable[[Array], Array] | Array | float | None

QUIET = {
    "manifold_pressure": 0.5,
    "engine_speed": 4.0,
    "vehicle_speed": 0.2,
    "lambda": 0.004,
    "fuel_pressure": 1.5,
    "oil_pressure": 3.0,
    "battery_voltage": 0.03,
}


def step(
    t: Array,
    *,
    to: float,
    base: float = 0.0,
    spool_s: float = 1.0,
    overshoot: float = 0.0,
    ring_hz: float = 1.5,
    damping_s: float = 0.25,
) -> Array:
    """Boost building to `to` about spool_s, kPa: a smooth rise, then a ring of `overshoot` kPa dying away."""
    build = np.clip(-(t - spool_s) * 6.0 / max(spool_s, 0.2), None, 700.0)
    rise = base + (to - base) / (1.0 + np.exp(build))
    after = np.clip(t - 1.5 * spool_s, 0.0, None)
    peak_s = 0.25 / ring_hz
    ring = np.sin(2 * np.pi * ring_hz * after) * np.exp(-(after - peak_s) / damping_s)
    return rise + overshoot * ring


def rpm_ramp(
    t: Array, *, start: float = 2600.0, end: float = 6500.0, duration: float = 6.0
) -> Array:
    """Engine speed climbing as in one gear, rpm."""
    share = np.clip(t / duration, -0.3, 1.1)
    return start + (end - start) * (share + 0.25 * share * (1 - share))


def healthy(duration: float, gear: int | None) -> dict[str, Any]:
    """The channels of a healthy four-cylinder petrol car at 91.5 kPa boost."""
    return {
        "engine_speed": lambda t: rpm_ramp(t, duration=duration),
        "vehicle_speed": lambda t: (
            rpm_ramp(t, duration=duration)
            / {1: 125.0, 2: 76.0, 3: 53.0, 4: 40.0, 5: 32.0}.get(gear or 3, 53.0)
        ),
        "throttle_position": lambda t: np.where((t >= 0) & (t <= duration + 1e-9), 100.0, 15.0),
        "boost": lambda t: np.where(
            t < 0, -40.0, step(t, to=91.5, base=-5.0, spool_s=min(1.0, duration / 4))
        ),
        "barometric_pressure": None,
        "lambda": 0.79,
        "intake_air_temp": 29.5,
        "coolant_temp": 86.5,
        "fuel_pressure": 391.5,
        "oil_pressure": lambda t: 95.0 * np.minimum(rpm_ramp(t, duration=duration) / 1000, 5.0),
        "battery_voltage": 13.9,
        "wastegate_duty": 60.0,
        "boost_target": 91.5,
        "injector_duty": 65.0,
        "knock_retard": 0.0,
        "ignition_timing": 16.0,
    }


def make_pull(
    duration: float = 6.0,
    rate: float = 20.0,
    channels: Mapping[str, Shape] | None = None,
    *,
    noise: float | Mapping[str, float] = 1.0,
    quantise: Mapping[str, float] | None = None,
    every: Mapping[str, int] | None = None,
    gear: int | None = 3,
    car: Car | None = None,
    baro: float = 100.0,
    lead_s: float = 3.0,
    tail_s: float = 1.0,
    only: bool = False,
    seed: int = 0,
    index: int = 0,
    flags: Mapping[str, Callable[[Array], Array]] | None = None,
    jitter: float = 0.0,
    path: str = "made.csv",
    ended_by: str = "lift",
) -> Pull:
    """One pull in a log of its own.

    channels: canonical name (or 'boost', kPa gauge) -> a function of t, an array over all rows, a number, or
    None for 'not logged'; the rest as in `healthy` unless only=True. noise: sigma by channel, or a factor on
    the usual ones. quantise: step by channel. every: the channel is sampled every so many rows, blank between.
    flags: channel -> function of t giving QARTOD flags. jitter: scatter of the row times, share of the interval.
    """
    rng = np.random.default_rng(seed)
    n = int(round((lead_s + duration + tail_s) * rate)) + 1
    t = np.arange(n) / rate - lead_s
    if jitter:
        t = t + np.clip(rng.normal(0, jitter / rate, n), -0.4 / rate, 0.4 / rate)
    shapes: dict[str, Any] = {} if only else healthy(duration, gear)
    shapes |= dict(channels or {})
    if "boost" in shapes:
        boost = shapes.pop("boost")
        if boost is not None:
            shapes.setdefault("manifold_pressure", _filled(boost, t) + baro)
    sigma = (
        {k: v * noise for k, v in QUIET.items()} if isinstance(noise, (int, float)) else dict(noise)
    )
    if "boost" in sigma:
        sigma["manifold_pressure"] = sigma.pop("boost")
    columns: dict[str, Array] = {"time": t - t[0]}
    rows = channel_rows()
    table = []
    for name, shape in shapes.items():
        if shape is None:
            continue
        value = _filled(shape, t) + rng.normal(0, sigma.get(name, 0.0) or 1e-300, n)
        quantum = (quantise or {}).get(
            "boost" if name == "manifold_pressure" and "boost" in (quantise or {}) else name
        )
        if quantum:
            value = np.round(value / quantum) * quantum
        k = (every or {}).get(name, 1)
        if k > 1:
            value = np.where(np.arange(n) % k == 0, value, np.nan)
        columns[name] = value
        table.append(
            Channel(
                name=name,
                source=name,
                unit=rows[name].unit if name in rows else "",
                rate_hz=rate / k,
            )
        )
    frame = pl.DataFrame(columns)
    log = Log(
        path=path,
        sha256="0" * 64,
        frame=frame,
        channels=tuple(table),
        barometric=Barometric(baro, "made", 0.5),
    )
    samples = {
        c.name: np.where(np.isfinite(columns[c.name]), GOOD, MISSING).astype(np.uint8)
        for c in table
    }
    for name, rule in (flags or {}).items():
        samples[name] = np.asarray(rule(t), dtype=np.uint8)
    noises = {
        c.name: float(np.hypot(sigma.get(c.name, 0.0), (quantise or {}).get(c.name, 0.0) / 12**0.5))
        for c in table
    }
    sanity = Sanity(samples=samples, tests={}, flags={c.name: GOOD for c in table}, noise=noises)
    first, last = np.searchsorted(t, (-0.5 / rate, duration + 0.5 / rate))
    speed = columns.get("engine_speed", np.array([2600.0, 6500.0]))
    inside = speed[first:last] if len(speed) == n else speed
    span = Span(
        int(first),
        int(last),
        float(columns["time"][first]),
        float(columns["time"][last - 1]),
        gear,
        float(inside[0]),
        float(inside[-1]),
        ended_by,
    )
    return Pull(
        index=index,
        span=span,
        log=log,
        sanity=sanity,
        car=car or Car(boost_limit_kpa=250.0),
        night=(log,),
    )


def _filled(shape: Any, t: Array) -> Array:
    value = shape(t) if callable(shape) else shape
    return np.broadcast_to(np.asarray(value, dtype=np.float64), t.shape).copy()


@pytest.fixture(name="make_pull")
def _make_pull() -> Callable[..., Pull]:
    return make_pull


@pytest.fixture(name="step")
def _step() -> Callable[..., Array]:
    return step


@pytest.fixture(name="rpm_ramp")
def _rpm_ramp() -> Callable[..., Array]:
    return rpm_ramp


@pytest.fixture(name="table", scope="session")
def _table() -> Limits:
    """The limits as the table has them, no car overrides."""
    return limits()


@pytest.fixture(name="codes")
def _codes() -> Callable[[Any, Pull, Limits], dict[str, str]]:
    """codes(check, pull, table) -> {finding code: severity}; fails the test if the check was unable to judge."""

    def run(check: Any, pull: Pull, table: Limits) -> dict[str, str]:
        measured = check.measure(pull, table)
        assert measured.unable is None, measured.unable
        return {f.code: f.severity for f in check.judge(measured, table).findings}

    return run
