"""The slow half of the physics: heat, fuel, oil, electrics, knock; from the stepped drive.

Sources: compressor outlet T1 (1 + (PR^(2/7) - 1) / eta), Heywood ch. 6 (from memory), eta 0.70; charge cooler by
effectiveness (Incropera, heat exchangers, from memory) into a lump of metal that the road air cools; Newton cooling
elsewhere; injector duty = pulse x speed / 1200 for one shot every two turns (arithmetic); fuel flow through the
injector by the root of the pressure over it (Bernoulli). Sizes: common practice, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.engine import DT, Run, _wander

if TYPE_CHECKING:
    from collections.abc import Callable

    from sim.faults import Effects
    from sim.params import Array, CarParams

HEAT_DT = 0.2
PUMP_EFFICIENCY = 0.70


@dataclass
class HeatState:
    """°C; carried from one log of the night to the next."""

    coolant: float
    oil: float
    core: float
    intake: float
    bay: float


def _lag(x: Array, tau_s: float) -> Array:
    """First-order lag of (n,) on the clock DT."""
    from scipy.signal import lfilter

    keep = float(np.exp(-DT / tau_s))
    out: Array = lfilter([1 - keep], [1, -keep], x, zi=[x[0] * keep])[0]
    return out


def air_flow(car: CarParams, run: Run) -> Array:
    """Air through the engine, g/s (n,)."""
    f = run.fields
    per_turn = 0.92 * car.displacement_l / 2 / (287.05 * 315.0) * 1e3
    flow: Array = per_turn * f["map"] * f["rpm"] / 60.0
    return flow


def _heat(car: CarParams, run: Run, air: Array, state: HeatState, pull_effects: list[Effects], *,
          baro_kpa: float, ambient_c: float) -> dict[str, Array]:
    """Charge, coolant and oil temperature, °C, stepped at 5 Hz and carried in `state`."""
    every = round(HEAT_DT / DT)
    f = run.fields
    out = []
    for i in range(0, len(run.time), every):
        e = pull_effects[int(f["stage"][i])]
        speed, flow, boost = f["speed"][i], air[i], f["boost"][i]
        state.bay += (ambient_c + 26.0 / (1 + 0.05 * speed) - state.bay) * HEAT_DT / 25.0
        inlet = ambient_c + 0.1 * (state.bay - ambient_c) + 1.0
        ratio = (baro_kpa * 0.985 + boost) / (baro_kpa * 0.985)
        hot = (inlet + 273.15) * (1 + (ratio ** (2 / 7) - 1) / PUMP_EFFICIENCY) - 273.15
        share = car.cooler_effectiveness * e.cooler_scale
        given = share * flow * 1.006e-3 * (hot - state.core)  # kW into the core
        shed = (0.10 + 0.028 * speed) * e.cooler_recovery * (state.core - ambient_c)
        lump = car.cooler_kj_per_k * (0.28 if e.cooler_recovery < 1 else 1.0)
        state.core += (given - shed) / lump * HEAT_DT
        charge = hot - share * (hot - state.core) + 0.22 * (state.bay - ambient_c)
        quick = HEAT_DT / (2.6 + 12.0 / (1 + flow / 4.0))  # a slow element, slower in still air
        state.intake += ((charge if flow > 0.3 else 0.6 * state.bay + 0.4 * ambient_c) - state.intake) * min(quick, 1.0)
        power = 0.0 if f["cut"][i] else flow * 2.92  # kW of burnt fuel
        opened = min(max((state.coolant - (e.thermostat_c - 2.0)) / 9.0, 0.03), 1.0)
        fan = 0.5 if state.coolant > e.thermostat_c + 11 else 0.0
        radiator = opened * (0.10 + fan + 0.045 * speed) * (state.coolant - ambient_c)
        state.coolant += (0.24 * power - radiator - 0.012 * (state.coolant - ambient_c)) / 62.0 * HEAT_DT
        state.oil += (0.035 * power - 0.12 * (state.oil - state.coolant) - 0.03 * (state.oil - ambient_c)) / 11.0 * HEAT_DT
        out.append((state.intake, state.coolant, state.oil, state.bay))
    grid = np.arange(len(out)) * HEAT_DT
    table = np.array(out)
    return {name: np.interp(run.time, grid, table[:, i])
            for i, name in enumerate(("intake_air_temp", "coolant_temp", "oil_temp", "bay"))}


def _per_stage(run: Run, effects: list[Effects], knob: str) -> Array:
    return np.array([getattr(e, knob) for e in effects])[run.fields["stage"].astype(int)]


def _mixture(car: CarParams, run: Run, effects: list[Effects], load: Array, differential: Array,
             rng: np.random.Generator, baro_kpa: float) -> tuple[Array, Array]:
    """Lambda at the valves and its target (n,), free air (2.0) where the fuel is cut."""
    f = run.fields
    boost = f["map"] - baro_kpa
    wide = np.clip((f["throttle"] - 55) / 25, 0, 1)
    loaded = np.interp(boost, [-30, 0, 40, 80], [0.93, 0.865, 0.81, car.lambda_boost])
    target = 1.0 + (loaded - 1.0) * np.maximum(wide, np.clip(boost / 30, 0, 1))
    held = _lag(target, 0.25)
    target = np.minimum(target, held)  # goes rich at once, lean again only slowly
    top = np.clip((f["rpm"] / car.redline_rpm - 0.5) / 0.4, 0, 1) * load
    wrong = 1 + _per_stage(run, effects, "lean") * load - _per_stage(run, effects, "rich") * load
    wrong += _per_stage(run, effects, "drift_lean") * top + _spikes(run, effects)
    true = target * wrong * (1 + 0.006 * _wander(len(load), rng, 0.4))
    true *= np.sqrt(car.fuel_base_kpa / np.maximum(differential, 30.0))
    stopped = (f["cut"] > 0) | (f["rpm"] < 300)
    return np.where(stopped, 2.0, true), target


def _spikes(run: Run, effects: list[Effects]) -> Array:
    """One lean moment of 0.4 s about two thirds through each pull that has the fault."""
    out = np.zeros(len(run.time))
    stage = run.fields["stage"].astype(int)
    for number, (plan, e) in enumerate(zip(run.stages, effects, strict=True)):
        if plan.kind == "pull" and e.lean_spike:
            rows = np.flatnonzero(stage == number)
            middle = rows[int(0.66 * (len(rows) - 1))] if len(rows) else 0
            out[middle: middle + round(0.4 / DT)] = e.lean_spike
    return out


def _knock(run: Run, effects: list[Effects], load: Array, rng: np.random.Generator) -> tuple[Array, Array]:
    """Retard in degrees and cumulative count (n,); healthy cars show a stray half degree now and then."""
    n = len(load)
    retard, count = np.zeros(n), np.zeros(n)
    strays = rng.random(n) < 0.06 * DT * (0.2 + load)
    for i in np.flatnonzero(strays):
        retard[i: i + 120] = np.maximum(retard[i: i + 120], rng.choice([0.5, 1.0]) * np.linspace(1, 0, len(retard[i: i + 120])))
    stage = run.fields["stage"].astype(int)
    for number, (plan, e) in enumerate(zip(run.stages, effects, strict=True)):
        rows = np.flatnonzero(stage == number)
        if plan.kind != "pull" or len(rows) < 80:
            continue
        if e.knock_deg:
            start = rows[int(0.5 * len(rows))]
            ramp = e.knock_deg * np.clip(1.4 - np.arange(rows[-1] + 1 - start) / 150.0, 0.4, 1.0)
            retard[start: rows[-1] + 1] = np.maximum(retard[start: rows[-1] + 1], ramp)
            count[rng.choice(rows[len(rows) // 2:], size=round(e.knock_deg))] += 1
        if e.knock_events:
            count[rng.choice(rows[len(rows) // 3:], size=e.knock_events)] += 1
    return np.round(retard * 2) / 2, np.cumsum(count)


def all_signals(car: CarParams, run: Run, state: HeatState, effects_for: Callable[[int], Effects], *, first_pull: int,
                baro_kpa: float, ambient_c: float, open_loop: bool, rng: np.random.Generator) -> dict[str, Array]:
    """Every channel as it truly is, in canonical units, (n,) on the clock DT."""
    f, n = run.fields, len(run.time)
    number, effects = first_pull, []
    for stage in run.stages:
        number = stage.pull if stage.pull >= 0 else number
        effects.append(effects_for(number))
    air = air_flow(car, run)
    heat = _heat(car, run, air, state, effects, baro_kpa=baro_kpa, ambient_c=ambient_c)
    gauge = f["map"] - baro_kpa
    running = f["rpm"] > 300
    load = np.clip((gauge - 15) / (0.7 * car.target_kpa - 15), 0, 1) * (f["cut"] == 0)
    drop = _per_stage(run, effects, "pump_drop")
    differential = car.fuel_base_kpa * (1 - drop * _lag(load * np.clip(f["rpm"] / car.redline_rpm * 1.25, 0, 1), 0.25))
    differential *= 1 + 0.004 * _wander(n, rng, 0.3) - 0.008 * load
    mixture, mixture_target = _mixture(car, run, effects, load, differential, rng, baro_kpa)
    pulse, duty = _injection(car, run, effects, air, mixture_target, baro_kpa)
    viscosity = np.clip(1.0 + (95.0 - heat["oil_temp"]) * 0.006, 0.8, 1.5)
    oil = np.minimum(car.oil_kpa_per_krpm * f["rpm"] / 1000.0 * viscosity + 25 * running, car.oil_relief_kpa)
    retard, count = _knock(run, effects, load, rng)
    volts = np.where(running, car.alternator_v - 0.0016 * np.clip(heat["coolant_temp"] - 60, 0, 60), 12.5)
    volts = _lag(volts, 0.8) - 0.12 * load - _per_stage(run, effects, "volts_sag") * _lag(load, 0.4)
    volts = np.where((f["rpm"] > 30) & ~running, 10.6, volts)
    spark = np.interp(f["rpm"], [0, 850, 2500, 7000], [8, 14, 30, 36]) - np.interp(f["map"], [30, 100, 200, 260], [0, 6, 21, 28])
    ratio = (baro_kpa + f["boost"]) / baro_kpa
    heat_out = np.where(f["cut"] > 0, 350.0, 420.0 + 480.0 * np.clip(air / (100.0 * car.displacement_l), 0, 1) ** 0.5)
    cruise = (running & (f["cut"] == 0) & (gauge < 0)).astype(float)
    return {
        "engine_speed": f["rpm"], "vehicle_speed": f["speed"] * 3.6, "throttle_position": f["throttle"],
        "pedal_position": f["pedal"], "manifold_pressure": f["map"], "barometric_pressure": np.full(n, baro_kpa),
        "boost_target": np.full(n, np.nan) if open_loop else f["target"], "wastegate_duty": f["duty"],
        "lambda": mixture, "lambda_target": mixture_target, "intake_air_temp": heat["intake_air_temp"],
        "ambient_air_temp": ambient_c + 0.08 * (heat["bay"] - ambient_c), "coolant_temp": heat["coolant_temp"],
        "oil_temp": heat["oil_temp"], "fuel_temp": ambient_c + 0.25 * (heat["coolant_temp"] - ambient_c),
        "exhaust_gas_temp": _lag(np.where(running, heat_out, heat["coolant_temp"] + 60), 1.6),
        "fuel_pressure": np.maximum(differential + gauge, 0.0),
        "oil_pressure": _lag(oil * _per_stage(run, effects, "oil_scale"), 0.15),
        "injector_pulse_width": pulse, "injector_duty": duty, "ignition_timing": (spark - retard) * running,
        "knock_retard": retard, "knock_level": running * (0.25 + 0.10 * f["rpm"] / 1000.0 + 0.25 * retard), "knock_count": count,
        "battery_voltage": volts, "mass_air_flow": _lag(air, 0.03),
        "short_term_fuel_trim": cruise * 2.0 * _wander(n, rng, 1.2), "long_term_fuel_trim": np.full(n, float(rng.normal(0, 1.2))),
        "gear": f["gear"], "turbo_speed": 150_000.0 * np.sqrt(np.maximum(ratio ** (2 / 7) - 1, 0) / 0.25) + 9000.0 * running,
        "acceleration_longitudinal": f["accel"],
    }


def _injection(car: CarParams, run: Run, effects: list[Effects], air: Array, target: Array, baro_kpa: float) -> tuple[Array, Array]:
    """Injector pulse width, ms, and duty, %: sized so that full load at the redline takes its planned duty."""
    f = run.fields
    peak_air = 0.92 * car.displacement_l / 2 / (287.05 * 315.0) * 1e3 * (baro_kpa + car.target_kpa) * car.redline_rpm / 60.0
    planned = np.array([e.injector_duty_pct or car.injector_peak_duty_pct for e in effects])[f["stage"].astype(int)]
    fuel = air / target * (f["cut"] == 0)
    dead_pct = 0.9 * f["rpm"] / 1200.0
    peak_dead = 0.9 * car.redline_rpm / 1200.0
    duty = np.where(fuel > 0, fuel / (peak_air / car.lambda_boost) * (planned - peak_dead) + dead_pct, 0.0)
    pulse = np.divide(duty * 1200.0, f["rpm"], out=np.zeros_like(duty), where=f["rpm"] > 200)
    return pulse, np.where(f["rpm"] > 200, duty, 0.0)
