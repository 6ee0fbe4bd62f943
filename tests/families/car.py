"""The parts of a car: engine, turbo, boost control, driveline, fuel and what a night does with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

GATE_SHARE = 0.85  # share of the turbine's drive that a fully open wastegate takes away


@dataclass(frozen=True)
class Engine:
    """Displacement [l], cylinders, idle and limiter speed [rpm]."""

    litres: float = 2.0
    cylinders: int = 4
    idle_rpm: float = 860.0
    limit_rpm: float = 7000.0


@dataclass(frozen=True)
class Turbo:
    """Spool midpoint and width [rpm], boost with the gate shut [kPa], lag [s], spring [kPa], gate."""

    spool_rpm: float
    spool_width_rpm: float
    reserve_kpa: float
    lag_s: float
    spring_kpa: float
    gate_range_kpa: float = 10.0
    gate_lag_s: float = 0.03
    growth_per_krpm: float = 0.015


@dataclass(frozen=True)
class Control:
    """How boost is set: level [kPa gauge], duty [%] that holds it, closed or open loop.

    ``follows`` holds (rpm, kPa) points of a target that follows engine speed; ``steps_pct`` is what
    the owner adds to the duty from pull to pull. ``duty_pct`` 0 is a car on its spring alone.
    """

    level_kpa: float
    duty_pct: float
    closed: bool = False
    follows: tuple[tuple[float, float], ...] = ()
    steps_pct: tuple[float, ...] = ()
    spool_duty_pct: float = 85.0
    top_duty_pct: float = 95.0

    def target_kpa(self, rpm: float) -> float:
        """Boost aimed at [kPa gauge] at an engine speed."""
        if not self.follows:
            return self.level_kpa
        return float(np.interp(rpm, [r for r, _ in self.follows], [k for _, k in self.follows]))


@dataclass(frozen=True)
class Driveline:
    """Gear ratios, final drive, wheel radius [m], mass [kg], drag area [m2], throttle by wire."""

    ratios: tuple[float, ...] = (3.5, 2.05, 1.4, 1.04, 0.84)
    final: float = 4.1
    radius_m: float = 0.31
    mass_kg: float = 1380.0
    drag_m2: float = 0.68
    by_wire: bool = False

    def rpm_per_mps(self, gear: int) -> float:
        """Engine speed for one metre a second of road speed, clutch closed."""
        return self.ratios[gear - 1] * self.final / self.radius_m * 30.0 / np.pi


Fuel = Literal["petrol", "e10", "e50", "e85", "methanol"]


@dataclass(frozen=True)
class Car:
    """A whole car. ``lambda_knots`` is the mixture aimed at wide open for 0, 35, 70, 140 kPa."""

    engine: Engine
    turbo: Turbo
    control: Control
    line: Driveline
    fuel: Fuel = "petrol"
    direct: bool = False
    lambda_knots: tuple[float, float, float, float] = (0.9, 0.84, 0.8, 0.77)
    intercooler: float = 0.9
    rail_kpa: float = 300.0
    altitude_m: float = 0.0


@dataclass(frozen=True)
class Weather:
    """Air pressure [kPa] and temperature [deg C] of the night."""

    pressure_kpa: float
    air_c: float


def standard_pressure(altitude_m: float) -> float:
    """Pressure [kPa] of the standard atmosphere (ISO 2533) at an altitude [m]."""
    return float(101.325 * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)


@dataclass(frozen=True)
class Phase:
    """One thing the driver does.

    kind: 'off' (ignition on, engine stopped), 'idle' (cranks first where it stands still), 'cruise'
    (reach ``rpm`` in ``gear``, hold it ``seconds``), 'pull' (wide open to ``rpm``), 'overrun'.
    """

    kind: Literal["off", "idle", "cruise", "pull", "overrun"]
    seconds: float = 0.0
    gear: int = 0
    rpm: float = 0.0
    slope: float = 0.0
    level_shift_kpa: float = 0.0
    duty_step_pct: float = 0.0


@dataclass
class Disturbance:
    """What a fault adds in a pull, on a 10 ms grid from its start; an empty array adds nothing.

    boost [kPa added at the manifold], slip [share engine speed runs ahead of road speed],
    throttle [highest opening], cut [1 = no fuel].
    """

    boost: list[float] = field(default_factory=list)
    slip: list[float] = field(default_factory=list)
    throttle: list[float] = field(default_factory=list)
    cut: list[float] = field(default_factory=list)
