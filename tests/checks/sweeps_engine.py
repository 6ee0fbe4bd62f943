"""The pulls of the sheets, heat and engine: one thing of each grows step by step. See tests/sheet.py."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from audit.checks.engine import engine_speed
from audit.checks.heat import heat_soak
from audit.model import Array, Pull
from audit.tables import limits
from tests.checks.conftest import rpm_ramp
from tests.checks.said import said_of
from tests.checks.sweeps_boost import CAR, box, bump, evenly, few, level, pull, steps
from tests.sheet import Figures, Sweep, of_finding, rounded

Made = dict[str, tuple[list[float], Callable[[float], Pull]]]
RPM_PER_KMH = 53.0


def _of(made: Made, *checks: str) -> list[Sweep]:
    return [Sweep(name, xs, said_of(make, *checks)) for name, (xs, make) in made.items()]


def air(shape: Callable[[Array], Array], **more: Any) -> Pull:
    """Intake air by a function of time; a minute before and after, without load."""
    boost = more.pop("boost", lambda t: np.where((t < 0) | (t > 6), -45.0, level(90.0)(t)))
    channels = {"intake_air_temp": shape, "boost": boost, **more.pop("channels", {})}
    return pull(channels, **{"lead_s": 60.0, "tail_s": 60.0, "rate": 10.0, **more})


def heat() -> list[Sweep]:
    warms = lambda t: 30 + 2.0 * np.clip(t, 0, 6)  # noqa: E731
    cools = lambda tau: (
        lambda t: np.where(  # noqa: E731
            t < 6, warms(t), 28 + 14 * np.exp(-np.clip(t - 6, 0, 99) / tau)
        )
    )
    made: Made = {
        "intake reaches so many °C": (
            evenly(40, 105, 28),
            lambda x: air(lambda t: x - 12 + warms(t) - 30),
        ),
        "intake rises by so many K": (
            steps(1.0, 50.0, 18),
            lambda x: air(lambda t: 20 + x * np.clip(t / 5, 0, 1)),
        ),
        "intake is at its top so many s before the end": (
            steps(0.1, 4.0, 16),
            lambda x: air(
                lambda t: 30 + 10 * np.clip(t / (6 - x), 0, 1) - 0.5 * np.clip(t - 6 + x, 0, 9)
            ),
        ),
        "hottest so many s after the pull": (
            steps(2.0, 40.0, 18),
            lambda x: air(lambda t: 30 + 12 * bump(t, 6 + x, 2 * x + 12)),
        ),
        "cools with a time constant of so many s": (steps(2.0, 400.0, 18), lambda x: air(cools(x))),
        "cools with outside air of so many °C": (
            evenly(-10, 36, 16),
            lambda x: air(cools(15.0), channels={"ambient_air_temp": x}),
        ),
        "boost of so many kPa and outside air": (
            steps(3.0, 250.0, 16),
            lambda x: air(cools(15.0), boost=level(x), channels={"ambient_air_temp": 20.0}),
        ),
        "boost for so large a share of the pull": (
            evenly(0.05, 1.0, 14),
            lambda x: air(
                cools(15.0),
                boost=lambda t: box(t, 6 - 6 * x, 6, 90.0, 5.0),
                channels={"ambient_air_temp": 20.0},
            ),
        ),
        "loaded so many s before": (
            steps(1.0, 55.0, 20),
            lambda x: air(
                lambda t: 30 - 0.1 * t,
                boost=lambda t: np.where(np.abs(t + x) < 1, 60.0, level(90)(t)),
            ),
        ),
        "loaded by so many kPa before": (
            evenly(5, 40, 15),
            lambda x: air(
                lambda t: 30 - 0.1 * t,
                boost=lambda t: np.where(np.abs(t + 30) < 1, x, level(90)(t)),
            ),
        ),
        "loaded so many s after": (
            steps(1.0, 55.0, 20),
            lambda x: air(
                cools(12.0),
                boost=lambda t: np.where(t > 6, np.where(t > 6 + x, 60.0, -40), level(90)(t)),
            ),
        ),
        "throttle of so many per cent before, no pressure": (
            evenly(60, 100, 12),
            lambda x: air(
                lambda t: 30 - 0.1 * t,
                boost=None,
                channels={
                    "throttle_position": lambda t: np.where(
                        np.abs(t + 30) < 1, x, box(t, 0, 6, 100.0, 15.0)
                    )
                },
            ),
        ),
        "stood for so many s": (
            steps(2.0, 50.0, 16),
            lambda x: air(
                warms, channels={"vehicle_speed": lambda t: box(t, -5 - x, -5, 0.0, 50.0)}
            ),
        ),
        "stood at so many km/h": (
            evenly(1, 12, 12),
            lambda x: air(warms, channels={"vehicle_speed": lambda t: box(t, -30, -5, x, 50.0)}),
        ),
        "a log from so many s before": (steps(0.3, 250.0, 20), lambda x: air(warms, lead_s=x)),
        "a log until so many s after": (steps(0.3, 400.0, 20), lambda x: air(cools(15), tail_s=x)),
        "a hot sample so many s before": (
            evenly(-50, -1, 14),
            lambda x: air(lambda t: warms(t) + 9 * box(t, x, x + 0.15, 1.0, 0.0)),
        ),
        "so few samples of intake air": (
            evenly(0, 6, 7),
            lambda x: few(round(x), "intake_air_temp", channels={"intake_air_temp": warms}),
        ),
        "coolant of so many °C": (evenly(50, 125, 32), lambda x: pull({"coolant_temp": x})),
        "coolant climbs by so many K": (
            steps(0.5, 30.0, 18),
            lambda x: pull({"coolant_temp": lambda t: 82 + x * np.clip(t / 5, 0, 1)}),
        ),
        "coolant of so many °C at the start climbs": (
            evenly(70, 90, 14),
            lambda x: pull({"coolant_temp": lambda t: x + 9 * np.clip(t / 5, 0, 1)}),
        ),
        "coolant so many s before": (
            evenly(0.2, 6.0, 14),
            lambda x: few_before("coolant_temp", x),
        ),
        "oil of so many °C": (evenly(45, 85, 24), lambda x: pull({"oil_temp": x})),
        "exhaust of so many °C": (
            evenly(840, 1020, 20),
            lambda x: pull({"exhaust_gas_temp": lambda t: box(t, 3, 5, x, 780.0)}),
        ),
        "hot exhaust for so many s": (
            steps(0.03, 2.0, 16),
            lambda x: pull({"exhaust_gas_temp": lambda t: box(t, 3, 3 + x, 960.0, 780.0)}),
        ),
        "hot exhaust so many s after": (
            evenly(-0.5, 2.0, 14),
            lambda x: pull(
                {"exhaust_gas_temp": lambda t: box(t, 6 + x, 7 + x, 960.0, 780.0)}, tail_s=4.0
            ),
        ),
        "engine speed climbs by so many rpm/s": (
            steps(30.0, 2000.0, 8),
            lambda x: pull({"engine_speed": lambda t: 2500 + x * t}),
        ),
    }
    return [*_of(made, "heat_soak", "exhaust"), *_whole_logs()]


def few_before(name: str, gap_s: float) -> Pull:
    """Cold in the pull; before it warm, and unknown for so many s."""
    shape = lambda t: np.where(t < -gap_s, 88.0, np.where(t < 0.3, np.nan, 70.0))  # noqa: E731
    return pull({name: shape}, lead_s=9.0)


def _whole_logs() -> list[Sweep]:
    def of_log(check: Any, make: Callable[[float], Pull]) -> Callable[[float], Figures]:
        def told(x: float) -> Figures:
            made = make(x)
            judged = check.whole_log(made.log, made.sanity, made.car, limits())
            out: Figures = {"score": rounded(judged.score)}
            out |= {f.code: of_finding(f) for f in judged.findings}
            return {k: v for k, v in out.items() if v is not None}

        return told

    hot = lambda a, b, top=112.0: lambda t: box(t, a, b, top, 88.0)  # noqa: E731
    long = {"lead_s": 100.0, "tail_s": 60.0, "rate": 5.0}
    limited = replace(CAR, engine_limit_rpm=6800.0)
    over = lambda t: np.where(t < 8, rpm_ramp(np.clip(t, -1, 6)), box(t, 9, 10, 7300.0, 2500.0))  # noqa: E731
    water: Made = {
        "hot for so many s in all the log": (
            steps(1.0, 60.0, 20),
            lambda x: pull({"coolant_temp": hot(-40, -40 + x)}, **long),
        ),
        "so many °C in all the log": (
            evenly(85, 125, 24),
            lambda x: pull({"coolant_temp": hot(-40, 10, x)}, **long),
        ),
        "hot with a hole of so many s": (
            steps(5.0, 60.0, 16),
            lambda x: pull(
                {
                    "coolant_temp": lambda t: np.where(
                        np.abs(t + 30) < x / 2, np.nan, hot(-70, 20)(t)
                    )
                },
                **long,
            ),
        ),
        "cool with a hole of so many s": (
            steps(5.0, 60.0, 12),
            lambda x: pull(
                {"coolant_temp": lambda t: np.where(np.abs(t + 30) < x / 2, np.nan, 80.0)}, **long
            ),
        ),
        "hot so many s after a start": (
            steps(2.0, 90.0, 20),
            lambda x: pull(
                {
                    "coolant_temp": hot(-60 + x - 15, -60 + x + 5),
                    "engine_speed": lambda t: np.where(t < -60, 0.0, np.where(t < 0, 900, 3000.0)),
                },
                **long,
            ),
        ),
        "idles at so many rpm": (
            steps(200.0, 900.0, 14),
            lambda x: pull(
                {
                    "coolant_temp": hot(-70, 20),
                    "engine_speed": lambda t: np.where(t < 0, x, 3000.0),
                },
                **long,
            ),
        ),
        "a log of so many s": (
            steps(3.0, 60.0, 14),
            lambda x: pull({"coolant_temp": 80.0}, lead_s=x, tail_s=1.0, rate=5.0),
        ),
    }
    speed: Made = {
        "turned over so many s after the lift": (
            evenly(-1.0, 3.0, 16),
            lambda x: pull(
                {
                    "engine_speed": lambda t: np.where(
                        t < 6 + x, 5000.0, box(t, 6 + x, 7 + x, 7300, 2500)
                    )
                },
                car=limited,
                tail_s=6.0,
            ),
        ),
        "turned by so many rpm": (
            evenly(6600, 7600, 20),
            lambda x: pull(
                {"engine_speed": lambda t: np.minimum(over(t), x)}, car=limited, tail_s=6.0
            ),
        ),
        "turned with a throttle of so many per cent": (
            evenly(5, 100, 20),
            lambda x: pull(
                {
                    "engine_speed": over,
                    "throttle_position": lambda t: box(t, 0, 6, 100.0, np.where(t > 8, x, 5.0)),
                },
                car=limited,
                tail_s=6.0,
            ),
        ),
        "turned for so many s": (
            steps(0.03, 1.0, 12),
            lambda x: pull(
                {
                    "engine_speed": lambda t: np.where(
                        t < 8, 5000.0, box(t, 9, 9 + x, 7300.0, 2500.0)
                    )
                },
                car=limited,
                tail_s=6.0,
                rate=50.0,
            ),
        ),
    }
    return [
        *(Sweep(n, xs, of_log(heat_soak, make)) for n, (xs, make) in water.items()),
        *(Sweep(n, xs, of_log(engine_speed, make)) for n, (xs, make) in speed.items()),
    ]


def geared(slip: Callable[[Array], Array], ratio: float = RPM_PER_KMH, **more: Any) -> Pull:
    """Road speed climbing from so many km/h at so many; engine speed ahead of it by a slip, %."""
    first, pace, lag = more.pop("first", 60.0), more.pop("pace", 8.0), more.pop("lag", 0.0)
    road = lambda t: first + pace * np.clip(t, -3, 6) - 4 * np.clip(t - 6, 0, 9)  # noqa: E731
    own = more.pop("own", lambda t: np.full(t.shape, ratio))
    return pull(
        {
            "vehicle_speed": lambda t: road(t - lag),
            "engine_speed": lambda t: (
                own(t) * road(t) * (1 + np.where(t < 6.1, slip(t), 0.0) / 100)
            ),
            **more.pop("channels", {}),
        },
        **{"tail_s": 3.0, "rate": 20.0, **more},
    )


def traction() -> list[Sweep]:
    surge = lambda size, a=2.0, b=2.6: lambda t: box(t, a, b, size, 0.0)  # noqa: E731
    none = lambda t: 0.0 * t  # noqa: E731
    made: Made = {
        "slips by so many per cent": (steps(1.0, 40.0, 20), lambda x: geared(surge(x, 2.0, 4.5))),
        "spins by so many per cent": (steps(1.0, 60.0, 20), lambda x: geared(surge(x))),
        "slips for so many s": (steps(0.06, 5.5, 26), lambda x: geared(surge(15, 1.5, 1.5 + x))),
        "spins for so many s, half of it after": (
            steps(0.1, 3.0, 18),
            lambda x: geared(lambda t: box(t, 2, 2.5, 20, box(t, 2.5, 2.5 + x, 11.0, 0.0))),
        ),
        "spins, and at the end by so large a share": (
            evenly(0.0, 1.0, 20),
            lambda x: geared(lambda t: box(t, 2, 2.6, 20.0, box(t, 4.5, 6, 20 * x, 0))),
        ),
        "slips all through by so many per cent": (
            steps(1.0, 40.0, 18),
            lambda x: geared(surge(x, -0.05, 6.1)),
        ),
        "slips all through, gears known, by so many per cent": (
            evenly(-12, 30, 22),
            lambda x: geared(
                surge(x, -0.05, 6.1),
                car=replace(CAR, gear_ratios=(3.5, 2.0, 1.4), final_drive=4.0, circumference_m=1.9),
                ratio=1.4 * 4.0 / (0.06 * 1.9),
                ended_by="log end",
            ),
        ),
        "in a gear": (
            evenly(0, 5, 6),
            lambda x: geared(surge(15, 2.0, 4.5), gear=round(x) or None),
        ),
        "in a gear of so many rpm per km/h": (
            steps(60.0, 150.0, 14),
            lambda x: _ungeared(geared(surge(15, 2.0, 4.5), ratio=x, gear=None), x),
        ),
        "in no known gear from so many km/h": (
            evenly(20, 70, 18),
            lambda x: geared(surge(15, 2.0, 4.5), gear=None, first=x, pace=5.0),
        ),
        "at so many km/h": (
            evenly(2, 60, 22),
            lambda x: geared(surge(15, 3, 5), first=x, pace=4.0),
        ),
        "a road speed so many s late": (
            evenly(0.0, 1.6, 24),
            lambda x: geared(surge(12, 2.0, 4.0), lag=x),
        ),
        "a road speed so many s late, no lift": (
            evenly(0.0, 1.2, 18),
            lambda x: geared(surge(12, 2.0, 4.0), lag=x, ended_by="log end"),
        ),
        "a road speed in steps of so many km/h": (
            steps(0.1, 8.0, 20),
            lambda x: geared(surge(12, 2.0, 4.0), quantise={"vehicle_speed": x}),
        ),
        "a road speed so many times a second": (
            evenly(1, 10, 10),
            lambda x: geared(surge(12, 2.0, 4.0), every={"vehicle_speed": round(x)}),
        ),
        "a pace of so many km/h each s": (
            steps(0.5, 20.0, 16),
            lambda x: geared(surge(12, 2.0, 4.0), pace=x, quantise={"vehicle_speed": 1.0}),
        ),
        "a kickdown to so many times the ratio": (
            evenly(0.95, 1.6, 22),
            lambda x: geared(
                none, own=lambda t: RPM_PER_KMH * (1 + (x - 1) * np.clip(t / 0.5, 0, 1))
            ),
        ),
        "a ratio after the lift of so much": (
            evenly(0.85, 1.15, 22),
            lambda x: geared(
                surge(10, -0.05, 6.1),
                own=lambda t: RPM_PER_KMH * np.where(t > 6.05, x, 1.0),
            ),
        ),
        "a ratio before the pull of so much": (
            evenly(0.85, 1.15, 18),
            lambda x: geared(
                surge(10, -0.05, 6.1), own=lambda t: RPM_PER_KMH * np.where(t < 0, x, 1.0)
            ),
        ),
        "boost that moves by so many kPa with it": (
            steps(2.0, 60.0, 14),
            lambda x: geared(
                lambda t: 15 * bump(t, 3.5, 4.0),
                channels={"boost": lambda t: 60 + x * bump(t, 3.5, 4.0)},
                noise={},
            ),
        ),
        "slip of so many per cent with boost": (
            steps(0.5, 20.0, 12),
            lambda x: geared(
                lambda t: x * bump(t, 3.5, 4.0),
                channels={"boost": lambda t: 60 + 40 * bump(t, 3.5, 4.0)},
                noise={},
            ),
        ),
        "so few samples of road speed": (
            evenly(0, 10, 11),
            lambda x: few(
                round(x),
                "vehicle_speed",
                channels={
                    "vehicle_speed": lambda t: 60 + 8 * t,
                    "engine_speed": lambda t: 3180 + 424 * t,
                },
            ),
        ),
        "so few samples of engine speed": (
            evenly(0, 12, 13),
            lambda x: few(
                round(x),
                "engine_speed",
                channels={
                    "vehicle_speed": lambda t: 60 + 8 * t,
                    "engine_speed": lambda t: 3180 + 424 * t,
                },
            ),
        ),
        "a pull of so many s": (
            steps(0.3, 6.0, 18),
            lambda x: geared(surge(10, 0.1, 6), duration=x),
        ),
    }
    return _of(made, "traction")


def _ungeared(made: Pull, ratio: float) -> Pull:
    return replace(made, span=replace(made.span, gear_ratio=ratio))


def closes(inside: Callable[[Array], Array], *, pedal: Any = "down", **more: Any) -> Pull:
    """A throttle that closes by itself; the pedal stays down."""
    down = (lambda t: box(t, -0.1, 6.1, 100.0, 15.0)) if isinstance(pedal, str) else pedal
    return pull(
        {
            "throttle_position": lambda t: np.where((t >= 0) & (t <= 6), inside(t), 15.0),
            **({} if down is None else {"pedal_position": down}),
            **more.pop("channels", {}),
        },
        **{"tail_s": 3.0, **more},
    )


def engine() -> list[Sweep]:
    to = lambda angle, a=3.0, b=4.2: lambda t: box(t, a, b, angle, 100.0)  # noqa: E731
    made: Made = {
        "closes by so many per cent": (steps(2.0, 98.0, 20), lambda x: closes(to(100 - x))),
        "closes for so many s": (steps(0.04, 2.5, 22), lambda x: closes(to(60.0, 3.0, 3.0 + x))),
        "closes after so many s": (evenly(0.0, 7.5, 24), lambda x: closes(to(60.0, x, x + 0.6))),
        "closes with the pedal at so many per cent": (
            evenly(50, 100, 20),
            lambda x: closes(to(60.0), pedal=lambda t: box(t, -0.1, 6.1, x, 15.0)),
        ),
        "the pedal lifted to so many per cent meanwhile": (
            evenly(60, 100, 18),
            lambda x: closes(
                to(60.0), pedal=lambda t: box(t, 2.9, 4.3, x, box(t, -1, 7, 100.0, 15))
            ),
        ),
        "the pedal lifted so many s after": (
            evenly(-0.5, 1.5, 20),
            lambda x: closes(to(60.0), pedal=lambda t: box(t, -0.1, 3.0 + x, 100.0, 15.0)),
        ),
        "the pedal lifted for so many s before": (
            steps(0.03, 0.8, 12),
            lambda x: closes(
                to(60.0), pedal=lambda t: box(t, 1.5, 1.5 + x, 20, box(t, -1, 7, 100.0, 15))
            ),
        ),
        "closes without a pedal to so many per cent": (
            evenly(5, 100, 24),
            lambda x: closes(to(x), pedal=None),
        ),
        "closes without a pedal for so many s": (
            steps(0.08, 2.0, 18),
            lambda x: closes(to(60.0, 3.0, 3.0 + x), pedal=None),
        ),
        "closes without a pedal and moves by so many per cent": (
            steps(0.5, 30.0, 16),
            lambda x: closes(
                lambda t: box(t, 3.0, 4.2, 60 + x * np.clip((t - 3) / 1.2, 0, 1), 100.0), pedal=None
            ),
        ),
        "opens again to so many per cent without a pedal": (
            evenly(80, 100, 14),
            lambda x: closes(
                lambda t: box(t, 3.0, 4.2, 60.0, np.where(t > 4.2, x, 100.0)), pedal=None
            ),
        ),
        "opens again for so many s without a pedal": (
            steps(0.06, 1.8, 16),
            lambda x: closes(
                lambda t: box(t, 3.0, 4.2, 60.0, np.where(t > 4.25 + x, 60.0, 100.0)), pedal=None
            ),
        ),
        "closes without a pedal at so many kPa": (
            evenly(2, 30, 14),
            lambda x: closes(to(60.0), pedal=None, channels={"boost": level(x)}),
        ),
        "closes without a pedal while speed goes by so many rpm": (
            evenly(-500, 500, 14),
            lambda x: closes(
                to(60.0),
                pedal=None,
                channels={
                    "engine_speed": lambda t: (
                        3500 + 300 * t - (360 - x) * np.clip((t - 3) / 1.2, 0, 1)
                    )
                },
            ),
        ),
        "speed falls to so large a share as it closes": (
            evenly(0.6, 1.0, 20),
            lambda x: closes(
                to(40.0, 3.0, 3.5),
                channels={"engine_speed": lambda t: (3500 + 500 * t) * np.where(t > 3.2, x, 1.0)},
            ),
        ),
        "speed falls as it closes for so many s": (
            steps(0.2, 2.0, 16),
            lambda x: closes(
                to(40.0, 3.0, 3.0 + x),
                channels={"engine_speed": lambda t: (3500 + 500 * t) * np.where(t > 3.2, 0.8, 1.0)},
            ),
        ),
        "speed falls so many s after it closes": (
            evenly(-0.5, 1.5, 18),
            lambda x: closes(
                to(40.0, 3.0, 3.5),
                channels={
                    "engine_speed": lambda t: (3500 + 500 * t) * np.where(t > 3 + x, 0.8, 1.0)
                },
            ),
        ),
        "closes at so large a share of the top speed": (
            evenly(0.8, 1.0, 16),
            lambda x: closes(
                to(60.0, 5.0, 5.6),
                channels={
                    "engine_speed": lambda t: np.where(
                        t < -1, 6500.0, np.minimum(3000 + 900 * t, 6500 * x)
                    )
                },
            ),
        ),
        "opens within so many s": (
            steps(0.1, 3.0, 14),
            lambda x: closes(lambda t: 100 * np.clip(t / x, 0.3, 1)),
        ),
        "opens to so many per cent": (
            evenly(40, 100, 10),
            lambda x: closes(lambda t: box(t, 3, 4.2, 0.6 * x, x)),
        ),
        "so few samples of the throttle": (
            evenly(0, 8, 9),
            lambda x: few(round(x), "throttle_position", channels={"pedal_position": 100.0}),
        ),
        "throttle read so many times a second": (
            steps(2.0, 50.0, 12),
            lambda x: closes(to(60.0, 3.0, 3.5), rate=x),
        ),
        "retards by so many °": (
            steps(0.2, 12.0, 22),
            lambda x: pull({"knock_retard": lambda t: box(t, 2, 3, x, 0.0)}),
        ),
        "retards for so many s": (
            steps(0.02, 1.0, 16),
            lambda x: pull({"knock_retard": lambda t: box(t, 2, 2 + x, 4.0, 0.0)}, rate=50.0),
        ),
        "an offset of so many °": (
            steps(0.1, 6.0, 18),
            lambda x: pull({"knock_retard": lambda t: x + box(t, 2, 3, 2.5, 0.0)}),
        ),
        "an offset that moved by so many ° before": (
            steps(0.05, 3.0, 14),
            lambda x: pull(
                {"knock_retard": lambda t: 2 + np.where(t < -1, x, box(t, 2, 3, 2.5, 0))}
            ),
        ),
        "an offset less in the pull by so many °": (
            steps(0.05, 3.0, 14),
            lambda x: pull(
                {"knock_retard": lambda t: 2 + box(t, 2, 3, 2.5, np.where(t > 0, -x, 0))}
            ),
        ),
        "an offset known from so many s before": (
            steps(0.1, 6.0, 14),
            lambda x: pull({"knock_retard": lambda t: np.where(t > -x, 2.0, np.nan)}, lead_s=7.0),
        ),
        "so few samples of retard": (
            evenly(0, 6, 7),
            lambda x: few(round(x), "knock_retard", channels={"knock_retard": 3.0}),
        ),
        "so many knocks": (
            steps(1.0, 90.0, 18),
            lambda x: pull({"knock_count": lambda t: np.round(x * np.clip((t - 2) / 2, 0, 1))}),
        ),
        "a count that wraps, so many knocks": (
            evenly(1, 70, 18),
            lambda x: pull(
                {"knock_count": lambda t: np.mod(240 + np.where(t > 2, x, 0) + 0 * t, 256)}
            ),
        ),
        "a wide count that wraps, so many knocks": (
            evenly(1, 70, 12),
            lambda x: pull(
                {"knock_count": lambda t: np.mod(65530 + np.where(t > 2, x, 0) + 0 * t, 65536)}
            ),
        ),
        "a count that starts again at so many": (
            evenly(0, 70, 16),
            lambda x: pull({"knock_count": lambda t: np.where(t > 2, x, 900.0)}),
        ),
        "a count that goes back so many times": (
            evenly(0, 12, 13),
            lambda x: pull(
                {
                    "knock_count": lambda t: (
                        9 * np.floor(t + 4) - 5 * (np.floor(2 * np.clip(t, 0, x / 2)) % 2)
                    )
                }
            ),
        ),
        "knocks so many s from the start": (
            evenly(-1, 1, 12),
            lambda x: pull({"knock_count": lambda t: np.where(t > x, 7.0, 0.0)}),
        ),
        "so few samples of a count": (
            evenly(0, 8, 9),
            lambda x: few(
                round(x), "knock_count", channels={"knock_count": lambda t: np.round(2 * t)}
            ),
        ),
        "oil of so many kPa": (
            steps(50.0, 600.0, 22),
            lambda x: pull({"oil_pressure": lambda t: box(t, 3, 5, x, 450.0)}),
        ),
        "oil low for so many s": (
            steps(0.05, 2.0, 18),
            lambda x: pull({"oil_pressure": lambda t: box(t, 3, 3 + x, 180.0, 450.0)}),
        ),
        "oil sags by so many per cent": (
            steps(1.0, 60.0, 18),
            lambda x: pull(
                {"engine_speed": 5200.0, "oil_pressure": lambda t: 450 - 4.5 * box(t, 3, 5, x, 0.0)}
            ),
        ),
        "oil sags while speed falls by so many per cent": (
            evenly(0.0, 12.0, 14),
            lambda x: pull(
                {
                    "engine_speed": lambda t: 5000 * (1 - x / 100 * box(t, 2.5, 5, 1.0, 0.0)),
                    "oil_pressure": lambda t: 450 - box(t, 3, 5, 60.0, 0.0),
                }
            ),
        ),
        "oil at so many rpm": (
            steps(400.0, 8000.0, 22),
            lambda x: pull({"engine_speed": x, "oil_pressure": 300.0}),
        ),
        "oil so many s behind": (
            evenly(0.0, 1.2, 14),
            lambda x: pull(
                {
                    "engine_speed": lambda t: 2500 + 2500 * np.clip((t - 2) / 0.2, 0, 1),
                    "oil_pressure": lambda t: 200 + 200 * np.clip((t - 2 - x) / 0.2, 0, 1),
                }
            ),
        ),
        "oil with temperatures": (
            evenly(0, 2, 3),
            lambda x: pull(
                {
                    "oil_pressure": 200.0,
                    "coolant_temp": [88.0, None, 91.0][round(x)],
                    "oil_temp": [None, 104.0, 99.0][round(x)],
                }
            ),
        ),
        "so few samples of oil": (
            evenly(0, 8, 9),
            lambda x: few(
                round(x), "oil_pressure", channels={"oil_pressure": lambda t: 200 - 9 * t}
            ),
        ),
        "a supply of so many V": (
            evenly(10.0, 14.5, 22),
            lambda x: pull({"battery_voltage": lambda t: box(t, 2, 4, x, 14.0)}),
        ),
        "a supply low for so many s": (
            steps(0.04, 2.0, 18),
            lambda x: pull({"battery_voltage": lambda t: box(t, 2, 2 + x, 12.0, 14.0)}),
        ),
        "a supply known from so many s before": (
            steps(0.06, 16.0, 16),
            lambda x: pull(
                {"battery_voltage": lambda t: np.where(t > -x, 13.5, 14.4) + box(t, 2, 4, -2.0, 0)},
                lead_s=18.0,
            ),
        ),
        "so few samples of a supply": (
            evenly(0, 5, 6),
            lambda x: few(round(x), "battery_voltage", channels={"battery_voltage": 12.0}),
        ),
        "so many per cent over the speed allowed": (
            evenly(-4, 9, 20),
            lambda x: pull(
                {"engine_speed": lambda t: np.minimum(3000 + 900 * t, 6500 * (1 + x / 100))},
                car=replace(CAR, engine_limit_rpm=6500.0),
            ),
        ),
        "over the speed allowed so many s after the lift": (
            evenly(-0.3, 1.0, 14),
            lambda x: pull(
                {"engine_speed": lambda t: box(t, 6 + x, 6.3 + x, 7300.0, 6000.0)},
                car=replace(CAR, engine_limit_rpm=6500.0),
                tail_s=3.0,
            ),
        ),
        "over the speed allowed for so many s": (
            steps(0.02, 0.5, 12),
            lambda x: pull(
                {"engine_speed": lambda t: box(t, 4, 4 + x, 7300.0, 6000.0)},
                car=replace(CAR, engine_limit_rpm=6500.0),
                rate=50.0,
            ),
        ),
    }
    words = {"knock": ("retard", "knock", "count", "offset"), "lubrication": ("oil",)}
    words |= {"electrical": ("supply",), "engine_speed": ("allowed",)}

    def check(name: str) -> str:
        """The check that a sweep is about."""
        told = (c for c, some in words.items() if any(w in name for w in some))
        return next(told, "throttle_closed")

    return [Sweep(name, xs, said_of(make, check(name))) for name, (xs, make) in made.items()]
