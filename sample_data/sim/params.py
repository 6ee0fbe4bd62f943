"""The nouns of the simulator: car, logger, drive plan, fault, night and what comes out."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Mapping

Array = npt.NDArray[np.float64]

BASE_CHANNELS = (
    "engine_speed", "vehicle_speed", "throttle_position", "manifold_pressure", "barometric_pressure",
    "boost_target", "wastegate_duty", "lambda", "intake_air_temp", "coolant_temp", "fuel_pressure",
    "oil_pressure", "injector_pulse_width", "ignition_timing", "knock_retard", "battery_voltage",
)
EXTRA_CHANNELS = (
    "pedal_position", "lambda_target", "ambient_air_temp", "oil_temp", "fuel_temp", "exhaust_gas_temp",
    "injector_duty", "knock_level", "knock_count", "mass_air_flow", "short_term_fuel_trim",
    "long_term_fuel_trim", "gear", "turbo_speed", "acceleration_longitudinal",
)
ALL_CHANNELS = BASE_CHANNELS + EXTRA_CHANNELS


@dataclass(frozen=True)
class CarParams:
    """One invented car. Pressures in kPa (gauge unless said), speeds in rpm, masses in kg."""

    name: str = "alder"
    displacement_l: float = 1.7
    cylinders: int = 4
    mass_kg: float = 1210.0
    drag_area_m2: float = 0.66
    ratios: tuple[float, ...] = (3.42, 2.02, 1.41, 1.06, 0.84)
    final_drive: float = 3.95
    tyre: str = "215/45R16"
    circumference_m: float = 1.8460
    idle_rpm: float = 850.0
    redline_rpm: float = 7000.0
    target_kpa: float = 88.0
    spring_kpa: float = 44.0
    limit_kpa: float = 118.0
    sensor_top_kpa: float = 300.0  # absolute
    solenoid_gain: float = 0.72  # share of actuator pressure the solenoid can hold back at full duty
    duty_min_pct: float = 8.0
    duty_max_pct: float = 92.0
    spool_rpm: float = 3300.0  # where the turbo can just make the target with the gate shut
    spool_tau_s: float = 0.55
    regulator_wn: float = 9.0  # rad/s, solenoid + actuator + gate lumped
    regulator_zeta: float = 0.9
    cooler_effectiveness: float = 0.91
    cooler_kj_per_k: float = 13.0
    fuel_base_kpa: float = 300.0
    injector_peak_duty_pct: float = 70.0
    oil_kpa_per_krpm: float = 102.0
    oil_relief_kpa: float = 500.0
    alternator_v: float = 14.05
    lambda_boost: float = 0.80
    stoichiometric_afr: float = 14.7
    fuel: str = "petrol"


@dataclass(frozen=True)
class LoggerParams:
    """What the logger records: rows a second, channels, and every how many rows a channel is new."""

    rate_hz: float = 20.0
    channels: tuple[str, ...] = BASE_CHANNELS
    every: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    fill: str = "held"  # or "blank": what stands between the samples of a slow channel
    noise: float = 1.0  # scale on each sensor's own noise
    jitter: float = 0.0  # row time scatter, share of the interval


@dataclass(frozen=True)
class PullPlan:
    """One full-throttle run; `then_gear` shifts up and goes on; rpm_end past the redline meets the limiter."""

    gear: int = 3
    rpm_start: float = 2600.0
    rpm_end: float = 6600.0
    then_gear: int | None = None
    pedal_pct: float = 100.0


@dataclass(frozen=True)
class DrivePlan:
    """One recording: key on, idle, cruise, pulls with cool-downs, home."""

    pulls: tuple[PullPlan, ...] = (PullPlan(),)
    key_on_s: float = 4.0
    idle_s: float = 12.0
    cooldown_s: float = 60.0
    blips: int = 2
    tip_ins: int = 2
    stop_chance: float = 0.3
    duty_pct: float | None = None  # fixed duty (open loop) in per cent; None: closed loop on the target


@dataclass(frozen=True)
class Fault:
    """One fault by the code it should raise. severity 0 (mild) to 1 (clear-cut)."""

    code: str
    severity: float = 0.7
    channel: str | None = None
    frequency_hz: float | None = None  # of an oscillation; by default the regulator's own
    from_pull: int = 0  # the night's first pull that shows it


@dataclass(frozen=True)
class NightParams:
    """All that decides a night but chance. Temperatures in °C, pressure offset (weather) in kPa."""

    car: CarParams = field(default_factory=CarParams)
    logger: LoggerParams = field(default_factory=LoggerParams)
    drives: tuple[DrivePlan, ...] = (DrivePlan(pulls=(PullPlan(), PullPlan(), PullPlan())),)
    altitude_m: float = 120.0
    ambient_c: float = 17.0
    weather_kpa: float = 0.0
    start_coolant_c: float = 87.0
    faults: tuple[Fault, ...] = ()


@dataclass(frozen=True)
class SimFrame:
    """A log in canonical units: time in s (n,), columns (n,) with NaN where nothing was written."""

    time: Array
    columns: dict[str, Array]
    barometric_kpa: float
    rate_hz: float
    unit_doubt: bool = False


@dataclass(frozen=True)
class TruthPull:
    """A full-throttle run as it truly was, before any sensor."""

    log: int
    index: int
    start_s: float
    end_s: float
    gear: int
    measures: dict[str, float]


@dataclass(frozen=True)
class SimLog:
    frame: SimFrame
    pulls: tuple[TruthPull, ...]
    short_runs: tuple[TruthPull, ...]  # wide open, but too short to have to count as a pull


@dataclass(frozen=True)
class Truth:
    codes: tuple[str, ...]  # what was put in
    allowed: tuple[str, ...]  # what may follow from it
    verdict: str  # the verdict a full-severity case deserves
    pulls: tuple[TruthPull, ...]


@dataclass(frozen=True)
class SimNight:
    params: NightParams
    logs: tuple[SimLog, ...]
    truth: Truth
