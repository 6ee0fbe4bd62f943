"""Unlike cars, ways of naming columns, and drives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from scenes.car import HEALTHY, Car, Fault, Pull, simulate
from scenes.logger import Arr, Col, Log, write_log

PLAIN: dict[str, Col] = {
    "rpm": Col("Engine speed (rpm)", "rpm", dec=0),
    "speed": Col("Road speed (km/h)", "speed"),
    "thr": Col("Throttle (%)", "thr"),
    "pedal": Col("Accelerator pedal (%)", "pedal"),
    "map": Col("Manifold abs press (kPa)", "map"),
    "boost": Col("Boost (kPa)", "boost"),
    "baro": Col("Barometer (kPa)", "baro"),
    "target": Col("Boost target (kPa)", "target"),
    "duty": Col("Boost solenoid duty (%)", "duty"),
    "lam": Col("Lambda 1", "lam", dec=3, clip=(0, 1.9)),
    "lam2": Col("Lambda 2", "lam2", dec=3, clip=(0, 1.9)),
    "lamt": Col("Lambda target", "lamt", dec=3),
    "iat": Col("Charge temp (C)", "iat"),
    "coolant": Col("Coolant temp (C)", "coolant"),
    "egt": Col("Exhaust gas temp (C)", "egt", dec=0),
    "oil": Col("Oil pressure (kPa)", "oil", dec=0),
    "oilt": Col("Oil temp (C)", "oilt"),
    "fuelp": Col("Fuel pressure (kPa)", "fuelp", step=0.5),
    "inj": Col("Injector duty (%)", "inj", clip=(0, 100)),
    "ipw": Col("Injector pulse width (ms)", "ipw", dec=3),
    "ign": Col("Ignition timing (deg)", "ign"),
    "knock": Col("Knock retard (deg)", "knock"),
    "volts": Col("Battery (V)", "volts", dec=2),
    "maf": Col("Mass air flow (g/s)", "maf", dec=2),
    "gear": Col("Gear", "gear", dec=0),
    "air": Col("Ambient air temp (C)", "air"),
    "stft": Col("Short term fuel trim (%)", "stft"),
    "accel": Col("Long accel (m/s2)", "accel", dec=2),
}


def _style(**names: Any) -> dict[str, Col]:
    """PLAIN under other names: a name, or a name and the fields that differ."""
    out = {}
    for signal, told in names.items():
        name, changed = told if isinstance(told, tuple) else (told, {})
        out[signal] = replace(PLAIN[signal], name=name, **changed)
    return out


SHORT = _style(
    rpm="RPM",
    speed="Speed",
    thr="TPS",
    pedal="Pedal",
    map="MAP",
    boost="Boost",
    baro="Baro",
    target="Boost target",
    duty="Wastegate duty",
    lam="Lambda",
    lam2="Lambda B",
    lamt="Lambda target",
    iat=("IAT", {"step": 1.0, "dec": 0}),
    coolant=("Coolant", {"step": 1.0, "dec": 0}),
    egt="EGT",
    oil="Oil press",
    oilt="Oil temp",
    fuelp="Fuel press",
    inj="Inj duty",
    ipw="Inj PW",
    ign="Timing",
    knock="Knock retard",
    volts="Battery",
    maf="MAF",
    gear="Gear",
    air="Ambient temp",
    stft="STFT",
)
SNAKE = _style(
    rpm="engine_rpm",
    speed="vehicle_speed_kmh",
    thr="throttle_pct",
    pedal="pedal_pct",
    map="map_kpa",
    boost="boost_kpa",
    baro="baro_kpa",
    target="boost_target_kpa",
    duty="wastegate_duty_pct",
    lam="lambda_1",
    lam2="lambda_2",
    lamt="lambda_target",
    iat="iat_c",
    coolant="coolant_c",
    egt="egt_c",
    oil="oil_press_kpa",
    oilt="oil_temp_c",
    fuelp="fuel_press_kpa",
    inj="injector_duty_pct",
    ipw="injector_pw_ms",
    ign="ignition_deg",
    knock="knock_retard_deg",
    volts="battery_v",
    maf="maf_g_s",
    gear="gear",
    air="ambient_c",
    stft="stft_pct",
)
PSI = {"unit": "psi", "dec": 1}
US = _style(  # temperatures carry no unit: the rest of the file is psi, mph, AFR
    rpm="RPM",
    speed=("Speed mph", {"unit": "mph"}),
    thr="Throttle %",
    pedal="Pedal %",
    map=("Manifold psia", PSI),
    boost=("Boost psi", PSI),
    baro=("Baro psia", {"unit": "psi", "dec": 2}),
    target=("Boost target psi", PSI),
    duty="WG duty %",
    lam=("Wideband AFR", {"unit": "afr", "dec": 2, "clip": (0, 1.524)}),
    lam2=("Wideband AFR 2", {"unit": "afr", "dec": 2, "clip": (0, 1.524)}),
    lamt=("AFR target", {"unit": "afr", "dec": 2}),
    iat=("IAT", {"unit": "f", "dec": 0}),
    coolant=("Coolant temp", {"unit": "f", "dec": 0}),
    egt=("EGT", {"unit": "f", "dec": 0}),
    oil=("Oil psi", PSI),
    oilt=("Oil temp", {"unit": "f", "dec": 0}),
    fuelp=("Fuel psi", PSI),
    inj="Injector duty %",
    ign="Timing",
    knock="Knock retard",
    volts="Battery V",
    gear="Gear",
    air=("Outside temp", {"unit": "f", "dec": 0}),
    stft="STFT %",
    maf=("MAF lb/min", {"unit": "lbmin", "dec": 2}),
)
BARE = _style(  # units stand in a row of their own
    rpm=("Engine Speed", {"unit_row": "rpm"}),
    speed=("Vehicle Speed", {"unit_row": "km/h"}),
    thr=("Throttle Position", {"unit_row": "%"}),
    pedal=("Pedal Position", {"unit_row": "%"}),
    map=("Manifold Pressure", {"unit": "bar", "dec": 3, "unit_row": "bar"}),
    boost=("Boost Pressure", {"unit": "bar", "dec": 3, "unit_row": "bar"}),
    baro=("Barometric Pressure", {"unit": "mbar", "dec": 0, "unit_row": "mbar"}),
    target=("Boost Target", {"unit": "bar", "dec": 3, "unit_row": "bar"}),
    duty=("Wastegate Duty", {"unit_row": "%"}),
    lam=("Lambda Bank 1", {"unit_row": "lambda"}),
    lam2=("Lambda Bank 2", {"unit_row": "lambda"}),
    lamt=("Lambda Target", {"unit_row": "lambda"}),
    iat=("Intake Air Temp", {"unit_row": "C"}),
    coolant=("Coolant Temp", {"unit_row": "C"}),
    egt=("Exhaust Temp", {"unit_row": "C"}),
    oil=("Oil Pressure", {"unit": "bar", "dec": 2, "unit_row": "bar"}),
    fuelp=("Fuel Pressure", {"unit": "bar", "dec": 2, "unit_row": "bar", "step": None}),
    inj=("Injector Duty", {"unit_row": "%"}),
    knock=("Knock Retard", {"unit_row": "deg"}),
    volts=("Battery Voltage", {"unit_row": "V"}),
    ign=("Ignition Timing", {"unit_row": "deg"}),
    maf=("Mass Air Flow", {"unit_row": "g/s"}),
    gear=("Gear", {"unit_row": ""}),
)
STYLES = {"plain": PLAIN, "short": SHORT, "snake": SNAKE, "us": US, "bare": BARE}


@dataclass(frozen=True)
class Rig:
    car: Car
    toml: str | None
    style: str
    cols: str
    log: Log
    gear: int = 3
    lo: float = 2400.0
    hi: float = 6500.0
    args: tuple[str, ...] = ()


def toml(
    name: str,
    fuel: str = "petrol",
    alt: float | None = None,
    limit: float | None = None,
    target: float | None = None,
    spring: float | None = None,
    direct: bool = False,
    cyl: int | None = None,
    rpm: float | None = None,
) -> str:
    out = [f'name = "{name}"', f'fuel = "{fuel}"']
    if alt is not None:
        out.append(f"altitude_m = {alt:g}")
    if direct:
        out.append('injection = "direct"')
    if cyl is not None:
        out.append(f"cylinders = {cyl}")
    boost = [
        (k, v)
        for k, v in (("limit_kpa", limit), ("target_kpa", target), ("spring_kpa", spring))
        if v is not None
    ]
    if boost:
        out += ["", "[boost]"] + [f"{k} = {v:g}" for k, v in boost]
    if rpm is not None:
        out += ["", "[engine]", f"limit_rpm = {rpm:g}"]
    return "\n".join(out) + "\n"


L0 = Log(())
FLEET: dict[str, Rig] = {
    "small": Rig(  # quick little turbo, tapers by itself; short names, whole degrees
        Car(
            disp=1.4,
            mass=1120,
            spring=32,
            duty=27.0,
            gain=1.5,
            th=2050,
            width=200,
            pmax=190,
            tau=0.26,
            slope=-4.5,
            slope_from=4400,
            red=6400,
            amb=99.7,
            iat_gain=0.15,
            dbw=False,
            wot=98.0,
        ),
        toml("Sparrow", alt=120, limit=110, cyl=4, rpm=6600),
        "short",
        "rpm speed thr map baro lam iat coolant duty volts",
        replace(L0, rate=20, time_name="Time"),
        3,
        2100,
        6150,
    ),
    "mid": Rig(  # closed control, constant target, everything logged
        Car(duty=None, target=((1000, 100.0), (8000, 100.0)), th=2600),
        toml("Harrier", limit=140, target=100, spring=45, rpm=7100),
        "plain",
        "rpm speed thr pedal map baro target duty lam lamt iat coolant volts inj knock",
        replace(L0, rate=50),
        3,
        2400,
        6600,
    ),
    "big": Rig(  # slow large turbo, open control at a fixed duty
        Car(
            disp=2.6,
            mass=1500,
            spring=65,
            gain=1.6,
            duty=54.0,
            th=3850,
            width=330,
            pmax=270,
            tau=0.6,
            red=7900,
            slope=-1.5,
            slope_from=5500,
            lam_lag=0.22,
            inj_full=76,
        ),
        toml("Condor", limit=190, rpm=8100),
        "snake",
        "rpm speed thr map lam iat coolant duty fuel".replace(" fuel", " fuelp") + " inj oil",
        replace(L0, rate=25, time_name="time_s"),
        4,
        3000,
        7600,
    ),
    "mtn": Rig(  # a car that lives at 2,200 m
        Car(amb=77.4, air=9.0, spring=40, gain=1.5, duty=29.0, th=2900, tau=0.4),
        toml("Ibex", limit=110),
        "plain",
        "rpm thr map baro lam iat coolant duty",
        replace(L0, rate=10),
        3,
        2500,
        6400,
    ),
    "e85": Rig(  # ethanol, target rises with engine speed
        Car(
            duty=None,
            target=((2000, 70.0), (3000, 105.0), (4200, 138.0), (7500, 142.0)),
            th=2900,
            pmax=260,
            spring=60,
            gain=1.7,
            inj_full=80,
            tau=0.4,
        ),
        toml("Kestrel", fuel="e85", alt=60, limit=175, spring=60),
        "snake",
        "rpm speed thr map lam lam_t iat coolant duty target volts inj".replace("lam_t", "lamt"),
        replace(L0, rate=20, time_name="time_ms", time_kind="ms"),
        3,
        2500,
        6700,
    ),
    "v6": Rig(  # two banks, US units, gentle boost
        Car(disp=3.0, mass=1620, spring=48, gain=1.5, duty=12.0, th=2300, tau=0.3, red=6800),
        toml("Heron", limit=95, alt=40, cyl=6),
        "us",
        "rpm speed thr boost lam lam2 iat coolant duty volts",
        replace(L0, rate=20, time_name="Time"),
        3,
        2200,
        6500,
    ),
    "di": Rig(  # direct injection, absolute and gauge pressure, target falls at the top
        Car(
            disp=1.6,
            mass=1280,
            duty=None,
            target=((1500, 55.0), (2600, 95.0), (5000, 95.0), (6400, 80.0)),
            th=2000,
            width=220,
            tau=0.25,
            lam_shift=0.03,
            spring=35,
            red=6500,
        ),
        toml("Wren", limit=125, direct=True),
        "bare",
        "rpm speed thr pedal map boost target duty lam iat coolant ign",
        replace(L0, rate=20, units_row=True, time_name="Time"),
        3,
        2000,
        6200,
    ),
    "old": Rig(  # spring pressure only, no solenoid, gauge sensor, cable throttle, no car file
        Car(
            disp=1.8,
            mass=1080,
            spring=50,
            gain=0.0,
            duty=0.0,
            th=2800,
            tau=0.4,
            dbw=False,
            wot=100.0,
            amb=100.9,
            iat_gain=0.16,
        ),
        None,
        "us",
        "rpm thr boost lam iat coolant",
        replace(L0, rate=10, time_name="Time"),
        3,
        2300,
        6300,
        ("--altitude", "100 ft"),
    ),
    "drag": Rig(  # much boost, 100 samples a second, one long pull
        Car(
            disp=2.2,
            mass=1250,
            spring=80,
            gain=1.6,
            duty=65.0,
            th=3700,
            width=300,
            pmax=330,
            tau=0.5,
            red=8200,
            inj_full=78,
            iat_gain=0.1,
        ),
        toml("Goshawk", fuel="e85", limit=225, alt=30),
        "plain",
        "rpm thr map lam iat coolant duty oil",
        replace(L0, rate=100),
        4,
        3400,
        7900,
    ),
    "hill": Rig(  # 1,300 m, engine-stopped reading at the start, semicolons and decimal comma
        Car(amb=86.6, air=14.0, spring=38, gain=1.5, duty=30.0, th=2700),
        toml("Marten", limit=120),
        "plain",
        "rpm speed thr map lam iat coolant duty knock",
        replace(L0, rate=20, delim=";", comma=True),
        3,
        2400,
        6400,
    ),
    "trip": Rig(  # three cylinders, little boost, tab between columns
        Car(
            disp=1.0,
            mass=980,
            spring=45,
            gain=1.3,
            duty=8.0,
            th=1950,
            width=180,
            tau=0.22,
            red=6300,
            slope=-2.0,
            slope_from=4500,
        ),
        toml("Finch", alt=210, cyl=3, limit=80),
        "bare",
        "rpm speed thr map lam iat coolant duty",
        replace(L0, rate=25, delim="\t", units_row=True, time_name="Time", file="evening.tsv"),
        2,
        2000,
        6000,
    ),
    "rally": Rig(  # egt, oil, fuel and knock all logged
        Car(
            disp=2.0,
            mass=1260,
            spring=60,
            gain=1.6,
            duty=37.0,
            th=3200,
            tau=0.42,
            red=7200,
            egt_full=870,
        ),
        toml("Lynx", limit=150, rpm=7400),
        "snake",
        "rpm speed thr map baro lam iat coolant duty egt oil oilt fuelp inj knock volts",
        replace(L0, rate=20, time_name="time_s"),
        3,
        2700,
        6900,
    ),
}


def short_drive(
    r: Rig,
    pulls: int = 1,
    rest: float = 14.0,
    opts: tuple[tuple[str, float], ...] = (),
    *,
    off: bool = True,
) -> tuple[tuple[Any, ...], ...]:
    v = 2700 / r.car.ratios[r.gear - 1]
    d: list[tuple[Any, ...]] = [("off", 2.5), ("start",), ("idle", 5.0)] if off else [("idle", 7.0)]
    d.append(("cruise", 8.0, v, r.gear))
    for _ in range(pulls):
        d += [("pull", r.gear, r.lo, r.hi, opts), ("cruise", rest, v, r.gear)]
    return tuple(d) + (("idle", 4.0),)


Shape = Callable[[tuple[Pull, ...], Log], Log]


@dataclass(frozen=True)
class Evening:
    """A night that can be written: car, drive, fault and seed of the simulation, the logger, the car file's text.

    shape changes the log by where the pulls are; also: further files of the same night.
    """

    car: Car
    drive: tuple[tuple[Any, ...], ...]
    fault: Fault
    seed: int
    log: Log
    car_file: str | None
    shape: Shape | None = None
    also: tuple[Evening, ...] = ()

    def truth(self) -> tuple[Mapping[str, Arr], tuple[Pull, ...]]:
        """The true signals, and where the pulls are."""
        return simulate(self.car, self.drive, self.fault, self.seed)

    def logger(self) -> Log:
        """The logger as it is for these pulls."""
        return self.log if self.shape is None else self.shape(self.truth()[1], self.log)

    def write(self, folder: Path, log: Log | None = None) -> None:
        """Write the night's files; log: instead of its own logger."""
        signals, pulls = self.truth()
        write_log(folder, signals, pulls, log or self.logger())
        if self.car_file:
            (folder / "car.toml").write_text(self.car_file)
        for more in self.also:
            more.write(folder)


def night(
    rig: str,
    *,
    pulls: int = 3,
    drive: tuple[tuple[Any, ...], ...] | None = None,
    rest: float = 14.0,
    opts: tuple[tuple[str, float], ...] = (),
    off: bool = True,
    fault: Fault = HEALTHY,
    seed: int = 1,
    car: dict[str, Any] | None = None,
    cols: str | None = None,
    style: str | None = None,
    edits: dict[str, dict[str, Any]] | None = None,
    add: tuple[Col, ...] = (),
    without: str = "",
    log: dict[str, Any] | None = None,
    file_toml: str | bool | None = True,
    shape: Shape | None = None,
    gear: int | None = None,
    lo: float | None = None,
    hi: float | None = None,
    also: tuple[Evening, ...] = (),
) -> Evening:
    """An evening with a rig of the fleet, changed as told.

    drive: steps of car.simulate (else `pulls` pulls with `rest` s of cruise after each and options `opts`, the engine
    stopped at the start if `off`); car, log: fields changed; cols, without: signals logged; style: how columns are
    named; edits: fields of single columns; add: further columns; file_toml: the car file's text, True the rig's own,
    None none; gear, lo, hi: of the pulls.
    """
    r = FLEET[rig]
    changed = replace(r.car, **(car or {}))
    r = replace(r, car=changed, gear=gear or r.gear, lo=lo or r.lo, hi=hi or r.hi)
    steps = drive if drive is not None else short_drive(r, pulls, rest, opts, off=off)
    table = STYLES[style or r.style]
    wanted = [c for c in (cols or r.cols).split() if c not in without.split()]
    columns = tuple(replace(table.get(c, PLAIN[c]), **(edits or {}).get(c, {})) for c in wanted)
    logger = replace(r.log, cols=columns + add, seed=seed, **(log or {}))
    text = r.toml if file_toml is True else file_toml or None
    return Evening(r.car, steps, fault, seed, logger, text, shape, also)
