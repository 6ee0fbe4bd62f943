"""A night: drives stepped one after another, sampled into logs, with what truly happened."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from sim.engine import DT, Run, step_drive
from sim.faults import ALLOWED, STOPS, Effects, effects_for_pull
from sim.params import NightParams, SimLog, SimNight, Truth, TruthPull
from sim.road import lay_out
from sim.sensors import sample
from sim.slow import HeatState, all_signals

if TYPE_CHECKING:
    from sim.params import Array

LEAST_PULL_S = 1.5


def standard_pressure(altitude_m: float) -> float:
    """Air pressure, kPa, at a height in m: ISO 2533:1975, below 11 km."""
    return float(101.325 * (1 - 0.0065 * altitude_m / 288.15) ** 5.25588)


def simulate_night(params: NightParams, seed: int) -> SimNight:
    """Simulate a night: one log a drive, the car's temperatures carried over, the same seed the same night.

    Returns the logs in memory (canonical units) and the truth behind them.
    Raises ValueError for a fault code that nobody knows how to make.
    """
    rng = np.random.default_rng(seed)
    baro = standard_pressure(params.altitude_m) + params.weather_kpa

    @cache
    def effects_for(pull: int) -> Effects:
        return effects_for_pull(params, pull)

    state = _starting_heat(params, effects_for(0))
    logs, first = [], 0
    for number, drive in enumerate(params.drives):
        stages = lay_out(params.car, drive, rng, first_pull=first)
        run = step_drive(params.car, drive, stages, baro_kpa=baro, ambient_c=params.ambient_c,
                         effects_for=effects_for, first_pull=first, rng=rng)
        signals = all_signals(params.car, run, state, effects_for, first_pull=first, baro_kpa=baro,
                              ambient_c=params.ambient_c, open_loop=drive.duty_pct is not None, rng=rng)
        pulls, short = _true_pulls(run, signals, number, baro)
        windows = [(p.start_s, p.end_s) for p in pulls]
        frame = sample(signals, params, windows, first_pull=first, baro_kpa=baro, rng=rng)
        logs.append(SimLog(frame, pulls, short))
        first += len(drive.pulls)
    return SimNight(params, tuple(logs), _truth(params, logs))


def _starting_heat(params: NightParams, effects: Effects) -> HeatState:
    coolant = params.start_coolant_c
    if effects.thermostat_c != Effects.thermostat_c:
        coolant = max(effects.thermostat_c - 4.0, params.ambient_c) if effects.thermostat_c < 80 else effects.thermostat_c - 7.0
    warm = coolant > params.ambient_c + 25
    return HeatState(coolant, coolant if not warm else min(coolant, 86.0), params.ambient_c + 2.0 * warm,
                     params.ambient_c + 5.0 * warm, params.ambient_c + 9.0 * warm)


def _true_pulls(run: Run, signals: dict[str, Array], log: int, baro: float) -> tuple[tuple[TruthPull, ...], tuple[TruthPull, ...]]:
    """Stretches of a pull stage with the throttle at 90 % or more: those long enough, and the short ones."""
    stage = run.fields["stage"].astype(int)
    pulls: list[TruthPull] = []
    short: list[TruthPull] = []
    for number, plan in enumerate(run.stages):
        if plan.kind != "pull":
            continue
        rows = np.flatnonzero((stage == number) & (run.fields["throttle"] >= 90.0))
        limited = np.flatnonzero(run.fields["cut"][rows] == 1)
        rows = rows[:limited[0]] if len(limited) else rows  # the limiter ends the pull
        if len(rows) < 2:
            continue
        start, end = rows[0] * DT, rows[-1] * DT
        group = pulls if end - start >= LEAST_PULL_S else short
        group.append(TruthPull(log, len(group), float(start), float(end), plan.gear, _measures(signals, rows, baro)))
    return tuple(pulls), tuple(short)


def _measures(signals: dict[str, Array], rows: npt.NDArray[np.intp], baro: float) -> dict[str, float]:
    """What the pull truly showed, before any sensor. Settled: median of the last 40 % of the pull."""

    def of(name: str) -> Array:
        values: Array = signals[name][rows]
        return values

    boost = of("manifold_pressure") - baro
    late = boost[int(0.6 * len(boost)):]
    settled = float(np.median(late))
    loaded = boost > 35
    mixture = of("lambda")[loaded] if loaded.any() else np.array([np.nan])
    spare = of("fuel_pressure") - boost
    return {
        "rpm_start": float(of("engine_speed")[0]), "rpm_end": float(of("engine_speed")[-1]),
        "boost_peak_kpa": float(boost.max()), "boost_settled_kpa": settled,
        "boost_overshoot_pct": float(100 * (boost.max() / settled - 1)) if settled > 5 else 0.0,
        "swing_late_kpa": float(np.ptp(late)), "duty_mean_pct": float(of("wastegate_duty").mean()),
        "lambda_mean": float(mixture.mean()), "lambda_max": float(mixture.max()),
        "intake_start_c": float(of("intake_air_temp")[0]), "intake_peak_c": float(of("intake_air_temp").max()),
        "coolant_min_c": float(of("coolant_temp").min()), "coolant_peak_c": float(of("coolant_temp").max()),
        "injector_duty_max_pct": float(of("injector_duty").max()), "fuel_differential_min_kpa": float(spare.min()),
        "knock_retard_max_deg": float(of("knock_retard").max()), "battery_min_v": float(of("battery_voltage").min()),
        "oil_kpa_per_krpm_min": float((of("oil_pressure") / of("engine_speed")).min() * 1000),
    }


def _truth(params: NightParams, logs: list[SimLog]) -> Truth:
    codes = tuple(dict.fromkeys(f.code for f in params.faults))
    allowed = tuple(sorted({code for c in codes for code in ALLOWED[c]} - set(codes)))
    stops = any(f.code in STOPS and f.severity >= 0.7 for f in params.faults)
    verdict = "clear" if not codes else "stop" if stops else "hold"
    return Truth(codes, allowed, verdict, tuple(p for log in logs for p in log.pulls))
