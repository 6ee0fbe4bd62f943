"""Two years of one car's nights as rows of pulls and logs, from the physics of a turbocharged engine.

Not a simulation of logs: each pull's measures are computed from weather, height, gear, duty and the car's
parts, with the spread of real nights: heavy tails, a night's own mood, strange nights and missing channels.
Constants are invented, of the size common practice has; none is shared with the code under test.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import polars as pl

FAULTS = ("leak", "clogging filter", "ageing sensor", "weak pump")
HUNGRY = {"fuel_differential": "down", "injector_duty": "up", "lambda_at_load": "up"}
SHOWS_IN = {  # an alarm in any of these on that side is the fault found
    "leak": {"boost_at_duty": "down", "time_to_boost": "up", "charge_leak": "up"},
    "clogging filter": HUNGRY,
    "ageing sensor": {"map_noise": "up", "map_at_rest": "up", "boost_at_duty": "up"},
    "weak pump": HUNGRY,
}


# Time to boost goes as the energy that the shaft needs over what the turbine gives beyond the compressor's work; a leak
# comes off that difference, which is well under half of the whole. Its size is common practice, no published source.
LEAK_SLOWS = 2.5


@dataclass(frozen=True)
class History:
    """pulls, logs: rows as the archive gives them. dates: of the nights. onset: index of the fault's first night."""

    pulls: pl.DataFrame
    logs: pl.DataFrame
    dates: tuple[str, ...]
    fault: str | None
    onset: int | None
    size: float


@dataclass
class _Car:
    """The parts of one car, drawn once."""

    rng: np.random.Generator
    little_pump: bool = False
    parts: dict = field(default_factory=dict)

    def __post_init__(self) -> None:
        u = self.rng.uniform
        self.parts = {
            "spring": u(45, 80),
            "gain": u(0.7, 2.0),
            "gear_boost": u(0, 8),
            "cooler": u(0.6, 0.85),
            "efficiency": u(0.62, 0.74),
            "rise": u(0.5, 1.0),
            "coolant": u(88, 96),
            "lambda": u(0.77, 0.83),
            "regulator": u(290, 400),
            "filter": u(8, 20),
            "injector": u(58, 74),
            "volts": u(13.7, 14.3),
            "oil": u(330, 460),
            "swing": u(2, 4.5),
            "map_noise": u(0.15, 0.4),
            "lambda_noise": u(0.002, 0.005),
            "map_offset": u(-1.0, 1.0),
            "home_kpa": u(90, 101),
            "reserve": u(1.12, 1.3),
            "little": u(1.02, 1.08),
            "winter": u(-2, 8),
            "summer": u(18, 32),
            "duty": u(25, 45),
            "noisy": u(0.7, 1.3),
        }
        p = self.parts
        if (
            self.little_pump
        ):  # a pump with much in hand shows its weakness only when that is used up
            p["reserve"] = p["little"]
        boost = p["spring"] + p["gain"] * (p["duty"] - 20) + p["gear_boost"]
        p["pump"] = p["reserve"] * _need(
            (boost + p["home_kpa"]) / 318.0 / (p["lambda"] / 0.8) / 0.62
        )


def _need(flow: float) -> float:
    """What a pump must give for a flow of fuel, of full flow."""
    return flow * 0.95 + 0.45


def history(
    seed: int,
    *,
    fault: str | None = None,
    size: float = 1.0,
    onset: int | None = None,
    slows: float = LEAK_SLOWS,
    noisy: float = 1.0,
) -> History:
    """A car's two years.

    size: of the fault against its usual one; onset: drawn when not given. slows: how much a leak lengthens the time to
    boost, against its share of the boost; noisy: the nights' spread against its usual one.
    """
    rng = np.random.default_rng(seed)
    car = _Car(rng, little_pump=fault == "weak pump").parts | {"slows": slows}
    car["noisy"] *= noisy
    days = _days(rng)
    n = len(days)
    drawn = int(rng.integers(20, n - 8))
    onset = drawn if onset is None else onset
    strength = float(rng.uniform(0.8, 1.2))
    has_ambient = rng.random() < 0.75
    mood = _moods(rng, n)
    duty = _duty_plan(rng, n, car["duty"])
    pulls, logs = [], []
    for i, day in enumerate(days):
        hurt = _hurt(fault, i - onset, size * strength)
        ambient = _weather(rng, car, day)
        barometric = (
            car["home_kpa"]
            + rng.normal(0, 0.9)
            - (rng.uniform(4, 12) if rng.random() < 0.06 else 0.0)
        )
        air = {
            "ambient_c": ambient if has_ambient else None,
            "barometric_kpa": round(barometric, 1),
        }
        date = day.isoformat()
        logs.append({"date": date, "log_id": f"log{i}", **air, **_rest(rng, car, hurt, mood[i])})
        for j in range(int(rng.integers(2, 7))):
            pull = _pull(rng, car, hurt, mood[i], ambient, barometric, duty[i])
            pulls.append({"date": date, "log_id": f"log{i}", "index": j + 1, **air, **pull})
    frame = pl.DataFrame(pulls, infer_schema_length=None)
    return History(
        frame,
        pl.DataFrame(logs, infer_schema_length=None),
        tuple(d.isoformat() for d in days),
        fault,
        onset if fault else None,
        size,
    )


def _days(rng: np.random.Generator) -> list[dt.date]:
    """About one night a week, with breaks."""
    day, out = dt.date(2023, 1, 5), []
    while day < dt.date(2025, 1, 5):
        out.append(day)
        day += dt.timedelta(
            days=int(rng.integers(3, 10))
            + (int(rng.integers(15, 50)) if rng.random() < 0.04 else 0)
        )
    return out


def _weather(rng: np.random.Generator, car: dict, day: dt.date) -> float:
    season = 0.5 - 0.5 * np.cos(2 * np.pi * (day.timetuple().tm_yday - 20) / 365)
    return round(
        float(car["winter"] + (car["summer"] - car["winter"]) * season + rng.normal(0, 3.5)), 1
    )


def _duty_plan(rng: np.random.Generator, n: int, start: float) -> np.ndarray:
    """Duty of the nights: constant with steps, as when someone tunes."""
    steps = np.where(rng.random(n) < 0.06, rng.uniform(-6, 6, n), 0.0)
    return np.clip(start + np.cumsum(steps), 15, 70)


NOISES = {  # a night's own spread; a pull's is half of it
    "boost": 1.8,
    "rise": 0.04,
    "intake": 0.9,
    "coolant": 1.3,
    "lambda": 0.005,
    "fuel": 3.0,
    "injector": 0.9,
    "volts": 0.06,
    "oil": 8.0,
    "swing": 0.5,
}


def _moods(rng: np.random.Generator, n: int) -> list[dict[str, float]]:
    """A night's own offset a measure: t-distributed, one night a little like the last, now and then a strange one."""
    out, last = [], dict.fromkeys(NOISES, 0.0)
    for _ in range(n):
        draw = {k: float(rng.standard_t(6)) / 1.22 for k in NOISES}
        last = {k: 0.15 * last[k] + 0.99 * draw[k] for k in NOISES}
        now = dict(last)
        if rng.random() < 0.03:  # a strange night: hot restart, wet road, other fuel
            now[str(rng.choice(list(NOISES)))] += float(rng.choice([-1, 1]) * rng.uniform(3, 6))
        out.append({k: now[k] * NOISES[k] for k in NOISES})
    return out


@dataclass(frozen=True)
class _Hurt:
    """What is broken on a night: share of boost lost, filter resistance added, pump lost, sensor offset and noise."""

    leak: float = 0.0
    filter: float = 0.0
    pump: float = 0.0
    offset: float = 0.0
    noise: float = 1.0


def _hurt(fault: str | None, since: int, size: float) -> _Hurt:
    """The fault `since` nights after its first. At size 1 (drawn from 0.8 to 1.2):
    a leak takes 10 % of the boost from the first night; a filter adds 9 kPa of resistance at full flow each night up
    to 90; a sensor moves by 0.5 kPa a night and grows 25 % noisier each; a pump loses 15 % of its flow at once and 1 %
    a night more."""
    if fault is None or since < 0:
        return _Hurt()
    nights = since + 1
    if fault == "leak":
        return _Hurt(leak=0.10 * size)
    if fault == "clogging filter":
        return _Hurt(filter=min(90.0, 9.0 * size * nights))
    if fault == "ageing sensor":
        return _Hurt(offset=0.5 * size * min(nights, 20), noise=(1 + 0.25 * size) ** min(nights, 8))
    return _Hurt(pump=min(0.5, 0.15 * size + 0.01 * size * nights))


def _rest(rng: np.random.Generator, car: dict, hurt: _Hurt, mood: dict) -> dict:
    spread = float(np.exp(rng.normal(0, 0.15)))
    return {
        "noise_manifold_pressure": car["map_noise"] * spread * hurt.noise,
        "noise_lambda": car["lambda_noise"] * float(np.exp(rng.normal(0, 0.2))),
        "map_at_rest_kpa": car["map_offset"] + hurt.offset + float(rng.normal(0, 0.25))
        if rng.random() < 0.85
        else None,
    }


def _pull(
    rng: np.random.Generator,
    car: dict,
    hurt: _Hurt,
    mood: dict,
    ambient: float,
    barometric: float,
    duty: float,
) -> dict:
    def spread(name: str) -> float:
        return mood[name] * car["noisy"] + 0.5 * NOISES[name] * float(rng.normal())

    gear = int(rng.choice([3, 4], p=[0.6, 0.4]))
    duty = duty + float(rng.normal(0, 0.7))
    length = float(rng.uniform(3.0, 5.0)) * (1.0 if gear == 3 else 1.35)
    rpm_start, rpm_end = float(rng.normal(2700, 180)), float(rng.normal(6400, 150))
    true_boost = (
        car["spring"] + car["gain"] * (duty - 20) + (car["gear_boost"] if gear == 4 else 0.0)
    )
    true_boost *= (1 - hurt.leak) * (barometric / 100) ** 0.4 * (293.0 / (273.0 + ambient)) ** 0.25
    true_boost = max(20.0, true_boost + spread("boost"))
    rise = (
        car["rise"]
        * (1.3 if gear == 3 else 1.0)
        * (true_boost / 100) ** 0.5
        * (100 / barometric)
        * (1 + car["slows"] * hurt.leak)
    )
    rise += -0.00025 * (rpm_start - 2700) + spread("rise")
    ratio = (true_boost + barometric) / barometric
    hot = (ambient + 273.0) * (ratio**0.283 - 1) / car["efficiency"]  # heating by compression
    start = ambient + float(rng.uniform(6, 14))
    intake = (1 - car["cooler"]) * hot * (1 - np.exp(-length / 4.0)) * 0.75 + spread("intake")
    air = (true_boost + barometric) / (273.0 + start + intake) * rpm_end / 6400  # relative air flow
    flow = air / (car["lambda"] / 0.8) / 0.62  # about 1 at full load
    volts = car["volts"] - 0.012 * (ambient - 20) + spread("volts")
    able = car["pump"] * (1 - hurt.pump) * (1 + 0.05 * (volts - 13.8))
    short = max(0.0, _need(flow) - able)  # what the pump cannot give at pressure, of full flow
    differential = (
        car["regulator"] - (car["filter"] + hurt.filter) * flow**2 - 220 * short + spread("fuel")
    )
    duty_injector = car["injector"] * flow * (
        car["regulator"] / max(differential, 80.0)
    ) ** 0.5 + spread("injector")
    mixture = car["lambda"] * (
        1 + 0.12 * max(0.0, 1 - differential / car["regulator"] - 0.08)
    ) + spread("lambda")
    return {
        "gear": gear,
        "start_s": 10.0,
        "end_s": 10.0 + length,
        "rpm_start": rpm_start,
        "rpm_end": rpm_end,
        "duty_mean_pct": duty,
        "boost_settled_kpa": true_boost + hurt.offset,
        "boost_rise_s": max(0.1, rise),
        "intake_start_c": start,
        "intake_rise_c": intake,
        "coolant_peak_c": car["coolant"]
        + 0.12 * (ambient - 20)
        + 0.25 * length
        + spread("coolant"),
        "lambda_mean": mixture,
        "lambda_top": mixture,
        "fuel_differential_min_kpa": differential,
        "injector_duty_max_pct": duty_injector,
        "battery_min_v": volts,
        "oil_pressure_min_kpa": car["oil"] - 1.8 * (0.1 * (ambient - 20)) + spread("oil"),
        "oscillation_kpa_pp": max(0.3, car["swing"] + spread("swing")),
    }
