"""The pulls of the sheets, mixture, heat and engine: one thing of each grows step by step. See tests/sheet.py."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from audit.model import FAIL, GOOD, Array, Pull
from tests.checks.conftest import rpm_ramp
from tests.checks.said import said_of
from tests.checks.sweeps_boost import CAR, box, bump, evenly, fall, few, level, pull, steps
from tests.sheet import Sweep

Made = dict[str, tuple[list[float], Callable[[float], Pull]]]
MIXTURE = ("lean_under_load", "banks_differ")


def _of(made: Made, *checks: str) -> list[Sweep]:
    return [Sweep(name, xs, said_of(make, *checks)) for name, (xs, make) in made.items()]


def lean(a: float, b: float, value: float = 0.9, usual: float = 0.78) -> Callable[[Array], Array]:
    return lambda t: box(t, a, b, value, usual)


def lifts(delay: float) -> Callable[[Array], Array]:
    """Lambda that goes to air so long after the lift at 6 s."""
    return lambda t: np.where(t > 6.0 + delay, 1.3, 0.79)


def mixture() -> list[Sweep]:
    made: Made = {
        "lean for so many s": (steps(0.03, 3.0, 26), lambda x: pull({"lambda": lean(3, 3 + x)})),
        "lean for so many s at 8 Hz": (
            steps(0.1, 3.0, 18),
            lambda x: pull({"lambda": lean(3, 3 + x)}, rate=8.0),
        ),
        "lean for so many s at 50 Hz": (
            steps(0.03, 1.2, 18),
            lambda x: pull({"lambda": lean(3, 3 + x)}, rate=50.0),
        ),
        "lean to so much": (
            evenly(0.76, 1.4, 34),
            lambda x: pull({"lambda": lean(2.6, 4.0, x)}),
        ),
        "lean to so much at once": (
            evenly(0.76, 1.4, 26),
            lambda x: pull({"lambda": lean(2.6, 2.8, x)}),
        ),
        "lean after so many s": (
            evenly(0.2, 5.9, 30),
            lambda x: pull({"lambda": lean(x, x + 0.25)}),
        ),
        "lean to the end for so many s": (
            steps(0.05, 2.0, 18),
            lambda x: pull({"lambda": lean(6 - x, 7)}),
        ),
        "lean at so many kPa": (
            steps(8.0, 180.0, 28),
            lambda x: pull({"boost": level(x), "lambda": lean(3, 4, 0.87)}),
        ),
        "lean with so much scatter": (
            steps(0.002, 0.08, 16),
            lambda x: pull({"lambda": lean(3, 3.2, 0.88)}, noise={"lambda": x}),
        ),
        "free air for so large a share": (
            evenly(0.05, 0.95, 20),
            lambda x: pull({"lambda": lambda t: box(t, 3, 3 + 2.6 * x, 1.36, 0.79)}),
        ),
        "so many samples of lambda a second": (
            steps(0.4, 40.0, 26),
            lambda x: pull(
                {"lambda": lean(3, 4.2)},
                rate=x if x > 4 else 20.0,
                every={} if x > 4 else {"lambda": round(20 / x)},
            ),
        ),
        "so few samples of lambda": (
            evenly(0, 40, 31),
            lambda x: few(round(x), "lambda", channels={"lambda": lean(2.5, 4.5)}),
        ),
        "a still lambda over so many kPa": (
            evenly(-60, 10, 14),
            lambda x: pull(
                {"lambda": 0.80, "boost": lambda t: np.where(t < 0, x, level(90)(t))},
                noise={"manifold_pressure": 0.5},
            ),
        ),
        "rich for so many s": (
            steps(0.05, 2.0, 18),
            lambda x: pull({"lambda": lean(3, 3 + x, 0.65)}),
        ),
        "rich to so much": (
            evenly(0.58, 0.80, 20),
            lambda x: pull({"lambda": lean(3, 4, x)}),
        ),
        "over its target by so much": (
            evenly(-0.05, 0.16, 26),
            lambda x: pull(
                {"lambda_target": 0.74, "lambda": lambda t: 0.74 + box(t, 3, 4, x, 0.0)}
            ),
        ),
        "over its target at once by so much": (
            evenly(0.0, 0.2, 20),
            lambda x: pull(
                {"lambda_target": 0.74, "lambda": lambda t: 0.74 + box(t, 3, 3.16, x, 0.0)}
            ),
        ),
        "a target that was leaner so many s ago": (
            steps(0.05, 1.2, 18),
            lambda x: pull(
                {
                    "lambda_target": lambda t: np.where(t < 3.0, 0.84, 0.76),
                    "lambda": lambda t: np.where(t < 3.0 + x, 0.84, 0.76),
                }
            ),
        ),
        "so few samples of its target": (
            evenly(0, 12, 13),
            lambda x: few(
                round(x),
                "lambda_target",
                channels={"lambda_target": 0.74, "lambda": lean(3, 4.5, 0.8)},
            ),
        ),
        "drifts by so much per 1000 rpm": (
            evenly(-0.03, 0.09, 26),
            lambda x: pull(
                {
                    "engine_speed": lambda t: 3000 + 500 * np.clip(t, -1, 8),
                    "lambda": lambda t: 0.85 + x * (3000 + 500 * t - 6000) / 1000,
                    "boost": level(60.0),
                }
            ),
        ),
        "drifts to so much": (
            evenly(0.74, 0.92, 20),
            lambda x: pull(
                {
                    "engine_speed": lambda t: 3000 + 500 * np.clip(t, -1, 8),
                    "lambda": lambda t: x - 0.03 * (6000 - 3000 - 500 * t) / 1000,
                    "boost": level(60.0),
                }
            ),
        ),
        "drifts over so many rpm": (
            steps(300.0, 4000.0, 20),
            lambda x: pull(
                {
                    "engine_speed": lambda t: 3000 + x * np.clip(t / 6, -0.1, 1.1),
                    "lambda": lambda t: 0.77 + 0.08 * np.clip(t / 6, 0, 1),
                    "boost": level(60.0),
                }
            ),
        ),
        "drifts for so many s": (
            steps(0.9, 7.0, 18),
            lambda x: pull(
                {"lambda": lambda t: 0.77 + 0.08 * np.clip(t / x, 0, 1), "boost": level(60, 0.2)},
                duration=x,
            ),
        ),
        "drifts with so much scatter": (
            steps(0.003, 0.1, 16),
            lambda x: pull(
                {"lambda": lambda t: 0.78 + 0.07 * np.clip(t / 6, 0, 1), "boost": level(60.0)},
                noise={"lambda": x},
            ),
        ),
        "a lean moment at so large a share of a drift": (
            evenly(0.1, 0.95, 18),
            lambda x: pull(
                {
                    "lambda": lambda t: 0.79 + 0.06 * bump(t, 6 * x, 2.5),
                    "boost": level(60.0),
                }
            ),
        ),
        "drifts over its target by so much": (
            evenly(0.0, 0.12, 16),
            lambda x: pull(
                {
                    "lambda_target": 0.76,
                    "lambda": lambda t: 0.76 + x * np.clip(t / 6, 0, 1),
                    "boost": level(60.0),
                }
            ),
        ),
        "so few rpm known while it drifts": (
            evenly(0, 14, 15),
            lambda x: few(
                round(x),
                "engine_speed",
                channels={
                    "lambda": lambda t: 0.78 + 0.07 * np.clip(t / 6, 0, 1),
                    "boost": level(60.0),
                },
            ),
        ),
        "lean over the top of so large a share": (
            evenly(0.05, 0.6, 14),
            lambda x: pull({"lambda": lambda t: np.where(t > 6 * (1 - x), 0.83, 0.78)}),
        ),
        "boost over the load for so many s": (
            steps(0.15, 3.0, 22),
            lambda x: pull({"boost": lambda t: box(t, 2, 2 + x, 80.0, 5.0), "lambda": lean(2, 6)}),
        ),
        "boost near the load by so many kPa": (
            evenly(-12, 12, 20),
            lambda x: pull(
                {
                    "boost": lambda t: np.where(t < 2, 5.0, np.where(t < 4, 60, 20.0 + x)),
                    "lambda": lean(2, 6),
                }
            ),
        ),
        "boost never over so many kPa": (
            steps(4.0, 40.0, 16),
            lambda x: pull({"boost": level(x), "lambda": lean(3, 4.5, 0.97)}),
        ),
        "boost comes in so many s": (
            evenly(0.3, 3.0, 16),
            lambda x: pull(
                {"boost": level(80, x), "lambda": lambda t: 0.98 - 0.2 * fall(t, x, 0.6)}
            ),
        ),
        "lambda so late after the lift": (
            evenly(-0.05, 0.7, 20),
            lambda x: pull({"lambda": lifts(x)}, tail_s=2.0),
        ),
        "lambda so late after the lift, lean at its end": (
            evenly(-0.05, 0.7, 20),
            lambda x: pull(
                {"lambda": lambda t: np.where(t > 6 + x, 1.3, box(t, 5.5, 6.3, 0.9, 0.79))},
                tail_s=2.0,
            ),
        ),
        "lambda after the lift goes to so much": (
            evenly(0.82, 1.1, 14),
            lambda x: pull(
                {"lambda": lambda t: np.where(t > 6.2, x, box(t, 5.6, 6.3, 0.9, 0.79))}, tail_s=2.0
            ),
        ),
        "lambda so late at 10 Hz": (
            evenly(-0.05, 0.8, 18),
            lambda x: pull({"lambda": lifts(x)}, tail_s=2.0, rate=10.0),
        ),
        "ended by a shift after so many s": (
            evenly(0, 1, 4),
            lambda x: pull(
                {"lambda": lifts(0.25)},
                tail_s=2.0,
                ended_by=["lift", "shift", "limiter", "log end"][round(3 * x)],
            ),
        ),
        "recovers within so many s after a cut": (
            steps(0.05, 2.0, 20),
            lambda x: pull(
                {
                    "injector_duty": lambda t: box(t, 2.5, 2.8, 0.0, 65.0),
                    "lambda": lambda t: np.where(
                        t < 2.7, 0.79, 0.79 + 0.5 * np.clip(1 - (t - 2.7) / x, 0, 1)
                    ),
                }
            ),
        ),
        "an injection of so large a share": (
            evenly(0.02, 0.9, 20),
            lambda x: pull(
                {
                    "injector_duty": lambda t: box(t, 2.5, 3.2, 65 * x, 65.0),
                    "lambda": lean(2.6, 3.4, 1.2),
                }
            ),
        ),
        "speed falls by so many rpm while nothing burns": (
            steps(10.0, 600.0, 20),
            lambda x: pull(
                {
                    "injector_duty": None,
                    "engine_speed": lambda t: rpm_ramp(t) - x * bump(t, 3.2, 1.0),
                    "lambda": lean(2.9, 3.8, 1.3, 0.8),
                }
            ),
        ),
        "speed falls by so many rpm": (
            steps(10.0, 600.0, 18),
            lambda x: pull(
                {
                    "injector_duty": None,
                    "engine_speed": lambda t: np.where(
                        t < 3, 3000 + 800 * t, 5400 - x * np.clip((t - 3) / 0.4, 0, 1)
                    ),
                    "lambda": lean(3.0, 3.8, 0.95, 0.8),
                }
            ),
        ),
        "stands at its limiter for so many s": (
            steps(0.08, 2.0, 18),
            lambda x: pull(
                {
                    "injector_duty": None,
                    "engine_speed": lambda t: np.minimum(3000 + 600 * t, 6600 - 600 * x),
                    "lambda": lambda t: np.where(t > 6 - x, 1.3, 0.8),
                }
            ),
        ),
        "stands at its limiter within so many rpm": (
            steps(5.0, 300.0, 16),
            lambda x: pull(
                {
                    "injector_duty": None,
                    "engine_speed": lambda t: np.where(
                        t < 5, 3000 + 700 * t, 6500 - x * np.abs(np.sin(9 * t))
                    ),
                    "lambda": lambda t: np.where(t > 5.1, 1.3, 0.8),
                },
                noise={},
            ),
        ),
        "stands at its limiter at a lambda of so much": (
            evenly(1.0, 1.4, 12),
            lambda x: pull(
                {
                    "injector_duty": None,
                    "engine_speed": lambda t: np.minimum(3000 + 700 * t, 6500),
                    "lambda": lambda t: np.where(t > 5.1, x, 0.8),
                }
            ),
        ),
        "a foot read so many times a second": (
            steps(1.0, 20.0, 10),
            lambda x: pull({"lambda": lean(5.4, 7)}, every={"throttle_position": round(20 / x)}),
        ),
        "so few samples of injection": (
            evenly(0, 12, 13),
            lambda x: few(
                round(x),
                "injector_duty",
                channels={
                    "injector_duty": lambda t: box(t, 2.5, 3.2, 5.0, 65.0),
                    "lambda": lean(2.6, 3.4, 1.2),
                },
            ),
        ),
        "banks apart by so much": (
            evenly(0.0, 0.14, 24),
            lambda x: pull({"lambda": 0.79, "lambda_2": lambda t: 0.79 + box(t, 2.5, 4, x, 0)}),
        ),
        "banks apart for so many s": (
            steps(0.05, 2.5, 20),
            lambda x: pull({"lambda": 0.79, "lambda_2": lean(2.5, 2.5 + x, 0.85, 0.79)}),
        ),
        "banks so many s apart": (
            evenly(-0.5, 0.5, 22),
            lambda x: pull(
                {
                    "lambda": lambda t: 0.79 + 0.06 * np.sin(2 * t),
                    "lambda_2": lambda t: 0.79 + 0.06 * np.sin(2 * (t - x)),
                }
            ),
        ),
        "a second bank of so few samples": (
            evenly(0, 14, 15),
            lambda x: few(round(x), "lambda_2", channels={"lambda_2": 0.86}),
        ),
        "three banks, one apart by so much": (
            evenly(-0.1, 0.1, 12),
            lambda x: pull({"lambda": 0.79, "lambda_2": 0.79, "lambda_3": 0.79 + x}),
        ),
        "more air than it should by so many per cent": (
            evenly(-20, 60, 16),
            _metered,
        ),
        "metered from so many s before": (
            steps(1.0, 28.0, 14),
            lambda x: _metered(20.0, lead_s=x),
        ),
        "metered at so many kPa": (
            evenly(-70, 60, 18),
            lambda x: _metered(20.0, before=x),
        ),
        "metered at so many kPa in the pull": (
            evenly(10, 60, 14),
            lambda x: _metered(20.0, boost=x),
        ),
        "so few samples of air": (
            evenly(0, 14, 15),
            lambda x: replace(
                p := _metered(20.0),
                sanity=replace(
                    p.sanity,
                    samples=p.sanity.samples | {"mass_air_flow": _some(p, int(x))},
                ),
            ),
        ),
    }
    return _of(made, *MIXTURE)


def _some(made: Pull, count: int) -> Array:
    """As many good samples before the pull as in it."""
    t = made.log.time - made.start_s
    out = np.full(t.shape, FAIL, dtype=np.uint8)
    for inside in (np.flatnonzero((t > 2) & (t < 6)), np.flatnonzero(t < -0.5)):
        out[inside[np.linspace(0, inside.size - 1, count).astype(int)] if count else []] = GOOD
    return out


def _metered(
    percent: float, *, lead_s: float = 12.0, before: float = -30.0, boost: float = 90.0
) -> Pull:
    """A meter that sees so many per cent more under boost; the filling goes as speed times pressure."""
    pressure = lambda t: np.where(t < 0, before, level(boost)(t))  # noqa: E731
    speed = lambda t: np.where(t < 0, 2600.0, rpm_ramp(t))  # noqa: E731
    more = lambda t: np.where(pressure(t) > 20, 1 + percent / 100, 1.0)  # noqa: E731
    return pull(
        {
            "engine_speed": speed,
            "boost": pressure,
            "intake_air_temp": lambda t: 30 + 2 * np.clip(t, 0, 6),
            "mass_air_flow": lambda t: 2e-4 * speed(t) * (pressure(t) + 100) * more(t),
        },
        noise={"manifold_pressure": 0.3},
        lead_s=lead_s,
    )


def rail(drop: Callable[[Array], Array], follows: float = 1.0, **more: Any) -> Pull:
    """A rail of 300 kPa that follows the manifold so far; less a drop, kPa."""
    boost = more.pop("boost", level(90.0))
    before = more.pop("before", lambda t: -40 + 8 * np.sin(t))
    pressure = lambda t: np.where(t < 0, before(t), boost(t))  # noqa: E731
    return pull(
        {
            "boost": pressure,
            "fuel_pressure": lambda t: 300 + follows * pressure(t) - drop(t),
            **more.pop("channels", {}),
        },
        **{"lead_s": 10.0, **more},
    )


def fuel() -> list[Sweep]:
    dip = lambda size, a=3.0, b=5.0: lambda t: box(t, a, b, size, 0.0)  # noqa: E731
    made: Made = {
        "falls by so many kPa": (steps(2.0, 200.0, 22), lambda x: rail(dip(x))),
        "falls for so many s": (steps(0.05, 2.5, 20), lambda x: rail(dip(60, 3.0, 3.0 + x))),
        "a rail that follows so far": (
            evenly(-0.2, 1.2, 22),
            lambda x: rail(dip(40), follows=x),
        ),
        "a rail that follows so far, idle still": (
            evenly(-0.2, 1.2, 22),
            lambda x: rail(dip(0), follows=x, before=lambda t: -40.0 + 0 * t),
        ),
        "off load by so many kPa": (
            evenly(-60, 20, 20),
            lambda x: rail(dip(40), before=lambda t: x + 3 * np.sin(2 * t)),
        ),
        "off load swings by so many kPa": (
            steps(1.0, 60.0, 16),
            lambda x: rail(dip(40), before=lambda t: -40 + x / 2 * np.sin(2 * t)),
        ),
        "off load with a scatter of so many kPa": (
            steps(0.5, 60.0, 16),
            lambda x: rail(dip(40), noise={"fuel_pressure": x}),
        ),
        "off load for so many s": (steps(0.1, 12.0, 20), lambda x: rail(dip(40), lead_s=x)),
        "engine speed off load of so many rpm": (
            evenly(300, 800, 11),
            lambda x: rail(
                dip(40), channels={"engine_speed": lambda t: np.where(t < 0, x, rpm_ramp(t))}
            ),
        ),
        "a regulator so many s late": (
            steps(0.05, 1.2, 16),
            lambda x: rail(lambda t: level(90)(t) - level(90)(t - x)),
        ),
        "boost of so many kPa on a rail that stands": (
            steps(5.0, 120.0, 18),
            lambda x: rail(dip(0), follows=0.0, boost=level(x), before=lambda t: 0 * t - 40),
        ),
        "a rail of so many kPa": (
            steps(150.0, 9000.0, 20),
            lambda x: pull({"fuel_pressure": lambda t: x - box(t, 3, 5, 0.15 * x, 0.0)}),
        ),
        "a direct rail falls by so many per cent": (
            steps(1.0, 60.0, 20),
            lambda x: pull({"fuel_pressure": lambda t: 12000 - 120 * box(t, 3, 5, x, 0.0)}),
        ),
        "a direct rail falls for so many s": (
            steps(0.1, 2.5, 18),
            lambda x: pull({"fuel_pressure": lambda t: 12000 - box(t, 3, 3 + x, 2400, 0.0)}),
        ),
        "a direct rail falls after so many s": (
            evenly(0.2, 3.0, 14),
            lambda x: pull({"fuel_pressure": lambda t: 12000 - box(t, x, 9, 2400, 0.0)}),
        ),
        "a rail without a manifold, falls by so many kPa": (
            steps(3.0, 200.0, 16),
            lambda x: pull(
                {"boost": None, "fuel_pressure": lambda t: 380 - box(t, 3, 5, x, 0.0)}, lead_s=8.0
            ),
        ),
        "so few samples of a rail": (
            evenly(0, 14, 15),
            lambda x: few(
                round(x), "fuel_pressure", channels={"fuel_pressure": lambda t: 390 - 5 * t}
            ),
        ),
        "so few samples of a direct rail": (
            evenly(0, 14, 15),
            lambda x: few(
                round(x), "fuel_pressure", channels={"fuel_pressure": lambda t: 12000 - 300 * t}
            ),
        ),
        "so few samples off load": (
            evenly(0, 14, 15),
            lambda x: replace(
                p := rail(dip(40)),
                sanity=replace(
                    p.sanity,
                    samples=p.sanity.samples
                    | {
                        "fuel_pressure": np.where(
                            (p.log.time >= p.start_s) | (np.arange(p.log.rows) < 10 * x),
                            np.where(np.arange(p.log.rows) % 10 == 0, GOOD, FAIL)
                            if x < 14
                            else GOOD,
                            FAIL,
                        ).astype(np.uint8)
                    },
                ),
            ),
        ),
        "injectors at so many per cent": (
            evenly(70, 140, 24),
            lambda x: pull({"injector_duty": lambda t: box(t, 4, 5, x, 60.0)}),
        ),
        "injectors at their end for so many s": (
            steps(0.02, 1.0, 16),
            lambda x: pull({"injector_duty": lambda t: box(t, 4, 4 + x, 96.0, 60.0)}, rate=50.0),
        ),
        "a car's own limit of so many per cent": (
            evenly(80, 99, 14),
            lambda x: pull(
                {"injector_duty": lambda t: box(t, 4, 5, 94.0, 60.0)},
                car=replace(CAR, injector_duty_limit_pct=x),
            ),
        ),
        "a pulse of so many ms": (
            evenly(10, 28, 20),
            lambda x: pull(
                {"injector_duty": None, "injector_pulse_width": lambda t: box(t, 4, 5, x, 8.0)}
            ),
        ),
        "so few samples of a pulse": (
            evenly(0, 8, 9),
            lambda x: few(
                round(x),
                "injector_pulse_width",
                channels={"injector_duty": None, "injector_pulse_width": 17.0},
            ),
        ),
        "so few samples of duty": (
            evenly(0, 8, 9),
            lambda x: few(round(x), "injector_duty", channels={"injector_duty": 97.0}),
        ),
        "injection of so large a share for a cut": (
            evenly(0.0, 0.6, 20),
            lambda x: cut(share=x),
        ),
        "a cut of so many s": (steps(0.03, 1.5, 20), lambda x: cut(for_s=x)),
        "a cut of so many s at 50 Hz": (steps(0.02, 0.6, 16), lambda x: cut(for_s=x, rate=50.0)),
        "a cut after so many s": (evenly(0.0, 7.2, 30), lambda x: cut(at=x)),
        "a second cut so many s later": (
            steps(0.1, 2.5, 18),
            lambda x: cut(
                channels={
                    "injector_duty": lambda t: np.where(
                        ((t >= 2) & (t < 2.15)) | ((t >= 2.15 + x) & (t < 2.35 + x)), 0.0, 65.0
                    )
                }
            ),
        ),
        "a cut by lambda alone to so much": (
            evenly(0.85, 1.5, 22),
            lambda x: cut(lean=x, channels={"injector_duty": None}),
        ),
        "a cut by lambda alone that costs so many rpm/s": (
            evenly(-400, 1500, 22),
            lambda x: cut(lean=1.35, slows=x, channels={"injector_duty": None}),
        ),
        "a cut by lambda alone that costs so large a share of boost": (
            evenly(0.0, 0.2, 16),
            lambda x: cut(
                lean=1.35,
                slows=0.0,
                channels={
                    "injector_duty": None,
                    "boost": lambda t: level(90)(t) * (1 - x * box(t, 3.0, 3.6, 1.0, 0.0)),
                },
            ),
        ),
        "a cut by lambda so late": (
            evenly(-0.2, 0.8, 22),
            lambda x: cut(lean=1.35, lag=x, slows=900.0, channels={"injector_duty": None}),
        ),
        "shut injectors and lambda so late": (
            evenly(-0.3, 0.8, 22),
            lambda x: cut(lean=1.35, lag=x, slows=0.0, for_s=0.06),
        ),
        "a cut while it climbs by so many rpm/s": (
            steps(30.0, 1500.0, 20),
            lambda x: cut(
                lean=1.35,
                slows=0.9 * x,
                channels={"injector_duty": None},
                climbs=x,
            ),
        ),
        "lambda climbs to a cut within so many s": (
            steps(0.03, 1.5, 16),
            lambda x: cut(
                slows=900.0,
                channels={
                    "injector_duty": None,
                    "lambda": lambda t: np.where(
                        t > 4.0, 0.79, 0.79 + 0.56 * np.clip((t - 3.1) / x, 0, 1)
                    ),
                },
            ),
        ),
        "a cut at so large a share of the top speed": (
            evenly(0.7, 1.0, 22),
            lambda x: cut(
                at=3.0,
                channels={
                    "engine_speed": lambda t: np.where(
                        t < -1, 7000.0, np.minimum(7000 * x - 700 * (3 - t), 7000 * x)
                    )
                },
                noise={},
            ),
        ),
        "a cut at so large a share of the car's limit": (
            evenly(0.8, 1.05, 20),
            lambda x: cut(at=5.0, car=replace(CAR, engine_limit_rpm=6100.0 / x)),
        ),
        "a pull that goes on by so large a share after a cut": (
            evenly(0.98, 1.1, 16),
            lambda x: cut(
                at=3.0,
                channels={
                    "engine_speed": lambda t: np.where(
                        t < 3, 3000 + 1000 * t, 6000 + (x - 1) * 6000 * np.clip(t - 3.3, 0, 1)
                    )
                },
            ),
        ),
        "a foot lifted so many s after a cut": (
            evenly(-0.6, 0.8, 20),
            lambda x: cut(
                at=4.0, channels={"throttle_position": lambda t: box(t, 0, 4.0 + x, 100.0, 5.0)}
            ),
        ),
        "a foot lifted to so many per cent at a cut": (
            evenly(60, 100, 12),
            lambda x: cut(
                at=4.0, channels={"throttle_position": lambda t: box(t, 0, 3.9, 100.0, x)}
            ),
        ),
        "so few samples of the foot at a cut": (
            evenly(0, 6, 7),
            lambda x: few(
                round(x),
                "throttle_position",
                channels={"injector_duty": lambda t: box(t, 3, 3.5, 0.0, 65.0)},
            ),
        ),
    }
    return _of(made, "fuel_supply", "fuel_cut")


def cut(
    *,
    at: float = 3.0,
    for_s: float = 0.3,
    share: float = 0.0,
    lean: float | None = None,
    lag: float = 0.15,
    slows: float = 500.0,
    climbs: float = 600.0,
    channels: dict[str, Any] | None = None,
    **more: Any,
) -> Pull:
    """No injection at a time for so long; lambda goes lean after the lag; speed loses so many rpm/s."""
    speed = lambda t: 3000 + climbs * np.clip(t, -2, 8) - slows * np.clip(t - at, 0, for_s)  # noqa: E731
    shapes: dict[str, Any] = {
        "engine_speed": speed,
        "injector_duty": lambda t: np.where((t >= at) & (t < at + for_s - 1e-6), 65 * share, 65.0),
    }
    if lean is not None:
        shapes["lambda"] = lambda t: box(t, at + lag, at + lag + for_s, lean, 0.79)
    return pull(shapes | (channels or {}), **{"tail_s": 2.5, **more})
