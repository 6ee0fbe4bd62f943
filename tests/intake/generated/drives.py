"""A made drive in canonical units: its own physics, not the simulator's. Common practice, no published source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

GAS = 0.28705  # kJ/(kg K), dry air
STOICH = 14.7


@dataclass(frozen=True)
class Drive:
    """time: s from the first row; channels in canonical units, all rows; ambient: kPa."""

    time: np.ndarray
    channels: dict[str, np.ndarray]
    ambient: float
    ratios: tuple[float, ...]  # rpm per km/h
    warm: bool


def drive(rng: np.random.Generator) -> Drive:
    """Key on (perhaps), idle (perhaps), then cruise, pull and overrun in turn."""
    hz = float(rng.choice([8, 10, 20, 25, 50]))
    seconds = float(rng.uniform(40, 110))
    t = np.arange(round(seconds * hz)) / hz
    n = len(t)
    ambient = float(rng.choice([101.3, rng.uniform(96, 103), rng.uniform(80, 96)]))
    stopped, idling = float(rng.choice([0, 0, 3.0])), float(rng.choice([0, 4.0, 8.0]))
    top = rng.uniform(0.66, 0.74)  # no step between gears looks like km/h against mph
    ratios = tuple(float(x) for x in rng.uniform(105, 135) * top ** np.arange(5))
    gear = int(rng.integers(2, 4))
    phase = (t - stopped - idling) % 15.0
    off, idle = t < stopped, (t >= stopped) & (t < stopped + idling)
    moving = ~off & ~idle
    cruise, pull = moving & (phase < 6.5), moving & (phase >= 6.5) & (phase < 10.5)
    start, rate = rng.uniform(2200, 2800), rng.uniform(650, 1000)
    end = start + rate * 4.0
    rpm = np.select(
        [off, idle, cruise, pull],
        [0.0, rng.uniform(700, 950), start + 80 * np.sin(t / 3), start + rate * (phase - 6.5)],
        end - (end - start) / 4.5 * (phase - 10.5),
    )
    rpm = np.maximum(rpm + rng.normal(0, 7, n) * (rpm > 0), 0)
    closed = rng.uniform(0.0, 4.0)
    throttle = np.clip(
        np.select(
            [cruise, pull], [rng.uniform(12, 22) + 3 * np.sin(t), rng.uniform(97, 100)], closed
        )
        + rng.normal(0, 0.15, n),
        0,
        100,
    )
    boost = rng.uniform(45, 150)
    lag = rng.uniform(0.8, 1.6)
    spool = np.clip((phase - 6.7) / lag, 0, 1)
    pressure = np.select(
        [off, idle, cruise, pull],
        [
            ambient,
            rng.uniform(28, 42),
            rng.uniform(48, 75) + 4 * np.sin(t),
            ambient - 4 + (boost + 4) * spool,
        ],
        rng.uniform(17, 30),
    )
    pressure = pressure + rng.normal(0, 0.5, n)
    rich = rng.uniform(0.74, 0.86)
    lam = np.select(
        [off, cruise | idle, pull],
        [1.0, 1.0, 1.0 + (rich - 1.0) * np.clip((phase - 6.6) / 0.6, 0, 1)],
        rng.choice([1.0, 1.5]),
    ) + rng.normal(0, 0.007, n)
    litres = rng.uniform(1.4, 3.2)
    flow = (
        rpm * np.where(off, 0, pressure) * litres * rng.uniform(0.75, 0.95) / 120.0 / (GAS * 298.0)
    )
    speed = np.where(off | idle, 0.0, rpm / ratios[gear])
    acceleration = (
        np.gradient(np.convolve(np.pad(speed, 4, mode="edge"), np.ones(9) / 9, "valid"), t) / 3.6
    )
    air = rng.uniform(-2, 32)
    charge = (
        air
        + rng.uniform(4, 10)
        + rng.uniform(6, 16) * np.convolve(pull, np.ones(round(4 * hz)) / (4 * hz), "same")
    )
    warm = bool(rng.random() < 0.8)
    coolant = (
        rng.uniform(80, 95) + 2 * np.sin(t / 30)
        if warm
        else air + (86 - air) * (1 - np.exp(-t / 70.0))
    )
    channels = {
        "engine_speed": rpm,
        "vehicle_speed": speed,
        "throttle_position": throttle,
        "pedal_position": np.clip(throttle - closed, 0, 100),
        "manifold_pressure": pressure,
        "barometric_pressure": np.full(n, ambient) + rng.normal(0, 0.08, n),
        "boost_target": np.where(pull, boost + rng.uniform(-3, 6), 0.0),
        "wastegate_duty": np.where(pull, rng.uniform(25, 75) + rng.normal(0, 1, n), 0.0),
        "lambda": lam,
        "lambda_target": np.where(pull, rich, 1.0),
        "intake_air_temp": charge + rng.normal(0, 0.15, n),
        "ambient_air_temp": np.full(n, air) + 0.3 * np.sin(t / 20),
        "coolant_temp": coolant,
        "oil_temp": np.full(n, coolant.mean()) + 6 + 3 * np.sin(t / 40),
        "exhaust_gas_temp": np.where(off, 120.0, 430.0 + rng.uniform(250, 420) * pull)
        + rng.normal(0, 3, n),
        "fuel_pressure": np.where(off, 0.0, 300.0 + pressure - ambient) + rng.normal(0, 2, n),
        "oil_pressure": np.where(off, 0.0, 130.0 + rpm * rng.uniform(0.045, 0.06)),
        "injector_duty": np.clip(rpm * pressure / 17000.0, 0, 95) * ~off,
        "injector_pulse_width": np.where(off, 0.0, 1.1 + pressure * rng.uniform(0.04, 0.06)),
        "ignition_timing": np.select([off, idle, cruise, pull], [5.0, 12.0, 32.0, 13.0], 27.0)
        + rng.normal(0, 0.4, n),
        "knock_retard": np.where(pull & (phase > 9.3), 1.5, 0.0),
        "knock_level": 0.4 + rpm / 5000.0 + rng.normal(0, 0.02, n),
        "knock_count": np.cumsum(rng.random(n) < 0.002).astype(float),
        "battery_voltage": np.where(off, 12.4, 14.0) + rng.normal(0, 0.04, n),
        "mass_air_flow": flow,
        "short_term_fuel_trim": rng.normal(0, 2.5, n),
        "long_term_fuel_trim": np.full(n, rng.uniform(-5, 5)) + 0.8 * (t > 30),
        "gear": np.where(off | idle, 0.0, gear + 1.0),
        "turbo_speed": 20000.0 + pressure * 600.0,
        "acceleration_longitudinal": acceleration + rng.normal(0, 0.08, n),
    }
    return Drive(t, channels, ambient, ratios, warm)
