"""The logs of the sheets: what is wrong with a channel grows step by step. See tests/sheet.py."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from audit.model import Array, Car, Log, Note
from audit.sanity.examine import examine
from tests.checks.sweeps_boost import evenly, steps
from tests.sanity.conftest import make_log, ramp
from tests.sheet import Figures, Sweep, of_finding, rounded

QUICK = ("manifold_pressure", "engine_speed", "lambda", "throttle_position", "battery_voltage")
SLOW = ("intake_air_temp", "coolant_temp")
TWICE = lambda t: ramp(  # noqa: E731 - a second pull, 44 to 50 s
    t, (0, 0), (44, 0), (44.1, 1), (50, 1), (50.2, 0), (99, 0)
)


def said(log: Log, car: Car | None = None) -> Figures:
    sanity = examine(log, car or Car())
    out: Figures = {}
    for name, tests in sanity.tests.items():
        told = " ".join(f"{test}{flag}" for test, flag in tests.items() if flag != 1)
        flags = sanity.samples.get(name)
        if flags is not None and (flags != 1).any():
            counts = np.bincount(flags, minlength=10)
            rows = np.flatnonzero(flags != 1)
            told += f" {' '.join(map(str, counts[[2, 3, 4, 9]]))} at {rows[0]} {rows[-1]}"
        out[name] = told.strip()
        out[f"noise {name}"] = rounded(sanity.noise.get(name))
    for finding in sanity.findings:
        out[f"{finding.code} {finding.channel}"] = of_finding(finding)
    return {k: v for k, v in out.items() if v not in (None, "")}


def full(change: dict[str, Any] | None = None, **more: Any) -> Log:
    """A drive with two pulls in it, and with those further channels that are changed."""
    again = {
        "throttle_position": lambda t, v: np.where(TWICE(t) > 0.5, 100.0, v),
        "manifold_pressure": lambda t, v: v + 130 * TWICE(t),
        "engine_speed": lambda t, v: v + 350 * np.clip(t - 44, 0, 6) * (TWICE(t) > 0.5),
        "lambda": lambda t, v: np.where(TWICE(t) > 0.5, 0.8 + 0.004 * np.sin(40 * t), v),
        "oil_pressure": lambda t, v: np.where(
            t < 3.2,
            0,
            120
            + 0.05
            * ramp(t, (0, 0), (4, 900), (20, 2600), (30, 2800), (36, 6600), (41, 2500), (99, 2500))
            + 3 * np.sin(17 * t),
        ),
        "fuel_pressure": lambda t, v: np.where(t < 2.8, 0, 300 + 2 * np.sin(23 * t)),
        "injector_duty": lambda t, v: np.where(
            t < 3.2,
            0,
            5
            + 60 * ramp(t, (0, 0), (29.9, 0), (30.3, 1), (36, 1), (36.2, 0), (99, 0))
            + 0.3 * np.sin(31 * t),
        ),
        "knock_retard": lambda t, v: np.maximum(0, np.sin(3 * t) - 0.7),
        "exhaust_gas_temp": lambda t, v: (
            420 + 8 * ramp(t, (0, 0), (30, 10), (36, 45), (50, 15), (99, 10)) + np.sin(5 * t)
        ),
    }
    wanted = {*QUICK, *SLOW, *(change or {}), *more.pop("with_", ())}
    every: dict[str, Any] = {name: how for name, how in again.items() if name in wanted}
    for name, how in (change or {}).items():
        before = every.get(name)
        every[name] = (
            (lambda t, v, a=before, b=how: b(t, a(t, v))) if before and how is not None else how
        )
    return make_log(**{"rate": 10.0, "change": every, "seed": 4, **more})


def at(where: float, width: float, value: Callable[[Array], Array] | float) -> Any:
    """Replace the values of a stretch."""

    def how(t: Array, v: Array) -> Array:
        inside = (t >= where - 1e-6) & (t < where + width - 1e-6)
        return np.where(inside, value(v) if callable(value) else value, v)

    return how


def frozen(where: float, width: float) -> Any:
    def how(t: Array, v: Array) -> Array:
        inside = (t >= where - 1e-6) & (t <= where + width + 1e-6)
        return np.where(inside, v[np.argmax(inside)], v)

    return how


def train(
    count: int,
    first: float,
    apart: float,
    value: Callable[[Array], Array] | float,
    rate: float = 10.0,
) -> Any:
    def how(t: Array, v: Array) -> Array:
        out = v.copy()
        for i in range(count):
            row = int(round((first + i * apart) * rate))
            out[row] = (value(v) if callable(value) else np.full_like(v, value))[row]
        return out

    return how


SIZE = {
    "manifold_pressure": (4.0, 160.0),
    "engine_speed": (200.0, 6000.0),
    "lambda": (0.04, 0.9),
    "throttle_position": (5.0, 95.0),
    "battery_voltage": (0.5, 9.0),
    "intake_air_temp": (1.0, 80.0),
    "vehicle_speed": (4.0, 120.0),
    "oil_pressure": (20.0, 300.0),
    "fuel_pressure": (20.0, 400.0),
}


def _by_channel() -> dict[str, tuple[list[float], Callable[[float], Figures]]]:
    out: dict[str, tuple[list[float], Callable[[float], Figures]]] = {}
    for name, (low, high) in SIZE.items():
        sign = -1 if name in ("throttle_position", "oil_pressure", "fuel_pressure") else 1
        out[f"{name}: a sample off by so much in the pull"] = (
            steps(low, high, 9),
            lambda x, n=name, s=sign: said(full({n: at(33.0, 0.1, lambda v: v + s * x)})),
        )
        out[f"{name}: two samples up by so much at 50 Hz"] = (
            steps(low, high, 4),
            lambda x, n=name: said(
                full({n: at(33.0, 0.04, lambda v: v + x)}, rate=50.0, length_s=42.0)
            ),
        )
        out[f"{name}: reads zero for so many s"] = (
            steps(0.1, 14.0, 7),
            lambda x, n=name: said(full({n: at(32.0, x, 0.0)})),
        )
        out[f"{name}: stands for so many s in the pull"] = (
            steps(0.4, 7.0, 7),
            lambda x, n=name: said(full({n: frozen(30.5, x)})),
        )
        out[f"{name}: stands for so many s from cruise on"] = (
            steps(2.0, 45.0, 7),
            lambda x, n=name: said(full({n: frozen(16.0, x)})),
        )
        out[f"{name}: blank for so many s"] = (
            steps(0.2, 20.0, 5),
            lambda x, n=name: said(full({n: at(32.0, x, np.nan)})),
        )
        out[f"{name}: so many glitches"] = (
            evenly(1, 10, 4),
            lambda x, n=name, h=high: said(
                full({n: train(int(x), 31.0, 0.6, lambda v: v - 0.6 * h)})
            ),
        )
        out[f"{name}: beyond its range by so many steps of its size"] = (
            evenly(-10, 30, 5),
            lambda x, n=name, h=high: said(full({n: at(32.0, 2.0, lambda v: v + x * h / 4)})),
        )
    for name in ("manifold_pressure", "intake_air_temp", "lambda", "oil_pressure"):
        out[f"{name}: moves by so much a second"] = (
            steps(0.02, 3.0, 8),
            lambda x, n=name: said(
                full({n: lambda t, v: v + x * SIZE[n][1] * np.clip(t - 50, 0, 2)})
            ),
        )
        out[f"{name}: away and back for so many s"] = (
            steps(0.2, 25.0, 8),
            lambda x, n=name: said(full({n: at(41.0, x, lambda v: v + 0.5 * SIZE[n][1])})),
        )
        out[f"{name}: in steps of so much"] = (
            steps(0.002, 0.3, 8),
            lambda x, n=name: said(
                full({n: lambda t, v: np.round(v / (x * SIZE[n][1])) * x * SIZE[n][1]})
            ),
        )
        out[f"{name}: coarse, stands for so many s"] = (
            steps(0.5, 9.0, 10),
            lambda x, n=name: said(full({n: frozen(30.5, x)}, coarse=True)),
        )
        out[f"{name}: every so many rows, stands"] = (
            evenly(1, 12, 6),
            lambda x, n=name: said(full({n: frozen(30.5, 5)}, every={n: int(x)})),
        )
        out[f"{name}: stands in the second pull for so many s"] = (
            steps(0.4, 7.0, 7),
            lambda x, n=name: said(full({n: frozen(44.3, x)})),
        )
        out[f"{name}: noise of so many times its own"] = (
            steps(0.05, 6.0, 8),
            lambda x, n=name: said(full({n: frozen(31, 3)}, noise=x)),
        )
    return out


def _others() -> dict[str, tuple[list[float], Callable[[float], Figures]]]:
    rest = lambda kpa: lambda t, v: np.where(t < 3.0, kpa, v)  # noqa: E731
    geared = Car(gear_ratios=(3.5, 2.0, 1.4), final_drive=4.0, circumference_m=1.9)
    second = lambda name, off: {name + "_2": lambda t, v: off + _drive(name, t)}  # noqa: E731
    return {
        "manifold pressure at rest of so many kPa": (
            evenly(20, 125, 24), lambda x: said(full({"manifold_pressure": rest(x)}))),
        "no ambient sensor, an altitude, at rest of so many kPa": (
            evenly(80, 125, 20),
            lambda x: said(full({"manifold_pressure": rest(x), "barometric_pressure": None}), Car(altitude_m=200.0))),
        "at rest it moves by so many kPa": (
            steps(0.5, 20.0, 10),
            lambda x: said(full({"manifold_pressure": lambda t, v: np.where(t < 3, 85 + x * np.sin(9 * t), v)}))),
        "at rest for so many s": (
            evenly(0.2, 3.0, 12),
            lambda x: said(full({"engine_speed": lambda t, v: np.where(t < 3 - x, 800, v), "manifold_pressure": rest(88.0)}))),
        "the throttle reads so many per cent under boost": (
            evenly(0, 100, 16), lambda x: said(full({"throttle_position": at(31, 4, x)}))),
        "the throttle reads shut under boost for so many s": (
            steps(0.3, 5.0, 14), lambda x: said(full({"throttle_position": at(31, x, 3.0)}))),
        "the throttle reads shut at so many kPa": (
            evenly(90, 200, 14),
            lambda x: said(full({"throttle_position": at(31, 4, 3.0), "manifold_pressure": at(31, 4, x)}))),
        "the throttle reads wide open at so many kPa": (
            evenly(20, 100, 18),
            lambda x: said(full({"throttle_position": at(50, 5, 95.0), "manifold_pressure": at(50, 5, x)}))),
        "the throttle reads so many per cent in a vacuum": (
            evenly(60, 100, 12),
            lambda x: said(full({"throttle_position": at(50, 5, x), "manifold_pressure": at(50, 5, 40.0)}))),
        "the engine at so many rpm with a throttle wide open in a vacuum": (
            evenly(800, 2400, 10),
            lambda x: said(full({"throttle_position": at(50, 5, 95.0), "manifold_pressure": at(50, 5, 40.0),
                                 "engine_speed": at(48, 9, x)}))),
        "a cold start, intake of so many °C": (
            evenly(-30, 70, 24),
            lambda x: said(full({"intake_air_temp": lambda t, v: np.where(t < 4, x, v), "coolant_temp": lambda t, v: v - 58}))),
        "a start, coolant of so many °C": (
            evenly(-20, 90, 20),
            lambda x: said(full({"coolant_temp": lambda t, v: v - 80 + x, "intake_air_temp": lambda t, v: v + 32}))),
        "colder than outside by so many K": (
            evenly(-5, 25, 16), lambda x: said(full({"ambient_air_temp": lambda t, v: 26 + x + 0 * t}))),
        "colder than outside in a log of so many s": (
            steps(5.0, 60.0, 8), lambda x: said(full({"ambient_air_temp": lambda t, v: 45 + 0 * t}, length_s=x))),
        "gears off by so large a share": (
            evenly(0.8, 1.25, 24),
            lambda x: said(full({"vehicle_speed": lambda t, v: x * _drive("engine_speed", t) / 49.12 * (v > 0)}), geared)),
        "gears off for so many s": (
            evenly(18, 60, 12),
            lambda x: said(full({"vehicle_speed": lambda t, v: np.where(t < x, 0.84, 1) * _drive("engine_speed", t) / 49.12 * (v > 0)}), geared)),
        "a second manifold sensor off by so many kPa": (
            evenly(-20, 20, 18), lambda x: said(full(second("manifold_pressure", x)))),
        "a second intake sensor off by so many K": (
            evenly(-30, 30, 18), lambda x: said(full(second("intake_air_temp", x)))),
        "a second coolant sensor off by so many K": (
            evenly(-30, 30, 12), lambda x: said(full(second("coolant_temp", x)))),
        "a second throttle off by so many per cent": (
            evenly(-12, 12, 10), lambda x: said(full(second("throttle_position", x)))),
        "a second sensor every so many rows": (
            evenly(1, 40, 8), lambda x: said(full(second("manifold_pressure", 15.0), every={"manifold_pressure_2": int(x)}))),
        "lambda stands at so much under load": (
            evenly(0.9, 1.4, 18), lambda x: said(full({"lambda": at(31, 4, x)}))),
        "lambda never over so much": (
            evenly(0.7, 1.4, 12), lambda x: said(full({"lambda": lambda t, v: np.minimum(v, x)}))),
        "lambda at its lean end for so many s": (
            steps(0.1, 5.0, 14), lambda x: said(full({"lambda": at(31.2, x, 1.36)}))),
        "lambda at its lean end so many s after the throttle opened": (
            evenly(-1.0, 4.0, 14), lambda x: said(full({"lambda": at(30 + x, 1.0, 1.36)}))),
        "lambda at its lean end for so large a share": (
            evenly(0.5, 1.0, 12), lambda x: said(full({"lambda": lambda t, v: np.where(t < 60 * x, 1.36, v)}))),
        "lambda at its rich end of so much": (
            evenly(0.5, 0.75, 12), lambda x: said(full({"lambda": lambda t, v: np.where((t > 42) & (t < 46), x, np.maximum(v, x))}))),
        "lambda cold for so many s": (
            steps(1.0, 50.0, 14), lambda x: said(full({"lambda": lambda t, v: np.where(t < 3 + x, 0.6, v)}))),
        "lambda cold from so many s on": (
            evenly(0, 8, 10), lambda x: said(full({"lambda": at(3 + x, 4.0, 1.36)}))),
        "lambda cold at so much": (
            evenly(0.6, 1.36, 12), lambda x: said(full({"lambda": lambda t, v: np.where(t < 8, x, v)}))),
        "lambda at its lean end at the limiter of so many rpm": (
            evenly(5800, 6600, 10), lambda x: said(full({"lambda": at(34.5, 1.3, 1.36), "engine_speed": lambda t, v: np.minimum(v, x)}))),
        "a source zero of so many °C for 1 s": (
            evenly(-40, 40, 10),
            lambda x: said(full({"intake_air_temp": at(32, 1, x), "coolant_temp": at(46, 1, x)},
                                channel={"intake_air_temp": {"offset": x}, "coolant_temp": {"offset": x}}))),
        "a source zero of so many kPa": (
            evenly(0, 110, 12),
            lambda x: said(full({"manifold_pressure": at(33, 0.5, x)}, channel={"manifold_pressure": {"offset": x}}))),
        "a source zero as the throttle moves by so many per cent": (
            evenly(0, 40, 10),
            lambda x: said(full({"manifold_pressure": at(33, 0.5, 100.0), "throttle_position": at(32.6, 0.4, 100 - x)},
                                channel={"manifold_pressure": {"offset": 100.0}}))),
        "nothing but so much": (
            evenly(0, 3, 4),
            lambda x: said(full({n: lambda t, v: 0 * t + 40 * x for n in ("fuel_pressure", "oil_pressure", "exhaust_gas_temp")}))),
        "a car without the sensor": (
            evenly(0, 1, 2),
            lambda x: said(full({"exhaust_gas_temp": lambda t, v: 0 * t}), Car(not_fitted=("exhaust_gas_temp",) if x else ()))),
        "rows missing for so many s": (
            steps(0.1, 8.0, 16), lambda x: said(full(drop_rows=lambda t: (t > 33) & (t < 33 + x)))),
        "a break after so many s": (
            evenly(5, 50, 5), lambda x: said(full(breaks=(int(10 * x),), drop_rows=lambda t: (t > x) & (t < x + 3)))),
        "rows a second": (steps(0.3, 50.0, 14), lambda x: said(full(rate=x))),
        "boost every so many rows": (evenly(1, 30, 14), lambda x: said(full(every={"manifold_pressure": int(x)}))),
        "lambda every so many rows": (evenly(1, 30, 10), lambda x: said(full(every={"lambda": int(x)}))),
        "all so slow": (evenly(1, 40, 10), lambda x: said(full(every={n: int(x) for n in (*QUICK, *SLOW)}))),
        "without a channel": (
            evenly(0, 9, 10),
            lambda x: said(full({[*QUICK, *SLOW, "vehicle_speed", "barometric_pressure", "oil_pressure"][int(x)]: None}))),
        "without throttle, boost fails for so many s": (
            steps(0.2, 6.0, 8),
            lambda x: said(full({"throttle_position": None, "manifold_pressure": at(50, x, 0.0)}))),
        "a pedal in its place, frozen for so many s": (
            steps(0.5, 12.0, 8),
            lambda x: said(full({"throttle_position": None, "pedal_position": lambda t, v: frozen(26, x)(t, _drive("throttle_position", t))}))),
        "doubtful": (
            evenly(0, 3, 4),
            lambda x: said(full(channel={n: {"doubtful": True, "runner_up": "psi"} for n in (*QUICK, *SLOW)[2 * int(x): 2 * int(x) + 2]}))),
        "shared glitches so many s apart": (
            evenly(0.0, 0.4, 9),
            lambda x: said(full({"battery_voltage": train(4, 31, 1.0, 4.0), "intake_air_temp": train(4, 31 + x, 1.0, -30.0),
                                 "lambda": train(4, 31, 1.0, 0.4)}))),
        "so many shared glitches": (
            evenly(0, 6, 7),
            lambda x: said(full({"battery_voltage": train(int(x), 31, 0.7, 4.0), "coolant_temp": train(int(x), 31, 0.7, -30.0)}))),
        "a sensor's top of so many kPa": (
            evenly(180, 200, 14),
            lambda x: said(full({"manifold_pressure": lambda t, v: np.minimum(v, 190.0)}), Car(sensor_top_kpa=x))),
        "a log of so many rows": (evenly(1, 40, 20), lambda x: said(full(length_s=x / 10))),
        "a broken clock, notes": (
            evenly(0, 2, 3),
            lambda x: said(full(notes=[(), (Note("The clock jumped.", 3, 2, "sensor.clock", 4.0, 4.0),),
                                       (Note("Rows are missing.", 3, 1, "sensor.gap", 4.0, 9.0),)][int(x)]))),
        "rail of so many °C": (
            evenly(-45, 220, 14), lambda x: said(full({"intake_air_temp": at(31, 2, x), "exhaust_gas_temp": at(31, 2, 8 * x)}))),
        "the oil's relief at so many kPa": (
            evenly(200, 500, 10),
            lambda x: said(full({"oil_pressure": lambda t, v: np.round(np.minimum(v, x) / 5) * 5}))),
        "the oil's relief read in steps of so many kPa": (
            steps(1.0, 30.0, 10),
            lambda x: said(full({"oil_pressure": lambda t, v: np.round(np.minimum(v, 350) / x) * x}))),
        "never came to life, with a flicker of so much": (
            steps(0.002, 1.0, 14),
            lambda x: said(full({"exhaust_gas_temp": lambda t, v: 500 + 20 * x * np.sin(3 * t),
                                 "intake_air_temp": lambda t, v: 30 + 4 * x * np.sin(3 * t)}))),
        "held between samples": (
            evenly(1, 12, 6),
            lambda x: said(full({"intake_air_temp": lambda t, v: v[(np.arange(len(v)) // int(x)) * int(x)]},
                                channel={"intake_air_temp": {"held": True, "rate_hz": 10 / x}}))),
    }  # fmt: skip


def _drive(name: str, t: Array) -> Array:
    from tests.sanity.conftest import drive

    value = drive(t)[name]
    if name == "manifold_pressure":
        return value + 130 * TWICE(t)
    return value


def _stands() -> dict[str, tuple[list[float], Callable[[float], Figures]]]:
    """What must have moved a channel that stands."""
    pull_of = lambda a, b, rpm=True: {  # noqa: E731 - the second pull lasts from a to b
        "throttle_position": lambda t, v: np.where(
            t > 43, np.where((t > a) & (t < b), 100.0, 16), v
        )
    }
    steady = {"manifold_pressure": lambda t, v: np.where(t > 15, 60 + 0.3 * np.sin(9 * t), v)}
    stairs = lambda k, a=44.0, b=50.0: (
        lambda t, v: np.where(  # noqa: E731 - so many levels in b - a
            t < 41, 25.0, 25.0 + np.round(k * np.clip((t - a) / (b - a), 0, 1))
        )
    )
    return {
        "a throttle stands while the manifold swings by so many kPa": (
            evenly(10, 130, 20),
            lambda x: said(full({"throttle_position": at(26, 12, 40.0),
                                 "manifold_pressure": lambda t, v: np.where(t > 15, 60 + np.minimum(v - 60, x), v)})),
        ),
        "a throttle stands at so many per cent": (
            evenly(20, 100, 20), lambda x: said(full({"throttle_position": at(26, 12, x)}))),
        "a throttle stands for so many s before boost": (
            evenly(0.2, 3.0, 12), lambda x: said(full({"throttle_position": at(31 - x, x + 0.6, 40.0)}))),
        "a throttle stands while boost is so many kPa": (
            evenly(0, 60, 16),
            lambda x: said(full({"throttle_position": at(26, 12, 40.0),
                                 "manifold_pressure": lambda t, v: np.where((t > 26) & (t < 38), 99 + x - 70 * (t < 30), v)})),
        ),
        "intake stands through so many s of boost": (
            steps(0.8, 20.0, 18),
            lambda x: said(full({"intake_air_temp": frozen(18, 40),
                                 "manifold_pressure": lambda t, v: np.where(t > 15, np.where((t > 30) & (t < 30 + x), 160.0, 60), v)})),
        ),
        "intake stands through boost of so many kPa": (
            evenly(10, 50, 14),
            lambda x: said(full({"intake_air_temp": frozen(18, 40),
                                 "manifold_pressure": lambda t, v: np.where(t > 15, np.where((t > 30) & (t < 42), 99 + x, 60), v)})),
        ),
        "intake in steps of so many K stands through boost": (
            steps(0.3, 6.0, 12),
            lambda x: said(full({"intake_air_temp": lambda t, v: np.where((t > 18) & (t < 42), 24 * x, np.round(v) * x),
                                 "manifold_pressure": lambda t, v: np.where((t > 26) & (t < 38), 160.0, v)})),
        ),
        "intake stands for so many s": (
            steps(2.0, 60.0, 14), lambda x: said(full({"intake_air_temp": frozen(29, x)}, length_s=100.0))),
        "a throttle swings by so many per cent while rpm stands": (
            evenly(5, 60, 14),
            lambda x: said(full({"engine_speed": frozen(50.5, 9),
                                 "throttle_position": lambda t, v: np.where((t > 53) & (t < 56), 16 + x, v)})),
        ),
        "a throttle swings for so many s while rpm stands": (
            steps(0.1, 4.0, 14),
            lambda x: said(full({"engine_speed": frozen(50.5, 9),
                                 "throttle_position": lambda t, v: np.where((t > 53) & (t < 53 + x), 70.0, v)})),
        ),
        "a throttle swings so many s into a stand": (
            evenly(-1.0, 2.0, 12),
            lambda x: said(full({"manifold_pressure": frozen(52, 7),
                                 "throttle_position": lambda t, v: np.where((t > 52 + x) & (t < 54.5 + x), 70.0, v)})),
        ),
        "no throttle, the manifold swings by so many kPa while rpm stands": (
            evenly(20, 120, 14),
            lambda x: said(full({"throttle_position": None, "engine_speed": frozen(50.5, 9),
                                 "manifold_pressure": lambda t, v: np.where((t > 53) & (t < 56), 60 + x, v)})),
        ),
        "no throttle, rpm goes to so many times while the manifold stands": (
            evenly(1.1, 3.0, 16),
            lambda x: said(full({"throttle_position": None, "manifold_pressure": frozen(50.5, 9),
                                 "engine_speed": lambda t, v: np.where((t > 53) & (t < 56), 1500 * x, np.where(t > 50, 1500, v))})),
        ),
        "oil stands while rpm goes from so many": (
            evenly(700, 2200, 16),
            lambda x: said(full({"oil_pressure": frozen(50.5, 9), "throttle_position": lambda t, v: np.minimum(v, 20),
                                 "engine_speed": lambda t, v: np.where((t > 53) & (t < 56), 3800, np.where(t > 50, x, v))})),
        ),
        "oil stands while rpm goes to so many times": (
            evenly(1.2, 3.5, 14),
            lambda x: said(full({"oil_pressure": frozen(50.5, 9),
                                 "engine_speed": lambda t, v: np.where((t > 53) & (t < 56), 900 * x, np.where(t > 50, 900, v))})),
        ),
        "lively, something moves by so much": (
            steps(0.05, 3.0, 14),
            lambda x: said(full({"coolant_temp": lambda t, v: np.where((t > 44) & (t < 56), 84.0, np.round(v + 0.8 * np.sin(31 * t), 1)),
                                 "throttle_position": lambda t, v: np.where(t > 42, 16 + 10 * x * (t > 50), v),
                                 "engine_speed": lambda t, v: np.where(t > 42, 2500 + 300 * x * (t > 50), v), **steady})),
        ),
        "lively, stands for so many samples": (
            evenly(4, 80, 16),
            lambda x: said(full({"coolant_temp": lambda t, v: np.where((t > 31) & (t < 31 + x / 10), 84.0, np.round(v + 0.8 * np.sin(31 * t), 1))})),
        ),
        "lively by so much": (
            steps(0.1, 3.0, 12),
            lambda x: said(full({"coolant_temp": lambda t, v: np.where((t > 30) & (t < 36), 84.0, np.round(v + x * np.sin(31 * t)))})),
        ),
        "stands through a pull and leaps by so many steps": (
            evenly(0, 8, 9),
            lambda x: said(full({"intake_air_temp": lambda t, v: np.where(t < 37, 25.0, 25 + x + np.round(np.clip(t - 40, 0, 3)))})),
        ),
        "stands through so large a share of a pull and leaps": (
            evenly(0.3, 1.2, 14),
            lambda x: said(full({"intake_air_temp": lambda t, v: np.where(t < 29, 24 + np.round(t / 8), np.where(t < 30 + 6 * x, 27.0, 34 + np.round((t - 30) / 8)))})),
        ),
        "stands so long elsewhere and leaps": (
            steps(1.0, 12.0, 10),
            lambda x: said(full({"intake_air_temp": lambda t, v: np.where(t < 30, 25.0 + np.round(t / 9), np.where(t < 37, 29.0, np.where(t < 37 + x, 36, 42)))})),
        ),
        "stands through a pull that others move by so many levels": (
            evenly(0, 8, 9),
            lambda x: said(full({"coolant_temp": lambda t, v: stairs(x)(t, v) + 60})),
        ),
        "stands through a pull, another lasts for so many s": (
            evenly(2, 14, 13),
            lambda x: said(full({"coolant_temp": lambda t, v: stairs(5, 44, 44 + x)(t, v) + 60, **pull_of(44.0, 44 + x)}, length_s=70.0)),
        ),
        "stands from so many s before the throttle opens": (
            evenly(-0.5, 0.8, 14), lambda x: said(full({"manifold_pressure": frozen(30 - x, 1.4 + x)}))),
        "stands until so many s after the throttle opens": (
            evenly(0.4, 2.5, 14), lambda x: said(full({n: frozen(29.5, 0.5 + x) for n in ("manifold_pressure", "lambda", "engine_speed")}))),
        "lambda stands at so much in the pull": (
            evenly(0.7, 1.36, 12), lambda x: said(full({"lambda": lambda t, v: np.where((t > 30.6) & (t < 34), x, np.minimum(v, x))}))),
        "a sensor that stays, but for a flicker, off load for so many s": (
            steps(1.0, 25.0, 12),
            lambda x: said(full({"exhaust_gas_temp": lambda t, v: 500 + 0.4 * (np.floor(t * 2) % 2),
                                 "throttle_position": lambda t, v: np.where(t > 3 + x, 90.0, v),
                                 "engine_speed": lambda t, v: np.where(t > 3 + x, 3000, v)})),
        ),
        "repeats itself so often elsewhere": (
            evenly(1, 12, 12),
            lambda x: said(full({"fuel_pressure": lambda t, v: np.where((t > 31) & (t < 33), 300.0, np.round(v + 4 * np.sin(np.floor(t * 10 / x) * 1.7), 2))})),
        ),
        "repeats itself so often in other pulls, coarse": (
            evenly(1, 20, 12),
            lambda x: said(full({"fuel_pressure": lambda t, v: np.where((t > 30) & (t < 36), 300.0, 300 + 10 * np.round(2 * np.sin(np.floor(t * 10 / x) * 1.7)))})),
        ),
    }  # fmt: skip


def sensors() -> list[Sweep]:
    every = _by_channel() | _others() | _stands()
    return [Sweep(name, xs, told) for name, (xs, told) in every.items()]


SHEETS = {Path(__file__).parent / "kept" / "sensors.json": sensors}
