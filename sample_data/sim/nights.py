"""The committed scenario: two invented cars, their nights, each in a spelling of its own."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING

from sim.night import simulate_night
from sim.params import BASE_CHANNELS, CarParams, DrivePlan, Fault, LoggerParams, NightParams, PullPlan
from sim.writer import Dialect, car_toml, write_log

if TYPE_CHECKING:
    from pathlib import Path

    from sim.params import SimNight

ALDER = CarParams()
QUINCE = CarParams(
    name="quince", displacement_l=2.0, mass_kg=1390.0, drag_area_m2=0.70, ratios=(3.45, 2.05, 1.43, 1.09, 0.87, 0.72),
    final_drive=3.9, tyre="225/45R17", circumference_m=1.945, idle_rpm=780.0, redline_rpm=6600.0, target_kpa=80.0, spring_kpa=42.0,
    limit_kpa=112.0, spool_rpm=2900.0, spool_tau_s=0.5, regulator_wn=8.0, cooler_kj_per_k=15.0, injector_peak_duty_pct=64.0,
    oil_kpa_per_krpm=105.0, alternator_v=14.2)
# A large turbo that comes late, its duty set by a table and no target known to the engine computer.
ROWAN = CarParams(
    name="rowan", displacement_l=2.3, mass_kg=1480.0, drag_area_m2=0.68, ratios=(3.2, 1.9, 1.32, 1.0, 0.79), final_drive=3.73,
    tyre="245/40R17", circumference_m=1.93, idle_rpm=900.0, redline_rpm=7300.0, target_kpa=118.0, spring_kpa=66.0, limit_kpa=152.0,
    sensor_top_kpa=350.0, spool_rpm=3900.0, spool_tau_s=0.8, cooler_kj_per_k=18.0, injector_peak_duty_pct=68.0, lambda_boost=0.775)
# A small turbo in the mountains, its solenoid driven by a box on the dashboard that no logger sees.
MEDLAR = CarParams(
    name="medlar", displacement_l=1.4, mass_kg=1060.0, drag_area_m2=0.64, ratios=(3.55, 2.1, 1.45, 1.1, 0.86), final_drive=4.25,
    tyre="185/55R15", circumference_m=1.79, idle_rpm=880.0, redline_rpm=6700.0, target_kpa=58.0, spring_kpa=34.0, limit_kpa=80.0,
    spool_rpm=2700.0, spool_tau_s=0.4, injector_peak_duty_pct=58.0, lambda_boost=0.815)
CARS = ((ALDER, "us", 120.0), (QUINCE, "metric", 120.0), (ROWAN, "metric", 40.0), (MEDLAR, "us", 1650.0))

SECOND, THIRD, FOURTH = PullPlan(2, 2900, 6500), PullPlan(3, 2700, 6500), PullPlan(4, 2700, 5400)
ALDER_LOG = tuple(c for c in BASE_CHANNELS if c not in ("knock_retard", "ignition_timing"))
QUINCE_LOG = (*BASE_CHANNELS, "pedal_position", "ambient_air_temp", "gear")
ROWAN_LOG = tuple(c for c in BASE_CHANNELS if c not in ("boost_target", "ignition_timing"))
MEDLAR_LOG = tuple(c for c in BASE_CHANNELS if c not in ("boost_target", "wastegate_duty", "oil_pressure", "fuel_pressure"))
LOGGED = {"alder": ALDER_LOG, "quince": QUINCE_LOG, "rowan": ROWAN_LOG, "medlar": MEDLAR_LOG}
HALF_RATE = MappingProxyType({"intake_air_temp": 10, "coolant_temp": 10, "barometric_pressure": 20, "battery_voltage": 4, "oil_pressure": 2})

US = Dialect(pressure="psi", gauge=True, fahrenheit=True, afr=True, miles=True, manner="long", clock="s",
             preamble=("Evening runs, closed course", "All times from switch-on"))
EURO = Dialect(delimiter=";", decimal_comma=True, encoding="latin-1", newline="\r\n", manner="plain", unit_style="bracket", clock="iso")


@dataclass(frozen=True)
class Scene:
    """One night of the scenario: a folder under sample_data, one log a drive."""

    folder: str
    tells: str
    night: NightParams
    dialect: Dialect
    suffix: str = ".csv"


def _night(car: CarParams, drives: tuple[DrivePlan, ...], *faults: Fault, rate: float = 20.0, ambient: float = 17.0,
           altitude: float = 120.0, channels: tuple[str, ...] | None = None, fill: str = "held", weather: float = 0.3) -> NightParams:
    channels = channels or LOGGED[car.name]
    logger = LoggerParams(rate, channels, HALF_RATE, fill)
    return NightParams(car, logger, drives, altitude, ambient, weather, 87.0, faults)


def _steps(duties: tuple[float, ...]) -> tuple[DrivePlan, ...]:
    return tuple(DrivePlan((THIRD, THIRD), idle_s=8, cooldown_s=42, blips=1, tip_ins=1, stop_chance=0, duty_pct=d) for d in duties)


def scenes() -> tuple[Scene, ...]:
    """Every night of the scenario, in order of date for each car."""
    evening = DrivePlan((THIRD, SECOND, THIRD, replace(SECOND, then_gear=3)), cooldown_s=50, stop_chance=0.3)
    short = DrivePlan((THIRD, THIRD, FOURTH), cooldown_s=45, tip_ins=3)
    hurried = DrivePlan((THIRD,) * 6, cooldown_s=28, stop_chance=0, blips=0, tip_ins=1)
    touring = DrivePlan((THIRD, FOURTH, THIRD), cooldown_s=48, stop_chance=0.5)
    long = DrivePlan((PullPlan(3, 3000, 6900), PullPlan(4, 3000, 6400), PullPlan(3, 3000, 6900)), cooldown_s=70, stop_chance=0.2, duty_pct=61.0)
    fixed = tuple(c for c in ALDER_LOG if c != "boost_target")
    by_hand = DrivePlan((THIRD, THIRD), idle_s=9, cooldown_s=45, blips=1, tip_ins=1, stop_chance=0, duty_pct=47.0)
    return (
        Scene("alder/2025-05-03_healthy", "A car in good health: four pulls, one through a shift.", _night(ALDER, (evening,)), US),
        Scene("alder/2025-05-10_duty_steps", "Open loop, fixed duty stepped up from log to log; healthy throughout.",
              _night(ALDER, _steps((42.0, 48.0, 54.0, 59.0)), channels=fixed, rate=12.5, ambient=15.0),
              replace(US, preamble=(), manner="short", unit_style="underscore", clock="ms", gauge=False, pressure="kPa")),
        Scene("alder/2025-05-17_lean_top", "The mixture runs lean under boost: weak fuel delivery at the injectors.",
              _night(ALDER, (short,), Fault("mixture.lean", 0.8), ambient=19.0),
              replace(US, delimiter="\t", units_row=True, preamble=(), manner="plain", clock="hms", newline="\r\n")),
        Scene("alder/2025-05-24_overshoot", "The boost controller winds up while the turbo spools.",
              _night(ALDER, (short,), Fault("boost.overshoot", 0.9)), replace(US, quotes=True, manner="short", unit_style="none", bom=True)),
        Scene("alder/2025-06-14_heat_soak", "Pull after pull on a warm evening with a blocked charge cooler.",
              _night(ALDER, (hurried,), Fault("heat.soak", 1.0), ambient=26.0, rate=10.0), replace(US, manner="lower", cut_last=True, preamble=())),
        Scene("quince/2025-05-04_healthy", "A car in good health, logged in another country's habits.",
              _night(QUINCE, (touring,), rate=12.5, ambient=12.0), EURO),
        Scene("quince/2025-05-11_mountain", "The same car in good health at 1500 m.",
              _night(QUINCE, (touring,), rate=10.0, ambient=6.0, altitude=1500.0, fill="blank"),
              replace(EURO, delimiter="|", decimal_comma=False, encoding="utf-16", manner="long", clock="s", gauge=True, pressure="bar")),
        Scene("quince/2025-05-25_oscillation", "A sticking actuator: boost hunts about its target.",
              _night(QUINCE, (touring,), Fault("boost.oscillation", 1.0)), replace(EURO, unit_style="paren", clock="hms", manner="short")),
        Scene("quince/2025-06-08_lambda_sensor", "The lambda sensor drops out to free air around each pull.",
              _night(QUINCE, (touring,), Fault("sensor.rail", 0.9, "lambda"), rate=20.0),
              replace(EURO, manner="lower", delimiter=";", clock="ms", decimal_comma=False, encoding="utf-8"), ".csv.gz"),
        Scene("rowan/2025-05-16_healthy", "A large turbo that comes late, in good health; duty from a table, no boost target logged.",
              _night(ROWAN, (long,), rate=20.0, ambient=11.0, altitude=40.0), replace(EURO, delimiter=",", decimal_comma=False, encoding="utf-8", clock="s", manner="short")),
        Scene("rowan/2025-06-20_hose_off", "The charge hose blows off in the second pull.",
              _night(ROWAN, (long,), Fault("boost.lost", 1.0, from_pull=1), rate=20.0, ambient=13.0, altitude=40.0),
              replace(EURO, delimiter=",", decimal_comma=False, encoding="utf-8", clock="s", manner="short")),
        Scene("medlar/2025-05-22_by_hand", "In good health at 1650 m; the duty is set by hand and not logged (it was 47 %).",
              _night(MEDLAR, (by_hand,), rate=10.0, ambient=8.0, altitude=1650.0), replace(US, preamble=(), manner="plain", clock="hms")),
    )


def _evening(scene: Scene) -> datetime:
    """Twenty to eight on the night its folder names."""
    return datetime.fromisoformat(scene.folder.split("/")[1][:10] + "T19:40:00")


def _rounded(measures: dict[str, float]) -> dict[str, float]:
    return {name: round(value, 3) for name, value in measures.items()}


def _truth_entry(scene: Scene, night: SimNight, names: list[str]) -> dict[str, object]:
    pulls = [{"log": names[p.log], "start_s": round(p.start_s, 2), "end_s": round(p.end_s, 2), "gear": p.gear,
              "boost_peak_kpa": round(p.measures["boost_peak_kpa"], 1), "measures": _rounded(p.measures)} for p in night.truth.pulls]
    return {"tells": scene.tells, "verdict": VERDICTS.get(scene.folder.split("_", 1)[1], night.truth.verdict),
            "codes": list(night.truth.codes), "allowed": list(night.truth.allowed), "pulls": pulls}


# The verdict by the default limits, where severity alone does not say it.
VERDICTS = {"heat_soak": "hold", "oscillation": "stop", "lambda_sensor": "hold", "lean_top": "stop", "overshoot": "hold"}


def write_scenario(out: Path, seed: int) -> dict[str, object]:
    """Write all nights, car files and truth.json under `out`; the same seed writes the same bytes. Returns the truth."""
    truth: dict[str, object] = {}
    for number, scene in enumerate(scenes()):
        night = simulate_night(scene.night, seed * 1000 + number)
        names = [f"run_{i + 1}{scene.suffix}" for i in range(len(night.logs))]
        for name, log in zip(names, night.logs, strict=True):
            dialect = replace(scene.dialect, compress=scene.suffix.endswith(".gz"), start=_evening(scene))
            write_log(log.frame, out / scene.folder / name, dialect)
        truth[scene.folder] = _truth_entry(scene, night, names)
    for car, units, altitude_m in CARS:
        text = car_toml(NightParams(car=car, altitude_m=altitude_m), units=units)
        (out / car.name / "car.toml").write_text(text, encoding="utf-8")
    lines = json.dumps(truth, indent=1, ensure_ascii=False)
    (out / "truth.json").write_text(lines + "\n", encoding="utf-8")
    return truth
