"""What the sensors would read without noise: mixture, heat, fuel, oil, knock and supply."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from .car import Car, Weather
from .drive import Trace
from .limits import Array

LAMBDA_KNOTS_KPA = (0.0, 35.0, 70.0, 140.0)
LAMBDA_LAG_S = 0.07
GAS_MIXING_S = 0.04


def lag(time: Array, value: Array, tau: float | Array) -> Array:
    """First-order lag on an uneven clock."""
    steps = np.diff(time, prepend=time[0])
    pull = 1.0 - np.exp(-steps / tau)
    out, now = [], float(value[0])
    for a, x in zip(pull.tolist(), value.tolist(), strict=True):
        now += a * (x - now)
        out.append(now)
    return np.array(out)


class Plant:
    """The slow and the chemical half of the car, worked out from a finished trace."""

    def __init__(self, car: Car, weather: Weather, trace: Trace, rng: np.random.Generator) -> None:
        """``rng`` sets the small differences between nights (thermostat, oil, alternator)."""
        self.car, self.weather, self.trace = car, weather, trace
        d = trace.data
        self.t, self.rpm, self.v, self.u, self.map = d["t"], d["rpm"], d["v"], d["u"], d["map"]
        self.boost = self.map - weather.pressure_kpa
        self.load = np.clip(self.map / (weather.pressure_kpa + car.control.level_kpa), 0.0, 1.1)
        self.flow = self.rpm / 6000.0 * self.map / 200.0
        self.runs = self.rpm > 300.0
        self.fill: Array = 1.0 - ((self.rpm / 1000.0 - 4.6) / 9.0) ** 2
        self.pulling = np.zeros(len(self.t), dtype=bool)
        for pull in trace.pulls:
            self.pulling[pull.span] = True
        self.small: list[float] = rng.uniform(-1.0, 1.0, 8).tolist()
        self.phase = rng.uniform(0.0, 6.28)

    # mixture -------------------------------------------------------------------------------
    def lambda_aim(self) -> Array:
        """Mixture the computer aims at (1 where it runs closed loop off boost)."""
        full = np.interp(self.boost, LAMBDA_KNOTS_KPA, self.car.lambda_knots)
        weight = np.clip((self.u - 0.5) / 0.3, 0.0, 1.0)
        return 1.0 + weight * (full - 1.0)

    def lambda_burnt(self) -> Array:
        """Mixture in the cylinder before any fault."""
        aim = self.lambda_aim()
        dither = 0.008 * np.sin(2.0 * np.pi * 0.8 * self.t + self.phase) * (self.u < 0.5)
        return lag(self.t, aim + dither + 0.003 * self.small[0], 0.06)

    def lambda_read(self, burnt: Array, top: float) -> Array:
        """What the sensor reads: transport delay, mixing of the gas, a lag in 1 - 1/lambda."""
        oxygen = 1.0 - 1.0 / burnt
        oxygen = np.where((self.trace.data["cut"] > 0.5) | ~self.runs, 1.0, oxygen)
        delay = 0.04 + 0.018 / (self.flow + 0.06)
        gas = lag(self.t, np.interp(self.t - delay, self.t, oxygen), GAS_MIXING_S)
        read = lag(self.t, gas, LAMBDA_LAG_S)
        return 1.0 / np.maximum(1.0 - read, 1.0 / top)

    # heat ----------------------------------------------------------------------------------
    def intake_air_temp(self) -> Array:
        """Charge temperature after the intercooler by a slow sensor [deg C]."""
        air = self.weather.air_c
        ratio = np.maximum(1.0, self.map / self.weather.pressure_kpa)
        out = (air + 273.15) * (1.0 + (ratio**0.286 - 1.0) / 0.72) - 273.15
        heat = (out - air) * self.flow
        core, now = [], air + 6.0
        steps = np.diff(self.t, prepend=self.t[0])
        speed = np.sqrt(self.v + 1.0)
        for dt, h, w in zip(steps.tolist(), heat.tolist(), speed.tolist(), strict=True):
            now += min(dt, 5.0) * (0.015 * h - 0.030 * w * (now - air - 5.0))
            core.append(now)
        cold = np.array(core)
        charge = out - self.car.intercooler * (out - cold) + 4.0 / (1.0 + 8.0 * self.flow)
        return lag(self.t, charge + 2.0 * self.small[1], 2.6)

    def ambient_air_temp(self) -> Array:
        """Outside air [deg C]."""
        return np.full(len(self.t), self.weather.air_c)

    def coolant_temp(self) -> Array:
        """Coolant round an open thermostat [deg C]."""
        wave = 0.9 * np.sin(self.t / 13.0 + self.phase)
        work = lag(self.t, np.where(self.pulling, 1.0, 0.0), 15.0)
        return 89.0 + 1.5 * self.small[2] + wave + 1.8 * work

    def oil_temp(self) -> Array:
        """Oil [deg C]."""
        work = lag(self.t, np.where(self.pulling, 1.0, 0.0), 40.0)
        return 95.0 + 2.0 * self.small[3] + 12.0 * work

    def exhaust_gas_temp(self) -> Array:
        """Gas before the turbine by a sheathed thermocouple [deg C]."""
        steady = np.where(self.runs, 480.0 + 350.0 * np.minimum(1.0, self.flow), 180.0)
        steady = np.where(self.trace.data["cut"] > 0.5, 380.0, steady)
        return lag(self.t, steady, 1.1)

    # fuel ----------------------------------------------------------------------------------
    def fuel_pressure(self) -> Array:
        """Rail pressure [kPa gauge]: follows the manifold one to one, or a map (direct)."""
        sag = lag(self.t, np.where(self.pulling, self.flow, 0.0), 0.4)
        if self.car.direct:
            goal = np.interp(self.load, (0.2, 0.6, 0.95), (0.4, 0.55, 1.0)) * self.car.rail_kpa
            return lag(self.t, goal, 0.12) * (1.0 - 0.008 * sag)
        base = self.car.rail_kpa * (1.0 - 0.012 * np.minimum(1.0, sag))
        return base + lag(self.t, self.boost, 0.03)

    def injector_duty(self) -> Array:
        """Share of the cycle the injectors are open [%]: 74 at the top of a pull."""
        need = self.map * self.rpm * self.fill / self.lambda_burnt()
        full = [
            (self.weather.pressure_kpa + p.level_kpa) * self.rpm[p.last - 1] * self.fill[p.last - 1]
            for p in self.trace.pulls
        ]
        scale = 74.0 / max(full) * self.car.lambda_knots[3]
        off = (self.trace.data["cut"] > 0.5) | ~self.runs
        return np.asarray(np.where(off, 0.0, need * scale + 0.00025 * self.rpm))

    def mass_air_flow(self) -> Array:
        """Air through the engine [g/s]."""
        return np.asarray(
            self.car.engine.litres / 120.0 * self.rpm * self.map / 101.3 * 1.16 * self.fill
        )

    # the rest ------------------------------------------------------------------------------
    def oil_pressure(self) -> Array:
        """Oil pressure [kPa gauge]: pump, then relief valve."""
        pumped = 85.0 + 66.0 * self.rpm / 1000.0 + 8.0 * self.small[4]
        relief = 465.0 + 0.004 * self.rpm
        return lag(self.t, np.where(self.runs, np.minimum(pumped, relief), 0.0), 0.12)

    def battery_voltage(self) -> Array:
        """Supply [V]: alternator while it runs, battery before."""
        load = lag(self.t, np.where(self.pulling, 1.0, 0.0), 0.6)
        return np.where(self.runs, 14.05 + 0.1 * self.small[5] - 0.18 * load, 12.5)

    def ignition_timing(self) -> Array:
        """Ignition [deg before top dead centre]."""
        wide = 21.0 - 0.075 * np.maximum(0.0, self.boost) + 0.0012 * (self.rpm - 3000.0)
        part = np.where(self.rpm < 1100.0, 14.0, 32.0)
        weight = np.clip((self.u - 0.5) / 0.3, 0.0, 1.0)
        return np.where(self.runs, part + weight * (wide - part), 0.0)


Maker = Callable[[Plant], Array]
SIMPLE: dict[str, Maker] = {
    "engine_speed": lambda p: p.rpm.copy(),
    "vehicle_speed": lambda p: p.v * 3.6,
    "throttle_position": lambda p: 1.5 + 98.5 * p.u,
    "pedal_position": lambda p: 100.0 * p.trace.data["pedal"],
    "manifold_pressure": lambda p: p.map.copy(),
    "manifold_gauge": lambda p: p.boost.copy(),
    "barometric_pressure": lambda p: np.full(len(p.t), p.weather.pressure_kpa),
    "boost_target": lambda p: p.trace.data["target"].copy(),
    "wastegate_duty": lambda p: p.trace.data["duty"].copy(),
    "lambda_target": Plant.lambda_aim,
    "intake_air_temp": Plant.intake_air_temp,
    "ambient_air_temp": Plant.ambient_air_temp,
    "coolant_temp": Plant.coolant_temp,
    "oil_temp": Plant.oil_temp,
    "exhaust_gas_temp": Plant.exhaust_gas_temp,
    "fuel_pressure": Plant.fuel_pressure,
    "injector_duty": Plant.injector_duty,
    "injector_pulse_width": lambda p: (
        p.injector_duty() * 1200.0 / np.maximum(p.rpm, 300.0) * (p.rpm > 300.0)
    ),
    "mass_air_flow": Plant.mass_air_flow,
    "oil_pressure": Plant.oil_pressure,
    "battery_voltage": Plant.battery_voltage,
    "ignition_timing": Plant.ignition_timing,
    "gear": lambda p: p.trace.data["gear"].copy(),
    "knock_count": lambda p: np.zeros(len(p.t)),
}
