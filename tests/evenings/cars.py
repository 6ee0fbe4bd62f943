"""Unlike cars by seed: what their solenoid does with duty, what they log and what is known of them.

A car is sound (boost rises with duty by one of several shapes) or its valve is dead, stuck and free
again at high duty, or plumbed backwards. Springs, gains and spreads are common practice, no
published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from math import cos, exp, pi
from pathlib import Path
from zlib import crc32

import numpy as np

from .drive import Air, Array, Asked, Rig, TruePull, Wear, drive, standard_pressure

SOUND = ("linear", "dead_band", "early", "late", "s_shape", "much_at_low_duty")
# Of twenty cars sixteen are sound, one dead, one stuck, two backwards.
KINDS = (
    *("linear",) * 2,
    *("dead_band",) * 3,
    *("early",) * 3,
    *("late",) * 3,
    *("s_shape",) * 3,
    *("much_at_low_duty",) * 2,
    "dead",
    "stuck",
    *("backwards",) * 2,
)
STUCK_UNTIL_PCT = 90.0
STEEPEST_KPA_PER_PCT = 2.6
LEAST_GAIN_KPA = 25.0  # a target nearer to the base run is no evening of steps
GRID = np.arange(0.0, 100.5, 0.5)


@dataclass(frozen=True)
class Car:
    """One car: the truth of it, and what its owner knows and logs.

    ``curve_kpa``: true settled boost [kPa gauge] at the duties of ``GRID`` on a standard night;
    ``spread_kpa``: standard deviation from night to night; ``warm_kpa_per_k``: change with the
    temperature of the air; ``duty_told``: 'logged', 'by_file' (said for each file of the call) or
    'by_call' (said once); ``target_told``: 'file' (car file alone), 'constant' or 'following'
    engine speed (both logged).
    """

    name: str
    kind: str
    seed: int
    rig: Rig
    curve_kpa: tuple[float, ...]
    spread_kpa: float
    warm_kpa_per_k: float
    target_kpa: float
    limit_kpa: float
    spring_kpa: float | None
    duty_min_pct: float
    duty_max_pct: float
    duty_told: str
    target_told: str
    pulls: int

    @property
    def sound(self) -> bool:
        """Whether boost follows duty as it should."""
        return self.kind in SOUND

    def boost_kpa(self, duty_pct: float) -> float:
        """True settled boost [kPa gauge] at a duty [%] on a standard night."""
        return float(np.interp(duty_pct, GRID, self.curve_kpa))

    def toml(self) -> str:
        """The car file."""
        spring = [] if self.spring_kpa is None else [f"spring_kpa = {self.spring_kpa:.1f}"]
        return "\n".join(
            [
                f'name = "{self.name}"',
                f'units = "{"us" if self.rig.us else "metric"}"',
                f'fuel = "{self.rig.fuel}"',
                f"altitude_m = {self.rig.altitude_m:.0f}",
                "",
                "[boost]",
                f"limit_kpa = {self.limit_kpa:.1f}",
                f"target_kpa = {self.target_kpa:.1f}",
                *spring,
                "",
                "[solenoid]",
                f"duty_min_pct = {self.duty_min_pct:.0f}",
                f"duty_max_pct = {self.duty_max_pct:.0f}",
                "",
                "[engine]",
                f"limit_rpm = {self.rig.limit_rpm:.0f}",
                "",
            ]
        )


@dataclass(frozen=True)
class Night:
    """What a night was: extra arguments for the call, and the truth of its pulls."""

    args: list[str]
    pulls: list[TruePull]

    @property
    def settled_kpa(self) -> float:
        """Mean of the pulls' true settled boost [kPa gauge]."""
        return float(np.mean([p.settled_kpa for p in self.pulls]))

    @property
    def peak_kpa(self) -> float:
        """Highest true boost of the night [kPa gauge]."""
        return max(p.peak_kpa for p in self.pulls)


def _shape(kind: str, low: float, rng: np.random.Generator) -> Array:
    """Gain over the spring at the duties of GRID, without a scale."""
    d = GRID
    if kind == "dead_band":
        start = low + float(rng.uniform(5.0, 13.0))
        return np.asarray(np.logaddexp(0.0, (d - start) / 1.5) - np.logaddexp(0.0, -start / 1.5))
    if kind == "early":
        return 1.0 - np.exp(-d / float(rng.uniform(18.0, 35.0)))
    if kind == "late":
        return np.asarray(d ** float(rng.uniform(1.5, 2.2)))
    if kind == "s_shape":
        middle, width = float(rng.uniform(26.0, 40.0)), float(rng.uniform(6.0, 10.0))
        return 1.0 / (1.0 + np.exp((middle - d) / width)) - 1.0 / (1.0 + exp(middle / width))
    if kind == "much_at_low_duty":
        knee = float(rng.uniform(1.5, 3.0))
        return (1.0 - np.exp(-d / knee)) * float(rng.uniform(0.3, 0.55)) + d / 60.0
    return d / 100.0


def _sound_curve(
    kind: str, spring: float, low: float, rng: np.random.Generator
) -> tuple[Array, float]:
    """Curve [kPa] of a sound car and the duty [%] at which it makes its target."""
    shape = _shape(kind, low, rng)
    # the jump of a valve that gives much at low duty is its kind, no slope to be tamed
    after = (low + 5.0 if kind == "much_at_low_duty" else 0.0) <= GRID
    steepest = float(np.max(np.diff(shape[after]))) / 0.5
    base = float(np.interp(low, GRID, shape))
    highest = 50.0 if kind in ("early", "much_at_low_duty") else 65.0
    while True:
        aim = float(rng.uniform(low + 22.0, highest))
        reach = float(np.interp(aim, GRID, shape))
        scale = min(float(rng.uniform(35.0, 100.0)) / reach, STEEPEST_KPA_PER_PCT / steepest)
        if (reach - base) * scale >= LEAST_GAIN_KPA:
            return spring + shape * scale, aim


def make_car(index: int, kind: str, seed: int) -> Car:
    """The car of a kind by its number and the fleet's seed."""
    rng = np.random.default_rng([seed, index, crc32(kind.encode())])
    spring = float(rng.uniform(35.0, 80.0))
    low = float(rng.choice([0.0, 0.0, 0.0, 5.0, 10.0]))
    far = bool(rng.uniform() < 0.5)
    if kind in SOUND:
        curve, aim = _sound_curve(kind, spring, low, rng)
        target = float(np.interp(aim, GRID, curve))
    elif kind == "backwards":
        over = float(rng.uniform(20.0, 40.0))
        curve = spring + over * np.exp(
            -np.maximum(0.0, GRID - low) / float(rng.uniform(12.0, 25.0))
        )
        target = spring + over + float(rng.uniform(15.0, 60.0))
    else:
        target = spring + float(rng.uniform(35.0, 90.0))
        curve = np.full(len(GRID), spring)
        if kind == "stuck":
            curve = curve + np.where(GRID >= STUCK_UNTIL_PCT, 60.0 + target - spring, 0.0)
    limit = target + (float(rng.uniform(30.0, 60.0)) if far else 15.0)
    spread = float(np.exp(rng.uniform(np.log(0.5), np.log(2.4))))
    barometer = bool(rng.uniform() < 0.5)
    duty_told = str(rng.choice(["logged", "logged", "by_file", "by_call"]))
    target_told = str(rng.choice(["file", "file", "constant", "following"]))
    rate = float(rng.choice([10.0, 15.0, 20.0, 25.0, 40.0, 50.0]))
    spare = ("battery_voltage", "injector_duty", "oil_pressure", "knock_retard", "ambient_air_temp")
    most = 3 if rate < 40.0 else 1
    rig = Rig(
        gear=int(rng.choice([3, 3, 4])),
        rpm_from=float(rng.uniform(2300.0, 2700.0)),
        rpm_to=float(rng.uniform(6100.0, 6600.0)),
        limit_rpm=float(rng.choice([7000.0, 7200.0, 7500.0])),
        climb_rpm_s=float(rng.uniform(800.0, 1000.0)),
        spool_rpm=float(rng.uniform(2700.0, 3400.0)),
        spool_width_rpm=float(rng.uniform(280.0, 420.0)),
        reserve_kpa=1.6 * (target + 20.0),
        lag_s=float(rng.uniform(0.35, 0.6)),
        bump_kpa=float(rng.uniform(0.0, 0.018)) * target,
        taper=float(rng.uniform(0.0, 0.035)),
        pull_spread_kpa=float(rng.uniform(0.3, 0.9)),
        fuel=str(rng.choice(["petrol", "petrol", "e10", "e85"])),
        altitude_m=float(np.round(rng.choice([20.0, 150.0, 600.0, 1500.0]))),
        rate_hz=rate,
        us=bool(rng.uniform() < 0.4),
        short_names=bool(rng.uniform() < 0.5),
        barometer=barometer,
        file_per_pull=barometer and bool(duty_told == "by_file" or rng.uniform() < 0.3),
        under_load_only=bool(rng.uniform() < 0.5),
        extras=tuple(str(x) for x in rng.choice(spare, int(rng.integers(0, most + 1)), False)),
    )
    # an owner reads the spring's figure from its box: a few kPa from the truth
    told = spring + float(rng.uniform(-3.0, 3.0)) if rng.uniform() < 0.5 else None
    return Car(
        name=f"evening car {seed}-{index:03d}",
        kind=kind,
        seed=seed * 1000 + index,
        rig=rig,
        curve_kpa=tuple(curve.tolist()),
        spread_kpa=spread,
        warm_kpa_per_k=float(rng.uniform(-0.0015, 0.0)) * target,
        target_kpa=round(target, 1),
        limit_kpa=round(limit, 1),
        spring_kpa=told,
        duty_min_pct=low,
        duty_max_pct=float(rng.choice([80.0, 90.0, 95.0])) if kind != "stuck" else 95.0,
        duty_told=duty_told,
        target_told=target_told,
        pulls=2 if rate >= 40.0 else int(rng.integers(2, 4)),
    )


def fleet(count: int, seed: int) -> list[Car]:
    """``count`` cars by a seed; each twenty hold every kind in the shares of ``KINDS``."""
    rng = np.random.default_rng([seed, 20])
    kinds: list[str] = []
    while len(kinds) < count:
        kinds += [KINDS[i] for i in rng.permutation(len(KINDS)).tolist()]
    return [make_car(i, kind, seed) for i, kind in enumerate(kinds[:count])]


def weather(altitude_m: float, day: date, rng: np.random.Generator) -> Air:
    """Air of an evening: the season's temperature, and what the day adds to it."""
    season = -cos(2.0 * pi * (day.timetuple().tm_yday - 20) / 365.0)
    pressure = standard_pressure(altitude_m) + float(np.clip(rng.normal(0.0, 0.6), -1.5, 1.5))
    return Air(pressure, 14.0 + 8.0 * season + float(rng.uniform(-4.0, 4.0)))


def run_night(car: Car, duty_pct: float, day: str, seed: int, folder: Path) -> Night:
    """Drive a night at a duty [%]; write logs and ``car.toml``; return the call and the truth."""
    rng = np.random.default_rng([car.seed, seed])
    air = weather(car.rig.altitude_m, date.fromisoformat(day), rng)
    level = car.boost_kpa(duty_pct) + car.spread_kpa * float(rng.normal())
    level += car.warm_kpa_per_k * (air.temp_c - 15.0)
    levels = level + car.rig.pull_spread_kpa * rng.normal(0.0, 1.0, car.pulls)
    asked = Asked(
        levels_kpa=tuple(levels.tolist()),
        duty_pct=duty_pct if car.duty_told == "logged" else None,
        target_kpa=None if car.target_told == "file" else car.target_kpa,
        follows=car.target_told == "following",
    )
    truth, files = drive(car.rig, air, Wear(), asked, rng, folder)
    (folder / "car.toml").write_text(car.toml(), encoding="utf-8")
    args: list[str] = []
    if car.duty_told == "by_call":
        args = ["--duty", f"{duty_pct:g}"]
    elif car.duty_told == "by_file":
        for file in files:
            args += ["--duty", f"{folder / file}={duty_pct:g}"]
    return Night(args, truth)


def night(car: Car, duty: float, day: str, seed: int, folder: Path) -> list[str]:
    """Write the logs and car file of a night at ``duty`` [%] on ``day``; return extra arguments."""
    return run_night(car, duty, day, seed, folder).args
