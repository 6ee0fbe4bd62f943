"""Nights drawn at random, widely, and nights with one fault made visible: for evaluation in bulk."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from sim.faults import ALLOWED
from sim.params import BASE_CHANNELS, EXTRA_CHANNELS, CarParams, DrivePlan, Fault, LoggerParams, NightParams, PullPlan
from sim.writer import Dialect

if TYPE_CHECKING:
    import numpy as np

CODES = tuple(ALLOWED)  # every finding code there is a fault for
NEEDED = ("engine_speed", "throttle_position", "manifold_pressure", "lambda", "intake_air_temp", "coolant_temp")
RATES = (5.0, 8.0, 10.0, 12.5, 15.0, 20.0, 25.0, 40.0, 50.0, 100.0)
SLOW = ("intake_air_temp", "coolant_temp", "oil_temp", "barometric_pressure", "ambient_air_temp", "fuel_temp", "battery_voltage")


def random_car(rng: np.random.Generator) -> CarParams:
    """A car nobody built, but somebody could have."""
    litres, target = rng.uniform(1.3, 2.5), rng.uniform(45.0, 150.0)
    first, spread, count = rng.uniform(3.0, 3.7), rng.uniform(1.32, 1.48), int(rng.integers(5, 7))
    ratios = [round(first / spread**i * (1 + 0.03 * i * i / count), 3) for i in range(count)]
    width, aspect, rim = int(rng.choice([185, 195, 205, 215, 225])), int(rng.choice([40, 45, 50, 55])), int(rng.choice([15, 16, 17]))
    round_m = 3.14159265 * (25.4 * rim + 2 * width * aspect / 100) / 1000
    return CarParams(
        name=f"car-{int(rng.integers(1000, 9999))}", displacement_l=round(litres, 2), mass_kg=max(rng.uniform(900, 1600), 310 * litres * (1 + target / 101)),  # no more power than tyres
        drag_area_m2=rng.uniform(0.55, 0.8), ratios=tuple(ratios), final_drive=round(rng.uniform(3.4, 4.5), 3),
        tyre=f"{width}/{aspect}R{rim}", circumference_m=round_m * rng.uniform(0.965, 1.0), idle_rpm=rng.uniform(720, 1000),
        redline_rpm=rng.uniform(6000, 7800), target_kpa=target, spring_kpa=target * rng.uniform(0.45, 0.7),
        limit_kpa=target * rng.uniform(1.28, 1.45), sensor_top_kpa=float(rng.choice([300.0, 350.0, 400.0])),
        solenoid_gain=rng.uniform(0.68, 0.8), spool_rpm=rng.uniform(2400, 3700), spool_tau_s=rng.uniform(0.3, 0.8),
        regulator_wn=rng.uniform(7, 13), regulator_zeta=rng.uniform(0.8, 1.05), cooler_effectiveness=rng.uniform(0.89, 0.94),
        cooler_kj_per_k=rng.uniform(13, 19), injector_peak_duty_pct=rng.uniform(55, 76), fuel_base_kpa=float(rng.choice([250.0, 300.0, 380.0])),
        oil_kpa_per_krpm=rng.uniform(95, 115), oil_relief_kpa=rng.uniform(480, 560), alternator_v=rng.uniform(13.75, 14.4), lambda_boost=rng.uniform(0.765, 0.80),
        stoichiometric_afr=float(rng.choice([14.7, 14.7, 14.6, 14.1])))


def random_pull(rng: np.random.Generator, car: CarParams, altitude_m: float) -> PullPlan:
    gear = int(rng.choice([2, 3, 3, 3, 3, 4, 4]))
    start = car.spool_rpm * rng.uniform(0.75, 0.95) * (1 + altitude_m / 15000)
    end = car.redline_rpm * rng.uniform(0.9, 0.97) if gear < 4 else car.redline_rpm * rng.uniform(0.78, 0.88)
    shifts = gear in (2, 3) and rng.random() < 0.2
    if gear < 4 and rng.random() < 0.06:
        end = car.redline_rpm + 300.0  # into the limiter
    return PullPlan(gear, start, max(end, start + 2200), gear + 1 if shifts else None, rng.choice([100.0, rng.uniform(93, 100)]))


def random_params(rng: np.random.Generator) -> NightParams:
    """A healthy night: car, weather, place, logger and drive all drawn widely. Add a fault with with_fault."""
    car, altitude = random_car(rng), float(rng.choice([0, rng.uniform(0, 600), rng.uniform(600, 2500)]))
    if altitude > 1200 and car.target_kpa > 110:
        car = replace(car, target_kpa=110.0, spring_kpa=62.0, limit_kpa=132.0)
    drives = []
    for _ in range(int(rng.choice([1, 1, 2, 3]))):
        pulls = tuple(random_pull(rng, car, altitude) for _ in range(int(rng.integers(2, 6))))
        drives.append(DrivePlan(pulls, rng.uniform(2, 8), rng.uniform(6, 30), rng.uniform(35, 100), int(rng.integers(0, 4)),
                                int(rng.integers(0, 5)), rng.uniform(0, 0.6)))
    return NightParams(car, random_logger(rng), tuple(drives), altitude, rng.uniform(-5, 27), rng.normal(0, 0.8), rng.uniform(78, 88))


def random_logger(rng: np.random.Generator) -> LoggerParams:
    rate = float(rng.choice(RATES))
    extras = [c for c in EXTRA_CHANNELS if rng.random() < 0.35]
    base = [c for c in BASE_CHANNELS if c in NEEDED or rng.random() < (0.92 if c == "vehicle_speed" else 0.75)]
    every = {c: max(round(rate / rng.choice([1, 2, 5])), 1) for c in SLOW if rng.random() < 0.5}
    return LoggerParams(rate, tuple(base + extras), MappingProxyType(every if rng.random() < 0.5 else {}),
                        str(rng.choice(["held", "blank"])), rng.uniform(0.5, 1.5), float(rng.choice([0, 0, 0.2])))


def random_dialect(rng: np.random.Generator, night: NightParams) -> Dialect:
    """A spelling in which the units are stated, or can be told."""
    delimiter = str(rng.choice([",", ",", ";", "\t", "|"]))
    encoding = str(rng.choice(["utf-8", "utf-8", "utf-8", "latin-1", "utf-16"]))

    def chance(share: float) -> bool:
        return bool(rng.random() < share)

    return Dialect(
        delimiter, decimal_comma=delimiter in ";\t" and chance(0.5), encoding=encoding, bom=chance(0.3),
        newline="\r\n" if chance(0.4) else "\n", preamble=("Evening drive", "Logger 2, slot B") if chance(0.3) else (),
        manner=str(rng.choice(["long", "short", "lower", "plain"])), unit_style=str(rng.choice(["paren", "bracket", "underscore", "none"])),
        units_row=chance(0.2), quotes=chance(0.2), clock=str(rng.choice(["s", "s", "ms", "hms", "iso"])),
        pressure=str(rng.choice(["kPa", "psi", "bar"])), gauge=chance(0.5), fahrenheit=chance(0.4), afr=chance(0.5), miles=chance(0.4),
        fraction=chance(0.15), stoichiometric_afr=night.car.stoichiometric_afr, cut_last=chance(0.2), repeat_header=chance(0.1),
        stray_line="# marker" if chance(0.1) else None)


SEEN_IN = {
    "control": ("wastegate_duty",), "fuel.pressure_drop": ("fuel_pressure",), "fuel.injector_limit": ("injector_pulse_width",),
    "knock.retard": ("knock_retard",), "knock.count": ("knock_count",), "electrical": ("battery_voltage",), "oil": ("oil_pressure", "oil_temp"),
    "traction": ("vehicle_speed",), "sensor.disagree": ("barometric_pressure",), "boost.under_target": ("boost_target",),
    "boost.creep": ("wastegate_duty",), "control.saturated": ("boost_target",),
}


# Rows a second under which a fault is too quick for the log to show it (sampling theorem, with room to spare).
LEAST_RATE_HZ = {"boost.overshoot": 5.0, "boost.oscillation": 10.0, "mixture.lean_spike": 12.5, "sensor.spike": 8.0, "sensor.dropout": 10.0,
                 "sensor.gap": 5.0, "traction.wheelspin": 5.0, "boost.late": 5.0, "sensor.slow": 10.0, "fuel.pressure_drop": 2.0}


def with_fault(night: NightParams, code: str, severity: float, *, channel: str | None = None,
               frequency_hz: float | None = None) -> NightParams:
    """The night with one fault, driven and logged so that the fault can be seen at all.

    severity: 0 (about at its watch limit) to 1 (clear-cut); channel: for sensor faults, in place of the usual one;
    frequency_hz: of an oscillation, in place of the regulator's own. The logger is made quicker where it has to be.
    Raises ValueError for an unknown code.
    """
    if code not in ALLOWED:
        raise ValueError(f"no fault is known for {code!r}; known: {', '.join(CODES)}")
    wanted = [c for key, cs in SEEN_IN.items() if code.startswith(key) for c in cs] + ([channel] if channel else [])
    rate = max(night.logger.rate_hz, LEAST_RATE_HZ.get(code, 0.0), 5.0 * (frequency_hz or 0.0))
    logger = replace(night.logger, rate_hz=rate, channels=tuple(dict.fromkeys([*night.logger.channels, *wanted])))
    total = sum(len(d.pulls) for d in night.drives)
    fault = Fault(code, severity, channel, frequency_hz, from_pull=total // 2 if code == "boost.late" else 0)
    drives, car = night.drives, night.car
    third = PullPlan(3, 0.85 * car.spool_rpm, 0.95 * car.redline_rpm)
    if code in ("control.no_response", "control.reversed"):
        calm = replace(drives[0], pulls=(third, third), cooldown_s=45.0)
        drives = tuple(replace(calm, duty_pct=d) for d in (45.0, 55.0, 63.0, 70.0))
    elif code == "heat.soak":
        drives = (replace(drives[0], pulls=(third,) * 5, cooldown_s=26.0, stop_chance=0.0),)
    elif code == "heat.cold":
        drives = tuple(replace(d, idle_s=8.0, cooldown_s=30.0, stop_chance=0.0) for d in drives[:1])
    elif code == "traction.wheelspin":
        drives = tuple(replace(d, pulls=tuple(replace(p, gear=max(p.gear, 3), then_gear=None) for p in d.pulls)) for d in drives)
    if code == "heat.intake":
        night = replace(night, ambient_c=max(night.ambient_c, 18.0))
    return replace(night, logger=logger, drives=drives, faults=(*night.faults, fault))
