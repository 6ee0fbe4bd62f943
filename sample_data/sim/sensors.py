"""Sensors and logger: each channel's lag, noise, step and rails, its own rate, and how it may fail.

Figures are common practice, no published source; the diagnostic byte steps (1 °C, 1 kPa) are coarser than these.
The intake pulses at rpm/30 Hz (four cylinders, four-stroke: arithmetic) ride on manifold pressure and alias as a real
logger aliases them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sim.engine import DT
from sim.params import SimFrame
from sim.slow import _lag

if TYPE_CHECKING:
    from sim.params import Array, Fault, NightParams

Window = tuple[float, float]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Sensor:
    """noise: standard deviation; step: quantum; lag and delay in s; low and high: the converter's rails."""

    noise: float
    step: float
    lag_s: float
    low: float
    high: float
    delay_s: float = 0.0


SENSORS: dict[str, Sensor] = {
    "engine_speed": Sensor(4, 1, 0.01, 0, 12000), "vehicle_speed": Sensor(0.12, 0.1, 0.05, 0, 400),
    "throttle_position": Sensor(0.12, 0.1, 0.01, 0, 100), "pedal_position": Sensor(0.12, 0.1, 0.01, 0, 100),
    "manifold_pressure": Sensor(0.30, 0.1, 0.012, 5, 300), "barometric_pressure": Sensor(0.05, 0.1, 0.5, 20, 120),
    "boost_target": Sensor(0, 0.1, 0, 0, 400), "wastegate_duty": Sensor(0, 0.1, 0, 0, 100),
    "lambda": Sensor(0.003, 0.001, 0.07, 0.6, 1.6, 0.08), "lambda_target": Sensor(0, 0.001, 0, 0.5, 2),
    "intake_air_temp": Sensor(0.08, 0.1, 0, -40, 150), "ambient_air_temp": Sensor(0.05, 0.5, 0, -40, 85),
    "coolant_temp": Sensor(0.08, 0.1, 2.0, -40, 150), "oil_temp": Sensor(0.1, 0.1, 3.0, -40, 180),
    "fuel_temp": Sensor(0.1, 0.5, 3.0, -40, 120), "exhaust_gas_temp": Sensor(2, 1, 0.5, 0, 1250),
    "fuel_pressure": Sensor(1.8, 0.5, 0.03, 0, 1000), "oil_pressure": Sensor(3.0, 0.5, 0.05, 0, 1000),
    "injector_pulse_width": Sensor(0.02, 0.01, 0, 0, 60), "injector_duty": Sensor(0.1, 0.1, 0, 0, 120),
    "ignition_timing": Sensor(0.15, 0.5, 0, -20, 60), "knock_retard": Sensor(0, 0.5, 0, 0, 20),
    "knock_level": Sensor(0.04, 0.01, 0.02, 0, 5), "knock_count": Sensor(0, 1, 0, 0, 1e6),
    "battery_voltage": Sensor(0.03, 0.01, 0.05, 0, 20), "mass_air_flow": Sensor(0.25, 0.01, 0.02, 0, 655.35),
    "short_term_fuel_trim": Sensor(0.1, 0.1, 0, -50, 50), "long_term_fuel_trim": Sensor(0, 0.1, 0, -50, 50),
    "gear": Sensor(0, 1, 0, 0, 8), "turbo_speed": Sensor(150, 10, 0.02, 0, 300_000),
    "acceleration_longitudinal": Sensor(0.12, 0.01, 0.02, -20, 20),
}


def sample(signals: dict[str, Array], night: NightParams, pulls: list[Window], *, first_pull: int, baro_kpa: float,
           rng: np.random.Generator) -> SimFrame:
    """The log a logger would have written of these signals, sensor faults and all."""
    logger = night.logger
    faults = [f for f in night.faults if f.from_pull < first_pull + max(len(pulls), 1)]
    n_true = len(signals["engine_speed"])
    rows = np.arange(0.0, (n_true - 1) * DT, 1.0 / logger.rate_hz)
    if logger.jitter:
        rows = np.maximum.accumulate(rows + rng.uniform(0, logger.jitter / logger.rate_hz, len(rows)))
        rows -= rows[0]
    columns = {}
    for name in logger.channels:
        every = _every(name, night, faults)
        times = rows[::every]
        values = _read(name, signals, times, night, rng)
        for fault in faults:
            values = _break(fault, name, values, times, pulls[max(fault.from_pull - first_pull, 0):], night, baro_kpa, rng)
        if np.isfinite(values).any():
            columns[name] = _spread(values, every, len(rows), logger.fill)
    return _break_clock(SimFrame(rows, columns, baro_kpa, logger.rate_hz), faults, pulls, rng)


def _every(name: str, night: NightParams, faults: list[Fault]) -> int:
    every = night.logger.every.get(name, 1)
    for fault in faults:
        if fault.code == "sensor.slow" and name in (fault.channel or "manifold_pressure", "lambda", "engine_speed"):
            every = max(every, round(night.logger.rate_hz / (3.0 - 2.4 * fault.severity)), 1)
    return every


def _spread(values: Array, every: int, n: int, fill: str) -> Array:
    if every == 1:
        return values
    if fill == "held":
        return np.repeat(values, every)[:n]
    out = np.full(n, np.nan)
    out[::every] = values
    return out


def _read(name: str, signals: dict[str, Array], times: Array, night: NightParams, rng: np.random.Generator) -> Array:
    sensor, true = SENSORS[name], signals[name]
    if np.isnan(true).all():
        return np.full(len(times), np.nan)
    if name == "lambda":
        true = np.minimum(true, sensor.high)
    felt = _lag(true, sensor.lag_s) if sensor.lag_s else true
    clock = np.arange(len(true)) * DT
    if name in ("gear", "knock_count", "knock_retard"):
        values = felt[np.minimum((times / DT).astype(int), len(felt) - 1)]
    else:
        values = np.interp(times - sensor.delay_s, clock, felt)
    if name == "manifold_pressure":
        rpm = np.interp(times, clock, signals["engine_speed"])
        turns = np.interp(times, clock, np.cumsum(signals["engine_speed"]) * DT / 60.0)
        pulses = 2 * np.pi * turns * night.car.cylinders / 2
        values = values + 0.6 * (rpm > 300) * values / 150.0 * np.sin(pulses)
    values = values + rng.normal(0, 1, len(times)) * sensor.noise * night.logger.noise
    if name in ("engine_speed", "oil_pressure"):
        values = np.where(np.interp(times, clock, signals["engine_speed"]) < 1, 0.0, values)
    if name == "vehicle_speed":
        values = np.where(np.interp(times, clock, true) < 0.05, 0.0, values)
    values = np.round(values / sensor.step) * sensor.step
    high = night.car.sensor_top_kpa if name == "manifold_pressure" else sensor.high
    clipped: Array = np.clip(values, sensor.low, high) + 0.0  # no minus nought
    return clipped


def _inside(times: Array, windows: list[Window]) -> Mask:
    inside = np.zeros(len(times), dtype=bool)
    for start, end in windows:
        inside |= (times >= start) & (times <= end)
    return inside


def _moments(count: int, last_s: float, times: Array, pulls: list[Window], rng: np.random.Generator) -> list[Window]:
    """Windows of last_s: one in the middle of each pull, the rest anywhere."""
    starts = [0.6 * a + 0.4 * b for a, b in pulls]
    starts += list(rng.uniform(times[0] + 10, times[-1] - 5, max(count - len(starts), 0)))
    return [(s, s + last_s) for s in starts]


DEFAULT_CHANNEL = {
    "sensor.missing": "lambda", "sensor.range": "intake_air_temp", "sensor.rail": "lambda",
    "sensor.flat_line": "intake_air_temp", "sensor.spike": "manifold_pressure", "sensor.rate_of_change": "coolant_temp",
    "sensor.dropout": "manifold_pressure", "sensor.disagree": "manifold_pressure",
    "boost.sensor_ceiling": "manifold_pressure", "sensor.unit_doubt": "barometric_pressure",
}


def _break(fault: Fault, name: str, values: Array, times: Array, pulls: list[Window], night: NightParams,
           baro_kpa: float, rng: np.random.Generator) -> Array:
    """The channel's samples under one sensor fault; untouched where the fault is another channel's."""
    if name != (fault.channel or DEFAULT_CHANNEL.get(fault.code)):
        return values
    s, sensor, out = fault.severity, SENSORS[name], values.copy()
    start = pulls[0][0] if pulls else times[-1]
    match fault.code:
        case "boost.sensor_ceiling":
            return np.minimum(out, round(baro_kpa + night.car.target_kpa * (0.97 - 0.17 * s), 1))
        case "sensor.missing" | "sensor.unit_doubt":
            return np.full(len(out), np.nan)
        case "sensor.range":
            out[times > start - 20] = sensor.high + (65.0 if sensor.high == 150 else 0.3 * sensor.high)
        case "sensor.rail":
            spread = 0.5 + 8.0 * s
            out[_inside(times, [(a - spread, b + spread) for a, b in pulls])] = sensor.high
        case "sensor.flat_line":
            stuck = times > start - 5 - 55 * s
            out[stuck] = out[np.argmax(stuck)]
        case "sensor.spike":
            width = 0.6 * float(times[1] - times[0])
            hit = _inside(times, _moments(round(3 + 15 * s), width, times, pulls, rng))
            out[hit] += rng.choice([-1.0, 1.0], hit.sum()) * (25 + 55 * s)
        case "sensor.rate_of_change":
            hit = _inside(times, _moments(round(3 + 9 * s), 1.0 + 3.0 * s, times, pulls, rng))
            out[hit] -= 12 + 28 * s
        case "sensor.dropout":
            out[_inside(times, _moments(round(3 + 8 * s), 0.15 + 0.5 * s, times, pulls, rng))] = 0.0
        case "sensor.disagree":
            if name == "manifold_pressure":
                out += 5 + 13 * s
            elif name == "vehicle_speed":
                out[times > start - 30] *= 1 - 0.08 - 0.2 * s
            else:
                out += 14 + 26 * s
    return out


def _break_clock(frame: SimFrame, faults: list[Fault], pulls: list[Window], rng: np.random.Generator) -> SimFrame:
    """Gaps and clock faults act on whole rows."""
    time, keep, doubt = frame.time.copy(), np.ones(len(frame.time), dtype=bool), False
    for fault in faults:
        s = fault.severity
        if fault.code == "sensor.gap":
            keep &= ~_inside(time, _moments(4, 0.6 + 2.2 * s, time, pulls, rng))
        elif fault.code == "sensor.clock":
            for at in rng.uniform(0.2, 0.8, 1 + round(2 * s)):
                time[int(at * len(time)):] -= 0.5 + 8.0 * s
        doubt |= fault.code == "sensor.unit_doubt"
    columns = {name: values[keep] for name, values in frame.columns.items()}
    return SimFrame(time[keep], columns, frame.barometric_kpa, frame.rate_hz, doubt)
