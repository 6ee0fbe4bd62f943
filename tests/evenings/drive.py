"""One night on the road: wide-open pulls in one gear, what the sensors read, and the log of it.

The figures of a healthy engine (mixture by boost, temperatures, lags, noise) are common practice,
no published source; the air pressure by altitude is the standard atmosphere of ISO 2533.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import exp
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

STEP_S = 0.01
KPA_PER_PSI = 6.894757
KMH_PER_MPH = 1.609344
STOICHIOMETRIC = {"petrol": 14.7, "e10": 14.1, "e85": 9.8}
LAMBDA_AIM_KPA = (0.0, 35.0, 70.0, 140.0)
LAMBDA_AIM = {
    "petrol": (0.90, 0.84, 0.80, 0.77),
    "e10": (0.90, 0.84, 0.80, 0.77),
    "e85": (0.90, 0.83, 0.78, 0.755),
}
RATIOS = (3.5, 2.05, 1.4, 1.04)
RPM_PER_KMH_AND_RATIO = 35.1  # final drive 4.1, wheel radius 0.31 m
IDLE_RPM = 870.0


@dataclass(frozen=True)
class Rig:
    """Engine, turbo and logger of a car, apart from what its solenoid does.

    Speeds [rpm], pressures [kPa gauge], times [s]; ``climb_rpm_s`` is how fast the engine climbs at
    100 kPa of boost; ``taper`` the share of boost lost with each 1000 rpm above 4500;
    ``file_per_pull`` needs a barometer, as nothing else in such a file tells the air pressure.
    """

    gear: int
    rpm_from: float
    rpm_to: float
    limit_rpm: float
    climb_rpm_s: float
    spool_rpm: float
    spool_width_rpm: float
    reserve_kpa: float
    lag_s: float
    bump_kpa: float
    taper: float
    pull_spread_kpa: float
    fuel: str
    altitude_m: float
    rate_hz: float
    us: bool
    short_names: bool
    barometer: bool
    file_per_pull: bool
    under_load_only: bool
    extras: tuple[str, ...]


@dataclass(frozen=True)
class Air:
    """Air pressure [kPa] and temperature [deg C] of the night."""

    pressure_kpa: float
    temp_c: float


@dataclass(frozen=True)
class Wear:
    """What is wrong with the car; nought is healthy.

    leak_kpa: boost lost through a leak, half of it in the middle and all of it at the top;
    filter_kpa: boost lost at the top through a clogged air filter, growing with the square of air
    flow, with hotter charge; pump_lambda: lean at the top of the speed range alone; sensor_k: what
    the charge temperature sensor reads too much; spring_kpa: boost lost at every speed alike.
    """

    leak_kpa: float = 0.0
    filter_kpa: float = 0.0
    pump_lambda: float = 0.0
    sensor_k: float = 0.0
    spring_kpa: float = 0.0


@dataclass(frozen=True)
class Asked:
    """What the car file, the log and the driver say of boost.

    ``levels_kpa``: true boost that each pull is held at; ``duty_pct`` and ``target_kpa``: what the
    log shows of them, None where it shows nothing; ``follows``: the target follows engine speed.
    """

    levels_kpa: tuple[float, ...]
    duty_pct: float | None = None
    target_kpa: float | None = None
    follows: bool = False


@dataclass(frozen=True)
class TruePull:
    """Boost of a pull without noise [kPa gauge]: its settled level (a median) and its peak."""

    settled_kpa: float
    peak_kpa: float


@dataclass
class _Trace:
    """Columns on the physical grid, growing phase by phase."""

    rpm: list[float] = field(default_factory=list)
    throttle: list[float] = field(default_factory=list)
    boost: list[float] = field(default_factory=list)
    manifold: list[float] = field(default_factory=list)
    speed: list[float] = field(default_factory=list)
    pulls: list[tuple[int, int, int]] = field(default_factory=list)
    cuts: list[tuple[int, int]] = field(default_factory=list)

    def add(self, rpm: Array, throttle: float, manifold: float, speed: Array) -> None:
        """A phase off boost: throttle [%] and manifold pressure [kPa absolute] stand still."""
        n = len(rpm)
        self.rpm += rpm.tolist()
        self.throttle += [throttle] * n
        self.boost += [0.0] * n
        self.manifold += [manifold] * n
        self.speed += speed.tolist()


def standard_pressure(altitude_m: float) -> float:
    """Pressure [kPa] of the standard atmosphere (ISO 2533) at an altitude [m]."""
    return float(101.325 * (1.0 - 2.25577e-5 * altitude_m) ** 5.25588)


def lag(value: Array, tau_s: float) -> Array:
    """First-order lag of a column on the physical grid; starts settled."""
    share = 1.0 - exp(-STEP_S / tau_s)
    out, now = [], float(value[0])
    for x in value.tolist():
        now += share * (x - now)
        out.append(now)
    return np.array(out)


def _line(start: float, end: float, seconds: float) -> Array:
    return np.linspace(start, end, max(2, round(seconds / STEP_S)))


def _pull(
    trace: _Trace, rig: Rig, air: Air, wear: Wear, level_kpa: float, rng: np.random.Generator
) -> None:
    """Wide open from ``rpm_from``: gate shut until the level is reached, then held there."""
    first = len(trace.rpm)
    rpm, boost, t, touched, settled = rig.rpm_from, 0.0, 0.0, -1.0, -1
    top = rig.rpm_to + float(rng.uniform(-60.0, 60.0))
    climb = rig.climb_rpm_s * float(rng.uniform(0.98, 1.02))
    spool = rig.spool_rpm + 4.0 * wear.leak_kpa + 2.0 * wear.filter_kpa
    per_kmh = RATIOS[rig.gear - 1] * RPM_PER_KMH_AND_RATIO
    while rpm < top and t < 9.0:
        wide = min(1.0, t / 0.15)
        krpm = rpm / 1000.0
        high = max(0.0, min(1.0, (rpm - 3000.0) / 3500.0))
        level = level_kpa * (1.0 - rig.taper * max(0.0, krpm - 4.5)) - wear.spring_kpa
        level -= wear.leak_kpa * (0.5 + 0.5 * high) + wear.filter_kpa * high * high
        awake = 1.0 / (1.0 + exp((spool - rpm) / rig.spool_width_rpm))
        drive = rig.reserve_kpa * awake * wide**1.5
        boost += (drive - boost) * STEP_S / (rig.lag_s * 4000.0 / (rpm + 1000.0))
        if boost >= level:
            touched = t if touched < 0.0 else touched
            boost = level
        since = (t - touched) / 0.15 if touched >= 0.0 else 0.0
        seen = boost + rig.bump_kpa * since * exp(1.0 - since)
        if touched >= 0.0 and settled < 0 and since > 5.0:
            settled = len(trace.rpm)
        trace.rpm.append(rpm)
        trace.throttle.append(14.0 + 86.0 * wide)
        trace.boost.append(seen)
        trace.manifold.append(air.pressure_kpa * (0.5 + 0.49 * wide) + seen)
        trace.speed.append(rpm / per_kmh)
        fill = 1.0 - ((krpm - 4.6) / 9.0) ** 2
        rpm += climb * (air.pressure_kpa + seen - 15.0) / 185.0 * fill * STEP_S
        t += STEP_S
    last = len(trace.rpm)
    trace.pulls.append((first, settled if settled > 0 else (first + 2 * last) // 3, last))


def _road(
    rig: Rig, air: Air, wear: Wear, asked: Asked, rng: np.random.Generator
) -> tuple[_Trace, list[int]]:
    """The night phase by phase; with it the index at which each log starts."""
    trace, starts = _Trace(), [0]
    per_kmh = [ratio * RPM_PER_KMH_AND_RATIO for ratio in RATIOS]
    v0 = rig.rpm_from / per_kmh[rig.gear - 1]
    if not rig.barometer:
        zero = _line(0.0, 0.0, 2.5)
        trace.add(zero, 1.5, air.pressure_kpa, zero)
        up = IDLE_RPM * (1.0 - np.exp(-_line(0.0, 1.0, 1.0) / 0.15))
        trace.add(up, 1.5, 60.0, 0.0 * up)
        still = _line(IDLE_RPM, IDLE_RPM, 2.0)
        trace.add(still, 1.5, 34.0, 0.0 * still)
        begin = 0.0
        for gear in range(rig.gear):
            end = v0 if gear == rig.gear - 1 else 3000.0 / per_kmh[gear]
            speed = _line(begin, end, (end - begin) / 10.0)
            trace.add(np.maximum(1500.0, speed * per_kmh[gear]), 28.0, 75.0, speed)
            begin = end
    for number, level in enumerate(asked.levels_kpa):
        if number and rig.file_per_pull:
            starts.append(len(trace.rpm))
        hold = _line(rig.rpm_from, rig.rpm_from, float(rng.uniform(2.4, 3.0)))
        trace.add(hold, 14.0, 0.5 * air.pressure_kpa, hold / per_kmh[rig.gear - 1])
        _pull(trace, rig, air, wear, level, rng)
        down = _line(trace.rpm[-1], rig.rpm_from, (trace.rpm[-1] - rig.rpm_from) / 800.0)
        trace.cuts.append((len(trace.rpm), len(trace.rpm) + len(down)))
        trace.add(down, 1.5, 27.0, down / per_kmh[rig.gear - 1])
    hold = _line(rig.rpm_from, rig.rpm_from, 1.0)
    trace.add(hold, 14.0, 0.5 * air.pressure_kpa, hold / per_kmh[rig.gear - 1])
    return trace, starts


def _signals(
    rig: Rig,
    air: Air,
    wear: Wear,
    asked: Asked,
    trace: _Trace,
    manifold: Array,
    rng: np.random.Generator,
) -> dict[str, Array]:
    """Every channel without noise, on the physical grid."""
    n = len(trace.rpm)
    rpm, throttle, boost = np.array(trace.rpm), np.array(trace.throttle), np.array(trace.boost)
    runs, small = rpm > 300.0, rng.uniform(-1.0, 1.0, 4)
    pulling, cut = np.zeros(n), np.zeros(n, dtype=bool)
    for first, _, last in trace.pulls:
        pulling[first:last] = 1.0
    for first, last in trace.cuts:
        cut[first:last] = True
    high = np.clip((rpm - 4800.0) / 1400.0, 0.0, 1.0) * pulling
    aim = np.interp(manifold - air.pressure_kpa, LAMBDA_AIM_KPA, LAMBDA_AIM[rig.fuel])
    mixture = np.where(throttle > 60.0, aim, 1.0) + 0.003 * small[0] + wear.pump_lambda * high
    oxygen = np.where(cut | ~runs, 0.42, 1.0 - 1.0 / mixture)
    late = np.concatenate([np.full(10, oxygen[0]), oxygen[:-10]])
    heat = 3.0 + 0.065 * boost + 0.35 * wear.filter_kpa * high
    # the charge warms towards its figure in a pull and cools between the pulls
    charge = air.temp_c + 6.0 + small[1] + lag(heat * pulling, 4.0) + wear.sensor_k
    work = lag(pulling, 15.0)
    target = asked.target_kpa or 0.0
    shape = np.interp(rpm, (1500.0, 3600.0, 4500.0, 7500.0), (0.6, 1.0, 1.0, 1.0 - 3 * rig.taper))
    # some computers write duty and target all the time, some under load alone
    shown = (throttle > 80.0) | (not rig.under_load_only)
    fill = 1.0 - ((rpm / 1000.0 - 4.6) / 9.0) ** 2
    full = rig.reserve_kpa / 1.6 + air.pressure_kpa
    return {
        "engine_speed": rpm,
        "vehicle_speed": np.array(trace.speed),
        "throttle_position": throttle,
        "manifold_pressure": manifold,
        "barometric_pressure": np.full(n, air.pressure_kpa),
        "boost_target": target * shape * shown if asked.follows else np.full(n, target),
        "wastegate_duty": (asked.duty_pct or 0.0) * shown,
        "lambda": 1.0 / (1.0 - lag(late, 0.09)),
        "intake_air_temp": charge,
        "ambient_air_temp": np.full(n, air.temp_c),
        "coolant_temp": 88.5 + 1.5 * small[2] + 1.8 * work,
        "battery_voltage": np.where(runs, 14.05 + 0.1 * small[3] - 0.15 * work, 12.5),
        "injector_duty": np.where(
            cut | ~runs, 0.0, 72.0 * manifold * rpm * fill / (full * rig.rpm_to) + 1.5
        ),
        "oil_pressure": np.where(runs, np.minimum(90.0 + 68.0 * rpm / 1000.0, 490.0), 0.0),
        "knock_retard": np.zeros(n),
        "fuel_pressure": 300.0
        + manifold
        - air.pressure_kpa
        - 2.0 * pulling
        - 300.0 * wear.pump_lambda * high,
    }


@dataclass(frozen=True)
class _Column:
    """Heading in words and short, unit, decimals and noise of a channel; the same in US units."""

    words: str
    short: str
    unit: str
    decimals: int
    noise: float
    us_unit: str = ""
    us_scale: float = 1.0
    us_offset: float = 0.0
    us_decimals: int | None = None
    slow: bool = False


_PSI = 1.0 / KPA_PER_PSI
COLUMNS = {
    "engine_speed": _Column("Engine speed", "rpm", "rpm", 0, 6.0),
    "vehicle_speed": _Column("Road speed", "speed", "km/h", 1, 0.12, "mph", 1.0 / KMH_PER_MPH),
    "throttle_position": _Column("Throttle", "tps", "%", 1, 0.1),
    "manifold_pressure": _Column(
        "Manifold pressure abs", "map", "kPa", 1, 0.5, "psi", _PSI, us_decimals=2
    ),
    "barometric_pressure": _Column(
        "Barometric pressure", "baro", "kPa", 1, 0.06, "psi", _PSI, us_decimals=2, slow=True
    ),
    "boost_target": _Column(
        "Boost target gauge", "boost_target", "kPa", 1, 0.0, "psi", _PSI, us_decimals=2
    ),
    "wastegate_duty": _Column("Boost solenoid duty", "boost_duty", "%", 1, 0.0),
    "lambda": _Column("Lambda", "lambda", "", 3, 0.004, "AFR", 14.7, us_decimals=2),
    "intake_air_temp": _Column(
        "Intake air temp", "iat", "°C", 1, 0.12, "°F", 1.8, 32.0, us_decimals=1, slow=True
    ),
    "ambient_air_temp": _Column(
        "Ambient air temp", "ambient", "°C", 1, 0.1, "°F", 1.8, 32.0, us_decimals=1, slow=True
    ),
    "coolant_temp": _Column(
        "Coolant temp", "clt", "°C", 1, 0.12, "°F", 1.8, 32.0, us_decimals=1, slow=True
    ),
    "battery_voltage": _Column("Battery", "battery", "V", 2, 0.03),
    "injector_duty": _Column("Injector duty", "inj_duty", "%", 1, 0.25),
    "oil_pressure": _Column("Oil pressure", "oil_press", "kPa", 0, 3.0, "psi", _PSI, us_decimals=1),
    "knock_retard": _Column("Knock retard", "knock_retard", "deg", 1, 0.0),
    "fuel_pressure": _Column(
        "Fuel pressure", "fuel_press", "kPa", 0, 1.5, "psi", _PSI, us_decimals=1
    ),
}
ALWAYS = (
    "engine_speed",
    "vehicle_speed",
    "throttle_position",
    "manifold_pressure",
    "lambda",
    "intake_air_temp",
    "coolant_temp",
)
NEVER_NEGATIVE = frozenset(
    {"engine_speed", "vehicle_speed", "injector_duty", "oil_pressure", "throttle_position"}
)


def _wander(seconds: float, rng: np.random.Generator, when: Array) -> Array:
    """Slow breathing of the intake: standard deviation 1, forgets itself within 0.6 s."""
    knots = np.arange(0.0, seconds + 0.4, 0.2)
    keep = exp(-0.2 / 0.6)
    out, now = [], 0.0
    for push in (rng.normal(0.0, 1.0, len(knots)) * (1.0 - keep * keep) ** 0.5).tolist():
        now = now * keep + push
        out.append(now)
    return np.asarray(np.interp(when, knots, np.array(out)))


def _cells(
    name: str, rig: Rig, when: Array, signal: Array, rng: np.random.Generator
) -> tuple[Array, int]:
    """Readings of one channel at the row times, in the unit that is written, and its decimals."""
    column = COLUMNS[name]
    read = np.interp(when, np.arange(len(signal)) * STEP_S, signal)
    noise = column.noise * rng.normal(0.0, 1.0, len(read))
    if name in ("engine_speed", "vehicle_speed", "injector_duty"):
        noise = noise * (read > 0.5)
    read = read + noise
    if name == "manifold_pressure":
        read = read + 0.35 * _wander(float(when[-1]), rng, when)
    if name in NEVER_NEGATIVE:
        read = np.maximum(read, 0.0)
    if name == "throttle_position":
        read = np.minimum(read, 100.0)
    if name == "lambda":
        read = np.minimum(read, 1.6)
    if column.slow:
        # temperatures and barometer are fresh four times a second and held in between
        ticks = np.floor((when - when[0]) * 4.0 + 1e-6)
        read = read[np.searchsorted(ticks, ticks)]
    if not rig.us or not column.us_unit:
        return read, column.decimals
    scale = STOICHIOMETRIC[rig.fuel] if name == "lambda" else column.us_scale
    decimals = column.decimals if column.us_decimals is None else column.us_decimals
    return read * scale + column.us_offset, decimals


def _heading(name: str, rig: Rig) -> str:
    column = COLUMNS[name]
    unit = column.us_unit if rig.us and column.us_unit else column.unit
    if name == "lambda" and rig.us:
        return "AFR" if rig.short_names else "Air fuel ratio"
    title = column.short if rig.short_names else column.words
    return f"{title} ({unit})" if unit else title


def drive(
    rig: Rig, air: Air, wear: Wear, asked: Asked, rng: np.random.Generator, folder: Path
) -> tuple[list[TruePull], list[str]]:
    """Drive a night and write its logs into ``folder``.

    Returns what was true of each pull, and the names of the files.
    """
    trace, starts = _road(rig, air, wear, asked, rng)
    manifold = lag(np.array(trace.manifold), 0.03)
    gauge = manifold - air.pressure_kpa
    truth = [
        TruePull(float(np.median(gauge[settled:last])), float(np.max(gauge[first:last])))
        for first, settled, last in trace.pulls
    ]
    signals = _signals(rig, air, wear, asked, trace, manifold, rng)
    names = [*ALWAYS, *rig.extras]
    if rig.barometer:
        names.append("barometric_pressure")
    if asked.target_kpa is not None:
        names.append("boost_target")
    if asked.duty_pct is not None:
        names.append("wastegate_duty")
    head = ",".join(
        ["time (s)" if rig.short_names else "Time (s)", *(_heading(n, rig) for n in names)]
    )
    files = []
    ends = [*starts[1:], len(trace.rpm)]
    for number, (first, last) in enumerate(zip(starts, ends, strict=True), start=1):
        step = 1.0 / rig.rate_hz
        when = np.arange(first * STEP_S, (last - 1) * STEP_S, step)
        when = np.maximum(when + rng.uniform(-0.04, 0.04, len(when)) * step, first * STEP_S)
        made = [(when - when[0], 3), *(_cells(n, rig, when, signals[n], rng) for n in names)]
        form = ",".join(f"%.{decimals}f" for _, decimals in made)
        table = np.column_stack([values for values, _ in made]) + 0.0
        rows = [form % tuple(row) for row in table.tolist()]
        file = f"run_{number}.csv"
        (folder / file).write_text("\n".join([head, *rows, ""]), encoding="utf-8")
        files.append(file)
    return truth, files
