"""Families of cars, drivers and loggers that differ in kind, not in seed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from .car import Car, Control, Driveline, Engine, Turbo
from .logger import Column, Dialect
from .night import LogPlan, Night, Spec

PSI = 1.0 / 6.894757
BAR = 0.01
MPH = 0.6213712
F_SCALE, F_OFFSET = 1.8, 32.0
PETROL_AFR = 14.7


@dataclass(frozen=True)
class Family:
    """One kind of car, driver and logger.

    ``carries``: codes that its channels can carry; ``can_clear``: whether its logs carry all that a
    clear verdict asks for (five samples a second cannot show an oscillation).
    """

    spec: Spec

    @property
    def name(self) -> str:
        """Key in FAMILIES."""
        return self.spec.name

    @property
    def description(self) -> str:
        """One line for a person."""
        return self.spec.description

    @property
    def rate_hz(self) -> float:
        """Rows a second."""
        return self.spec.rate_hz

    @property
    def carries(self) -> frozenset[str]:
        """Codes that the family can carry."""
        return self.spec.carries

    @property
    def can_clear(self) -> bool:
        """Whether a healthy night can be cleared at all."""
        return self.spec.can_clear

    def healthy(self, seed: int, folder: Path) -> tuple[str, ...]:
        """Write a healthy night into a folder; return extra command-line arguments."""
        return Night(self.spec, seed).write(folder)

    def faulty(self, code: str, size: float, seed: int, folder: Path) -> tuple[str, ...]:
        """Write the same kind of night with one fault; return extra command-line arguments."""
        return Night(self.spec, seed, code, size).write(folder)


def _turns(same: tuple[int, float, float], times: int) -> tuple[tuple[int, float, float], ...]:
    return (same,) * times


QUICK = Turbo(2450.0, 320.0, 205.0, 0.55, 60.0, gate_lag_s=0.05)
SMALL = Turbo(2150.0, 280.0, 165.0, 0.45, 50.0)
MIDDLE = Turbo(3000.0, 380.0, 230.0, 0.7, 70.0)
BIG = Turbo(3650.0, 430.0, 290.0, 0.85, 85.0)
FREE_ROAD = (3.5, 2.05, 1.4, 1.04, 0.84)

_QUICK_CABLE = Spec(
    name="quick_cable_open",
    description="quick turbo, cable throttle, open loop at constant duty, petrol, 20 a second",
    rate_hz=20.0,
    car=Car(
        Engine(2.0, 4),
        QUICK,
        Control(105.0, 38.0),
        Driveline(),
        altitude_m=60.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("vehicle_speed", "Road speed", "km/h", 1),
        Column("throttle_position", "Throttle", "%", 1),
        Column("manifold_pressure", "Manifold pressure abs", "kPa", 1),
        Column("wastegate_duty", "Boost solenoid duty", "%", 1),
        Column("lambda", "Lambda", "", 3, noise=0.004),
        Column("intake_air_temp", "Intake air temp", "°C", 1, rate_hz=5.0),
        Column("coolant_temp", "Coolant temp", "°C", 0, rate_hz=2.0),
        Column("ignition_timing", "Ignition advance", "deg", 1),
        Column("knock_retard", "Knock retard", "deg", 1),
        Column("battery_voltage", "Battery", "V", 2),
        Column("injector_pulse_width", "Injector pulse", "ms", 2),
    ),
    logs=(LogPlan(_turns((3, 2600.0, 6400.0), 4)),),
    dialect=Dialect(),
    limit_kpa=165.0,
    limit_rpm=6900.0,
)

_SLOW_TYPED = Spec(
    name="slow_cable_typed",
    description="big slow turbo, cable, open loop, duty typed not logged, gauge psi, 10 a second",
    rate_hz=10.0,
    car=Car(
        Engine(2.4, 4),
        BIG,
        Control(140.0, 35.0),
        Driveline(ratios=FREE_ROAD, final=4.1, mass_kg=1320.0),
        altitude_m=20.0,
    ),
    columns=(
        Column("engine_speed", "RPM", "1/min", 0),
        Column("throttle_position", "TPS", "%", 0),
        Column("manifold_gauge", "Boost", "psi", 2, scale=PSI, noise=0.6),
        Column("lambda", "AFR", "afr", 2, scale=PETROL_AFR, top=20.9),
        Column("intake_air_temp", "IAT", "°F", 0, scale=F_SCALE, offset=F_OFFSET, rate_hz=2.0),
        Column("coolant_temp", "ECT", "°F", 0, scale=F_SCALE, offset=F_OFFSET, rate_hz=2.0),
        Column("vehicle_speed", "Speed", "mph", 1, scale=MPH),
        Column("battery_voltage", "Volts", "V", 1),
        Column("knock_count", "Knock count", "-", 0),
        Column("oil_pressure", "Oil press", "psi", 1, scale=PSI),
    ),
    logs=(LogPlan(_turns((3, 2700.0, 6900.0), 3), rest_s=11.0),),
    dialect=Dialect(units="row"),
    limit_kpa=200.0,
    limit_as="psi",
    ambient="gauge",
    args=("--duty", "35"),
    lambda_top=1.45,
)

_WIRE_CONSTANT = Spec(
    name="wire_closed_constant",
    description="direct injection, e10, throttle by wire, closed loop on a constant target, 50 Hz",
    rate_hz=50.0,
    car=Car(
        Engine(2.0, 4),
        QUICK,
        Control(110.0, 42.0, closed=True, spool_duty_pct=75.0),
        Driveline(by_wire=True, final=4.3),
        fuel="e10",
        direct=True,
        lambda_knots=(0.95, 0.88, 0.83, 0.81),
        rail_kpa=14000.0,
        altitude_m=150.0,
    ),
    columns=(
        Column("engine_speed", "engine_speed", "rpm", 0),
        Column("pedal_position", "pedal", "%", 1),
        Column("throttle_position", "throttle", "%", 1),
        Column("manifold_pressure", "map", "kPa", 1),
        Column("barometric_pressure", "baro", "kPa", 1, rate_hz=1.0),
        Column("boost_target", "boost_target", "kPa", 1),
        Column("wastegate_duty", "wastegate_duty", "%", 1),
        Column("lambda", "lambda", "", 3),
        Column("intake_air_temp", "charge_temp", "°C", 1, rate_hz=10.0),
        Column("coolant_temp", "coolant", "°C", 1, rate_hz=2.0),
        Column("fuel_pressure", "rail_pressure", "bar", 1, scale=BAR, noise=40.0),
        Column("knock_retard", "knock_retard", "deg", 2),
        Column("vehicle_speed", "speed", "km/h", 1, rate_hz=25.0),
    ),
    logs=(LogPlan(_turns((3, 2500.0, 6300.0), 3), rest_s=6.0, tail_s=2.0),),
    dialect=Dialect(
        delimiter="\t", clock="ms", clock_heading="time", units="bracket", suffix=".txt"
    ),
    limit_kpa=170.0,
    ambient="baro",
    altitude_in_file=False,
)

_SIX_FOLLOW = Spec(
    name="six_follow_two_banks",
    description="six cylinders, e85, two banks, knock by cylinder, target follows engine speed",
    rate_hz=20.0,
    car=Car(
        Engine(3.0, 6),
        MIDDLE,
        Control(
            125.0,
            40.0,
            closed=True,
            follows=((1500.0, 95.0), (3400.0, 125.0), (5200.0, 125.0), (7000.0, 110.0)),
            spool_duty_pct=70.0,
        ),
        Driveline(by_wire=True, mass_kg=1600.0, final=3.5),
        fuel="e85",
        lambda_knots=(0.9, 0.83, 0.78, 0.755),
        rail_kpa=350.0,
        altitude_m=10.0,
    ),
    columns=(
        Column("engine_speed", "Motor speed", "1/min", 0),
        Column("pedal_position", "Accelerator pedal", "%", 1),
        Column("throttle_position", "Throttle angle", "%", 1),
        Column("manifold_pressure", "Manifold abs. pressure", "bar", 3, scale=BAR),
        Column("boost_target", "Boost target gauge", "bar", 3, scale=BAR),
        Column("wastegate_duty", "Wastegate duty", "%", 1),
        Column("lambda", "Lambda bank 1", "", 3),
        Column("lambda_2", "Lambda bank 2", "", 3),
        Column("lambda_target", "Lambda target", "", 3),
        Column("intake_air_temp", "Charge air temp", "°C", 0, rate_hz=5.0),
        Column("coolant_temp", "Coolant temp", "°C", 0, rate_hz=2.0),
        *(
            Column(f"knock_retard{'' if n == 1 else f'_{n}'}", f"Knock retard cyl {n}", "deg", 1)
            for n in range(1, 7)
        ),
        Column("vehicle_speed", "Vehicle speed", "km/h", 1),
    ),
    logs=(LogPlan(_turns((3, 2600.0, 6500.0), 4)),),
    dialect=Dialect(delimiter=";", decimal=",", clock="hms", clock_heading="Time of day"),
    limit_kpa=190.0,
    ambient="altitude",
)

_MOUNTAIN_BARO = Spec(
    name="mountain_barometer",
    description="2200 m with barometer, closed loop, target only in the car file, 10 a second",
    rate_hz=10.0,
    car=Car(
        Engine(2.5, 4),
        QUICK,
        Control(100.0, 40.0, closed=True, spool_duty_pct=72.0),
        Driveline(),
        altitude_m=2200.0,
    ),
    columns=(
        Column("engine_speed", "Engine RPM", "rpm", 0),
        Column("vehicle_speed", "Vehicle speed", "mph", 0, scale=MPH),
        Column("throttle_position", "Throttle position", "%", 1),
        Column("manifold_pressure", "Manifold absolute pressure", "psi", 2, scale=PSI),
        Column("barometric_pressure", "Barometric pressure", "psi", 2, scale=PSI),
        Column("wastegate_duty", "Boost control duty", "%", 0),
        Column("lambda", "Air fuel ratio", "AFR", 2, scale=PETROL_AFR, top=22.0),
        Column("intake_air_temp", "Intake temp", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
        Column("ambient_air_temp", "Outside temp", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
        Column("coolant_temp", "Coolant temp", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
        Column("fuel_pressure", "Fuel pressure", "psi", 1, scale=PSI),
        Column("exhaust_gas_temp", "EGT", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
    ),
    logs=(LogPlan(_turns((3, 2500.0, 6300.0), 4), start="off", rest_s=10.0),),
    dialect=Dialect(preamble=("Recorded on the road", "Mountain pass, evening")),
    limit_kpa=150.0,
    target_in_file=True,
    ambient="baro",
    altitude_in_file=False,
    lambda_top=1.5,
)

_MOUNTAIN_KEY = Spec(
    name="mountain_key_on",
    description="1600 m, absolute pressure only, engine-stopped start, e50, open loop, 20 a second",
    rate_hz=20.0,
    car=Car(
        Engine(2.0, 4),
        MIDDLE,
        Control(115.0, 36.0),
        Driveline(final=4.2),
        fuel="e50",
        lambda_knots=(0.9, 0.84, 0.79, 0.765),
        altitude_m=1600.0,
    ),
    columns=(
        Column("engine_speed", "rpm", "", 0),
        Column("throttle_position", "tps", "", 1),
        Column("manifold_pressure", "map", "", 1, noise=0.7),
        Column("lambda", "lambda", "", 3),
        Column("intake_air_temp", "iat", "", 1),
        Column("coolant_temp", "clt", "", 1),
        Column("wastegate_duty", "boost_duty", "", 1),
        Column("battery_voltage", "battery_v", "", 2),
        Column("vehicle_speed", "speed_kmh", "", 1),
        Column("gear", "gear", "", 0),
        Column("knock_retard", "knock_retard", "", 1),
        Column("injector_duty", "injector_duty", "", 1),
    ),
    logs=(LogPlan(_turns((3, 2800.0, 6600.0), 3), start="off"),),
    dialect=Dialect(units="none", clock_heading="time"),
    limit_kpa=180.0,
    ambient="key_on",
    altitude_in_file=False,
    limit_rpm=7000.0,
)

_BOTH_FAST = Spec(
    name="both_pressures_fast",
    description="absolute and gauge pressure, short pulls in second gear, a file each, 100 Hz, e85",
    rate_hz=100.0,
    car=Car(
        Engine(2.0, 4),
        QUICK,
        Control(120.0, 44.0),
        Driveline(mass_kg=1150.0),
        fuel="e85",
        lambda_knots=(0.9, 0.83, 0.78, 0.755),
        altitude_m=90.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("throttle_position", "Throttle", "%", 1, rate_hz=50.0),
        Column("manifold_pressure", "Manifold pressure", "kPa abs", 1, noise=0.8),
        Column("manifold_gauge", "Boost pressure", "kPa gauge", 1, noise=0.8, rate_hz=50.0),
        Column("lambda", "Lambda", "", 3, rate_hz=50.0),
        Column("wastegate_duty", "Solenoid duty", "%", 1, rate_hz=20.0),
        Column("intake_air_temp", "Charge temp", "°C", 1, rate_hz=10.0),
        Column("coolant_temp", "Water temp", "°C", 0, rate_hz=2.0),
        Column("oil_pressure", "Oil pressure", "bar", 2, scale=BAR, rate_hz=20.0),
        Column("vehicle_speed", "Wheel speed", "km/h", 1, rate_hz=50.0),
    ),
    logs=tuple(
        LogPlan(((2, 2700.0, 6600.0),), start="cruise", rest_s=3.0, tail_s=1.0) for _ in range(4)
    ),
    dialect=Dialect(delimiter=";"),
    limit_kpa=185.0,
    ambient="altitude",
)

_FIVE_HZ = Spec(
    name="five_a_second",
    description="five samples a second, long pulls in fourth gear, open loop, petrol",
    rate_hz=5.0,
    car=Car(
        Engine(2.5, 4),
        SMALL,
        Control(75.0, 32.0),
        Driveline(mass_kg=1350.0, final=4.4),
        altitude_m=40.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("vehicle_speed", "Vehicle speed", "km/h", 0),
        Column("throttle_position", "Absolute throttle", "%", 0),
        Column("manifold_pressure", "Intake manifold pressure", "kPa", 0),
        Column("lambda", "Equivalence lambda", "", 2, noise=0.003),
        Column("intake_air_temp", "Intake air temperature", "°C", 0),
        Column("coolant_temp", "Coolant temperature", "°C", 0),
        Column("wastegate_duty", "Wastegate solenoid duty", "%", 0),
        Column("battery_voltage", "Module voltage", "V", 1),
    ),
    logs=(LogPlan(_turns((4, 2400.0, 5300.0), 3), rest_s=12.0),),
    dialect=Dialect(clock="hms"),
    limit_kpa=130.0,
    ambient="altitude",
    can_clear=False,
)

_ONE_PULL = Spec(
    name="one_pull_methanol",
    description="methanol, one pull in fourth gear, closed loop, target logged, 50 a second",
    rate_hz=50.0,
    car=Car(
        Engine(2.2, 4),
        BIG,
        Control(155.0, 40.0, closed=True, spool_duty_pct=62.0),
        Driveline(mass_kg=1050.0, final=4.4),
        fuel="methanol",
        lambda_knots=(0.85, 0.77, 0.72, 0.69),
        intercooler=0.94,
        rail_kpa=400.0,
        altitude_m=0.0,
    ),
    columns=(
        Column("engine_speed", "Engine Speed", "rpm", 0),
        Column("throttle_position", "Throttle Position", "%", 1),
        Column("manifold_pressure", "Manifold Pressure", "kPa", 1, noise=0.4),
        Column("boost_target", "Boost Target", "kPa", 1),
        Column("wastegate_duty", "Boost Duty", "%", 1),
        Column("lambda", "Lambda", "LA", 3),
        Column("intake_air_temp", "Manifold Air Temperature", "C", 1, rate_hz=10.0),
        Column("coolant_temp", "Coolant Temperature", "C", 1, rate_hz=5.0),
        Column("oil_pressure", "Oil Pressure", "kPa", 0),
        Column("oil_temp", "Oil Temperature", "C", 1, rate_hz=5.0),
        Column("fuel_pressure", "Fuel Pressure", "kPa", 0),
        Column("injector_duty", "Injector Duty", "%", 1),
        Column("exhaust_gas_temp", "Exhaust Temperature", "C", 0, rate_hz=10.0),
        Column("vehicle_speed", "Ground Speed", "km/h", 1, rate_hz=25.0),
    ),
    logs=(LogPlan(_turns((4, 3000.0, 7200.0), 1), rest_s=20.0, tail_s=8.0),),
    dialect=Dialect(units="row"),
    limit_kpa=230.0,
    limit_rpm=7800.0,
    ambient="altitude",
)

_STEPS = Spec(
    name="duty_in_steps",
    description="the owner raises the duty from pull to pull, open loop, petrol, 20 a second",
    rate_hz=20.0,
    car=Car(
        Engine(2.0, 4),
        Turbo(2450.0, 320.0, 205.0, 0.55, 45.0),
        Control(80.0, 25.0, steps_pct=(0.0, 3.0, 6.0, 9.0)),
        Driveline(),
        altitude_m=120.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("throttle_position", "Throttle", "%", 1),
        Column("manifold_gauge", "Boost gauge", "kPa", 1),
        Column("wastegate_duty", "Duty cycle boost valve", "%", 0),
        Column("lambda", "Mixture", "lambda", 3),
        Column("intake_air_temp", "Air temperature", "°C", 0, rate_hz=5.0),
        Column("coolant_temp", "Water temperature", "°C", 0, rate_hz=5.0),
        Column("vehicle_speed", "Speed", "km/h", 1),
        Column("mass_air_flow", "Air mass", "g/s", 1),
    ),
    logs=(LogPlan(_turns((3, 2500.0, 6300.0), 4)),),
    dialect=Dialect(delimiter="|", units="bracket", suffix=".log"),
    limit_kpa=165.0,
    ambient="gauge",
)

_RESTARTS = Spec(
    name="restarts_cut_off",
    description="engine and logger restarted, files cut off in a cruise, duty unknown, 10 a second",
    rate_hz=10.0,
    car=Car(
        Engine(1.8, 4),
        QUICK,
        Control(90.0, 30.0),
        Driveline(mass_kg=1250.0, final=4.1),
        altitude_m=0.0,
    ),
    columns=(
        Column("engine_speed", "Revs", "rpm", 0),
        Column("throttle_position", "Throttle", "%", 1),
        Column("manifold_gauge", "Boost", "bar", 3, scale=BAR),
        Column("lambda", "Lambda", "", 3),
        Column("intake_air_temp", "Intake temperature", "°C", 1),
        Column("coolant_temp", "Coolant temperature", "°C", 1),
        Column("battery_voltage", "Supply voltage", "V", 2),
        Column("vehicle_speed", "Speed", "km/h", 0),
    ),
    logs=(
        LogPlan(_turns((3, 2500.0, 6300.0), 2), start="off", restart=True),
        LogPlan(_turns((3, 2500.0, 6300.0), 2), start="idle", tail_s=8.0, cut_off=True),
    ),
    dialect=Dialect(delimiter=";", decimal=",", newline="\r\n", encoding="latin-1"),
    limit_kpa=150.0,
    limit_as="bar",
    ambient="gauge",
)

_MIXED = Spec(
    name="mixed_rates_direct",
    description="direct injection, two banks, each channel at its own rate with blanks, 50 rows Hz",
    rate_hz=50.0,
    car=Car(
        Engine(3.0, 6),
        MIDDLE,
        Control(100.0, 38.0, closed=True, spool_duty_pct=62.0),
        Driveline(by_wire=True, mass_kg=1700.0),
        fuel="e10",
        direct=True,
        lambda_knots=(0.95, 0.88, 0.83, 0.81),
        rail_kpa=18000.0,
        altitude_m=420.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "1/min", 0),
        Column("pedal_position", "Pedal", "%", 1, rate_hz=25.0),
        Column("throttle_position", "Throttle plate", "%", 1, rate_hz=25.0),
        Column("manifold_pressure", "Manifold pressure", "kPa", 1),
        Column("boost_target", "Target boost", "kPa", 1, rate_hz=25.0),
        Column("lambda", "Lambda 1", "", 3, rate_hz=25.0),
        Column("lambda_2", "Lambda 2", "", 3, rate_hz=25.0),
        Column("intake_air_temp", "Charge temperature", "°C", 1, rate_hz=5.0),
        Column("ambient_air_temp", "Ambient temperature", "°C", 1, rate_hz=1.0),
        Column("coolant_temp", "Coolant temperature", "°C", 1, rate_hz=2.0),
        Column("oil_temp", "Oil temperature", "°C", 1, rate_hz=2.0),
        Column("oil_pressure", "Oil pressure", "kPa", 0, rate_hz=10.0),
        Column("fuel_pressure", "Rail pressure", "MPa", 2, scale=0.001, noise=40.0, rate_hz=25.0),
        Column("gear", "Gear", "", 0, rate_hz=10.0),
        Column("vehicle_speed", "Vehicle speed", "km/h", 1, rate_hz=10.0),
    ),
    logs=(LogPlan(_turns((3, 2500.0, 6200.0), 4), rest_s=8.0),),
    dialect=Dialect(between="blank"),
    limit_kpa=160.0,
    ambient="altitude",
)

_TWO_GEARS = Spec(
    name="two_gears_small",
    description="small quick turbo, closed loop, following target, pulls in third and fourth gear",
    rate_hz=20.0,
    car=Car(
        Engine(1.8, 4),
        SMALL,
        Control(
            85.0,
            35.0,
            closed=True,
            follows=((1500.0, 70.0), (2600.0, 85.0), (4800.0, 85.0), (6500.0, 72.0)),
            spool_duty_pct=58.0,
        ),
        Driveline(by_wire=True, mass_kg=1120.0, final=4.6),
        fuel="e10",
        altitude_m=300.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("vehicle_speed", "Vehicle speed", "km/h", 1),
        Column("gear", "Gear", "", 0),
        Column("pedal_position", "Accelerator", "%", 0),
        Column("throttle_position", "Throttle", "%", 0),
        Column("manifold_pressure", "Manifold pressure", "hPa", 0, scale=10.0),
        Column("barometric_pressure", "Ambient pressure", "hPa", 0, scale=10.0),
        Column("boost_target", "Boost target", "hPa", 0, scale=10.0),
        Column("wastegate_duty", "Wastegate", "%", 1),
        Column("lambda", "Lambda", "", 3),
        Column("lambda_target", "Lambda target", "", 3),
        Column("intake_air_temp", "Charge air", "°C", 0),
        Column("coolant_temp", "Coolant", "°C", 0),
        Column("knock_retard", "Knock retard", "deg", 1),
        Column("ignition_timing", "Ignition", "deg", 1),
    ),
    logs=(
        LogPlan(((3, 2200.0, 5900.0),) * 3, start="off", rest_s=7.0),
        LogPlan(((4, 2400.0, 5200.0),) * 2, rest_s=7.0),
    ),
    dialect=Dialect(delimiter="\t", units="row", suffix=".tsv"),
    limit_kpa=135.0,
    ambient="baro",
    altitude_in_file=False,
)

_SPRING = Spec(
    name="spring_only_cable",
    description="old car on its wastegate spring, no boost control at all, bar gauge, 10 a second",
    rate_hz=10.0,
    car=Car(
        Engine(2.0, 4),
        Turbo(2700.0, 350.0, 150.0, 0.6, 50.0),
        Control(52.0, 0.0),
        Driveline(mass_kg=1150.0, final=4.3),
        lambda_knots=(0.88, 0.83, 0.8, 0.78),
        altitude_m=200.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("throttle_position", "Throttle", "%", 0),
        Column("manifold_pressure", "Manifold absolute", "mbar", 0, scale=10.0),
        Column("lambda", "AFR wideband", "", 2, scale=PETROL_AFR, top=22.4),
        Column("intake_air_temp", "Intake air", "°C", 0),
        Column("coolant_temp", "Coolant", "°C", 0),
        Column("oil_pressure", "Oil pressure", "bar", 2, scale=BAR),
        Column("oil_temp", "Oil temperature", "°C", 0),
        Column("battery_voltage", "Battery voltage", "V", 1),
        Column("vehicle_speed", "Road speed", "km/h", 0),
    ),
    logs=(LogPlan(_turns((3, 2500.0, 6200.0), 4)),),
    dialect=Dialect(encoding="utf-16", units="bracket"),
    limit_kpa=110.0,
    ambient="altitude",
)

_MOUNTAIN_SHORT = Spec(
    name="mountain_altitude_short",
    description="1900 m said in the car file, short pulls in second gear, direct injection, e85",
    rate_hz=20.0,
    car=Car(
        Engine(2.0, 4),
        QUICK,
        Control(112.0, 40.0, closed=True, spool_duty_pct=74.0),
        Driveline(by_wire=True, mass_kg=1300.0),
        fuel="e85",
        direct=True,
        lambda_knots=(0.93, 0.86, 0.81, 0.79),
        rail_kpa=15000.0,
        altitude_m=1900.0,
    ),
    columns=(
        Column("engine_speed", "Engine speed", "rpm", 0),
        Column("pedal_position", "Pedal position", "%", 0),
        Column("throttle_position", "Throttle opening", "%", 0),
        Column("manifold_pressure", "Manifold abs pressure", "kPa", 0),
        Column("boost_target", "Boost target", "kPa", 0),
        Column("lambda", "Lambda actual", "", 3),
        Column("lambda_target", "Lambda commanded", "", 3),
        Column("intake_air_temp", "Charge temp", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
        Column("coolant_temp", "Coolant temp", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
        Column("fuel_pressure", "Rail pressure", "psi", 0, scale=PSI, noise=40.0),
        Column("exhaust_gas_temp", "Exhaust gas temp", "°F", 0, scale=F_SCALE, offset=F_OFFSET),
        Column("vehicle_speed", "Vehicle speed", "mph", 1, scale=MPH),
    ),
    logs=(LogPlan(_turns((2, 2500.0, 6500.0), 5), rest_s=8.0),),
    dialect=Dialect(units="row", clock="ms"),
    limit_kpa=170.0,
    ambient="altitude",
)

FAMILIES: dict[str, Family] = {
    spec.name: Family(spec)
    for spec in (
        _QUICK_CABLE,
        _SLOW_TYPED,
        _WIRE_CONSTANT,
        _SIX_FOLLOW,
        _MOUNTAIN_BARO,
        _MOUNTAIN_KEY,
        _BOTH_FAST,
        _FIVE_HZ,
        _ONE_PULL,
        _STEPS,
        _RESTARTS,
        _MIXED,
        _TWO_GEARS,
        _SPRING,
        _MOUNTAIN_SHORT,
    )
}
