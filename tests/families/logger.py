"""Sensors and logger: each channel's own rate, noise and resolution, and the file it all becomes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .limits import Array

# Noise of the reading, in the unit of the signal (kPa, degC, V, ...): ordinary automotive sensors.
NOISE = {
    "engine_speed": 6.0,
    "vehicle_speed": 0.15,
    "throttle_position": 0.12,
    "pedal_position": 0.12,
    "manifold_pressure": 0.5,
    "manifold_gauge": 0.5,
    "barometric_pressure": 0.08,
    "lambda": 0.004,
    "lambda_2": 0.004,
    "intake_air_temp": 0.15,
    "ambient_air_temp": 0.1,
    "coolant_temp": 0.15,
    "oil_temp": 0.2,
    "exhaust_gas_temp": 2.0,
    "fuel_pressure": 1.5,
    "oil_pressure": 3.0,
    "injector_duty": 0.25,
    "injector_pulse_width": 0.02,
    "battery_voltage": 0.03,
    "wastegate_duty": 0.0,
    "mass_air_flow": 0.6,
}
# Slow breathing of intake and mixture: not the sensor's noise, yet there on every car.
WANDER = {"manifold_pressure": 0.35, "manifold_gauge": 0.35, "lambda": 0.003, "lambda_2": 0.003}


@dataclass(frozen=True)
class Column:
    """One column: the signal it shows, its heading, unit, scale to that unit and resolution.

    shown = (signal x scale + offset) rounded to ``decimals``; ``rate_hz`` is the channel's own rate
    (None: every row has a fresh reading); ``noise`` overrides the table, in the signal's unit.
    """

    signal: str
    heading: str
    unit: str
    decimals: int
    scale: float = 1.0
    offset: float = 0.0
    rate_hz: float | None = None
    noise: float | None = None
    top: float | None = None


@dataclass(frozen=True)
class Dialect:
    """How the file is written."""

    delimiter: str = ","
    decimal: str = "."
    clock: Literal["s", "ms", "hms"] = "s"
    clock_heading: str = "Time"
    units: Literal["header", "bracket", "row", "none"] = "header"
    between: Literal["hold", "blank"] = "hold"
    preamble: tuple[str, ...] = ()
    newline: str = "\n"
    encoding: str = "utf-8"
    suffix: str = ".csv"

    def headings(self, columns: tuple[Column, ...]) -> list[str]:
        """Header row, and the units row where the dialect has one."""
        clock_unit = {"s": "s", "ms": "ms", "hms": ""}[self.clock]
        pairs = [(self.clock_heading, clock_unit), *((c.heading, c.unit) for c in columns)]
        if self.units == "header":
            rows = [[f"{n} ({u})" if u else n for n, u in pairs]]
        elif self.units == "bracket":
            rows = [[f"{n} [{u}]" if u else n for n, u in pairs]]
        elif self.units == "row":
            rows = [[n for n, _ in pairs], [u or "-" for _, u in pairs]]
        else:
            rows = [[n for n, _ in pairs]]
        return [self.delimiter.join(r) for r in rows]


Change = Callable[[str, Array, Array], Array]


def clock_cells(dialect: Dialect, seconds: Array, of_day_s: float) -> list[str]:
    """The clock column as text."""
    if dialect.clock == "ms":
        return [str(v) for v in np.round(seconds * 1000.0).astype(int).tolist()]
    if dialect.clock == "s":
        return [f"{v:.3f}" for v in seconds.tolist()]
    ms = np.round((seconds + of_day_s) * 1000.0).astype(int)
    minutes, rest = np.divmod(ms, 60000)
    hours, minutes = np.divmod(minutes, 60)
    whole, frac = np.divmod(rest, 1000)
    parts = zip(hours.tolist(), minutes.tolist(), whole.tolist(), frac.tolist(), strict=True)
    return [f"{h:02d}:{m:02d}:{s:02d}.{f:03d}" for h, m, s, f in parts]


def column_cells(
    column: Column,
    dialect: Dialect,
    when: Array,
    time: Array,
    signal: Array,
    rng: np.random.Generator,
    change: Change,
) -> list[str]:
    """One column as text at the row times ``when`` [s], from its noise-free signal on ``time``."""
    if column.rate_hz is None:
        own, at = when, None
    else:
        ticks = np.floor((when - when[0]) * column.rate_hz + 1e-6).astype(int)
        fresh = np.flatnonzero(np.diff(ticks, prepend=-1))
        own, at = when[fresh], np.cumsum(np.diff(ticks, prepend=-1) > 0) - 1
    noise = NOISE.get(column.signal, 0.0) if column.noise is None else column.noise
    read = np.interp(own, time, signal)
    if noise:
        still = column.signal in ("engine_speed", "vehicle_speed", "injector_pulse_width")
        moving = read > 0.1 if still else 1.0  # a pulse count of nought has no noise
        read = read + rng.normal(0.0, noise, len(read)) * moving
    wander = WANDER.get(column.signal)
    if wander:
        read = read + wander * _wander(own, rng)
    read = change(column.signal, own, read)
    if column.signal.startswith("lambda"):
        read = np.maximum(read, 0.0)
    if column.signal in ("throttle_position", "pedal_position"):
        read = np.clip(read, 0.0, 100.0)
    if column.signal in ("vehicle_speed", "engine_speed", "injector_duty", "injector_pulse_width"):
        read = np.maximum(read, 0.0)
    shown = read * column.scale + column.offset
    if column.top is not None:
        shown = np.minimum(shown, column.top)
    form = f".{column.decimals}f"
    cells = [format(v, form) for v in (np.round(shown, column.decimals) + 0.0).tolist()]
    if at is None:
        return cells
    if dialect.between == "hold":
        return [cells[i] for i in at.tolist()]
    out = [""] * len(when)
    for row, cell in zip(fresh.tolist(), cells, strict=True):
        out[row] = cell
    return out


def _wander(own: Array, rng: np.random.Generator) -> Array:
    """A slow random wander of standard deviation 1 that forgets itself within 0.6 s."""
    knots = np.arange(own[0], own[-1] + 0.2, 0.2)
    keep = float(np.exp(-0.2 / 0.6))
    push = (rng.normal(0.0, 1.0, len(knots)) * (1.0 - keep * keep) ** 0.5).tolist()
    out, now = [], 0.0
    for w in push:
        now = now * keep + w
        out.append(now)
    return np.asarray(np.interp(own, knots, out))
