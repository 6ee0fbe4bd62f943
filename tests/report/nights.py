"""Nights for the tests of the page: sample nights screened, and a made one with every kind of channel."""

from __future__ import annotations

import dataclasses
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl

from audit.carfile import load_car
from audit.model import (
    Barometric,
    Car,
    Channel,
    CheckResult,
    Finding,
    Log,
    LogAudit,
    Night,
    Pull,
    PullAudit,
    Sanity,
    Span,
)
from audit.night.screen import screen_night
from audit.tables import channel_rows

SAMPLES = Path(__file__).parents[2] / "sample_data"

# 24 drawable channels and how each moves over a pull of 10 s (share 0 to 1, rng): invented, only for its amount of data.
SHAPES = {
    "engine_speed": (2500, 4000),
    "vehicle_speed": (60, 80),
    "throttle_position": (99, 1),
    "pedal_position": (98, 1),
    "manifold_pressure": (110, 80),
    "barometric_pressure": (98, 0),
    "boost_target": (90, 5),
    "wastegate_duty": (60, -20),
    "lambda": (0.82, -0.03),
    "lambda_target": (0.81, -0.02),
    "intake_air_temp": (20, 15),
    "ambient_air_temp": (15, 0),
    "coolant_temp": (85, 4),
    "oil_temp": (90, 5),
    "fuel_temp": (30, 1),
    "exhaust_gas_temp": (600, 250),
    "fuel_pressure": (300, 80),
    "oil_pressure": (300, 150),
    "injector_duty": (30, 45),
    "injector_pulse_width": (8, 6),
    "ignition_timing": (10, 8),
    "knock_retard": (0, 0.5),
    "battery_voltage": (14, -0.3),
    "mass_air_flow": (60, 140),
}


@cache
def sample(name: str, *, us: bool | None = None) -> Night:
    """A night of the sample data, screened; name as 'alder/2025-05-24_overshoot'."""
    folder = SAMPLES / name
    night = screen_night(sorted(folder.iterdir()), car=load_car(folder.parent / "car.toml"))
    return night if us is None else dataclasses.replace(night, us_units=us)


def full_night(
    *,
    pulls: int = 6,
    rate: float = 100.0,
    car: Car | None = None,
    name: str = "run.csv",
    findings: tuple[Finding, ...] = (),
) -> Night:
    """Six pulls of 24 channels in one log of 100 rows a second; `findings` go to the first pull."""
    car = car or Car(name="Rowan", boost_limit_kpa=130.0)
    rng = np.random.default_rng(3)
    t = np.arange(int(rate * 40 * max(pulls, 1))) / rate
    share = np.clip((t % 40 - 20) / 10, 0, 1)
    frame = pl.DataFrame(
        {
            "time": t,
            **{
                c: a + b * share + rng.normal(0, 0.01 * max(abs(a), 1), len(t))
                for c, (a, b) in SHAPES.items()
            },
        }
    )
    rows = channel_rows()
    channels = tuple(
        Channel(name=c, source=c, unit=rows[c].unit, source_unit=rows[c].unit, rate_hz=rate)
        for c in SHAPES
    )
    log = Log(name, "0" * 64, frame, channels, Barometric(98.0, "barometric channel", 0.5))
    sanity = Sanity(
        {c: np.ones(len(t), np.uint8) for c in SHAPES},
        {"manifold_pressure": {"spike": 1}},
        dict.fromkeys(SHAPES, 1),
        {},
    )
    checks = {
        c: CheckResult(c, "pass", 95.0)
        for c in ("boost_overshoot", "lean_under_load", "heat_soak", "oscillation")
    }
    judged = []
    for i in range(pulls):
        start = 40.0 * i + 20.0
        span = Span(
            int(start * rate),
            int((start + 10) * rate),
            start,
            start + 10.0,
            3,
            2500.0,
            6500.0,
            "lift",
            50.0,
        )
        measures = {
            "boost_peak_kpa": 92.0,
            "boost_settled_kpa": 90.0,
            "boost_overshoot_kpa": 2.0,
            "lambda_max": 0.83,
        }
        judged.append(
            PullAudit(
                Pull(i + 1, span, log, sanity, car), measures, checks, findings if i == 0 else ()
            )
        )
    audit = LogAudit(
        name,
        "0" * 64,
        "read",
        log=log,
        sanity=sanity,
        pulls=tuple(judged),
        rows=len(t),
        duration_s=float(t[-1]),
        rate_hz=rate,
    )
    return Night(
        car, (audit,), "clear", ("All four required checks were evaluated over 6 pulls.",), checks
    )
