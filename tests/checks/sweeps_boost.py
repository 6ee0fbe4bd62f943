"""The pulls of the sheets: one thing of each grows step by step. See tests/sheet.py."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl

from audit.model import FAIL, GOOD, Array, Barometric, Car, Pull
from tests.checks.conftest import make_pull, step
from tests.checks.said import said_of
from tests.sheet import Sweep

BOOST = ("boost_overshoot", "boost_delivery", "boost_control", "oscillation")
CAR = Car(boost_limit_kpa=250.0)


def steps(first: float, last: float, most: int = 24) -> list[float]:
    """From first to last, each by the same share larger than the one before: under a quarter."""
    n = min(most, 2 + int(np.log(last / first) / np.log(1.24)))
    return [float(f"{x:.4g}") for x in np.geomspace(first, last, n)]


def evenly(first: float, last: float, n: int = 24) -> list[float]:
    return [float(f"{x:.4g}") for x in np.linspace(first, last, n)]


def box(t: Array, a: float, b: float, inside: Any, outside: Any) -> Array:
    return np.where((t >= a - 1e-6) & (t <= b + 1e-6), inside, outside)


def pull(channels: dict[str, Any] | None = None, **more: Any) -> Pull:
    return make_pull(channels=channels, **{"seed": 5, "car": CAR, **more})


def level(kpa: float, spool_s: float = 0.6) -> Callable[[Array], Array]:
    """Up about spool_s, then level, kPa."""
    return lambda t: np.where(t < 0, -40.0, step(t, to=kpa, base=-5.0, spool_s=spool_s))


def plus(kpa: float, more: Callable[[Array], Array]) -> Callable[[Array], Array]:
    return lambda t: level(kpa)(t) + np.where(t > 0, more(t), 0.0)


def bump(t: Array, at: float, width: float) -> Array:
    """Half a sine, 1 at its top."""
    inside = (t >= at - width / 2) & (t <= at + width / 2)
    return np.where(inside, np.cos(np.pi * (t - at) / width), 0.0)


def fall(t: Array, at: float, within: float) -> Array:
    return np.clip((t - at) / max(within, 1e-3), 0.0, 1.0)


def boost_only(shape: Callable[[Array], Array], **more: Any) -> Pull:
    """Without a target."""
    channels = {"boost": shape, "boost_target": None, **more.pop("channels", {})}
    return pull(channels, **more)


def few(count: int, channel: str, **more: Any) -> Pull:
    """So many samples of one channel in the pull can be believed, and none outside it."""

    def flags(t: Array) -> Array:
        inside = np.flatnonzero((t >= 0) & (t <= 6.0))
        keep = inside[np.linspace(0, inside.size - 1, int(count)).astype(int)] if count else []
        out = np.full(t.shape, FAIL)
        out[keep] = GOOD
        return out

    return pull(flags={channel: flags}, **more)


def boost() -> list[Sweep]:
    ring = lambda hz, t0=1.2: lambda t: np.where(t > t0, np.sin(2 * np.pi * hz * (t - t0)), 0.0)  # noqa: E731
    moving = {"wastegate_duty": lambda t: 45 + 20 * np.clip(t / 6, 0, 1)}
    open_loop = {"wastegate_duty": 60.0}
    clamped = {"wastegate_duty": lambda t: np.clip(60 + 60 * t, 60, 95)}
    made: dict[str, tuple[list[float], Callable[[float], Pull]]] = {
        "a pull of so many s": (
            steps(0.8, 9.0, 28),
            lambda x: boost_only(level(90.0, 0.4), duration=x),
        ),
        "so many s of it, with a target": (
            steps(0.8, 9.0, 24),
            lambda x: pull({"boost": plus(95.0, lambda t: 12 * bump(t, 1.1, 0.5))}, duration=x),
        ),
        "spools for so many s": (steps(0.1, 6.0, 28), lambda x: boost_only(level(90.0, x))),
        "settles at so many kPa": (
            steps(3.0, 300.0, 30),
            lambda x: boost_only(level(x), car=replace(CAR, boost_limit_kpa=120.0)),
        ),
        "settles at so many kPa, no limit known": (
            steps(60.0, 160.0, 16),
            lambda x: replace(
                p := boost_only(level(x), car=Car()),
                log=replace(p.log, barometric=Barometric(100.0, "made", 6.0)),
            ),
        ),
        "settles at so many kPa over a spring of 60": (
            steps(20.0, 110.0, 22),
            lambda x: boost_only(
                level(x), channels={"wastegate_duty": 9.0}, car=replace(CAR, spring_kpa=60.0)
            ),
        ),
        "overshoots by so many kPa": (
            steps(1.5, 60.0, 26),
            lambda x: boost_only(
                lambda t: np.where(t < 0, -40, step(t, to=95, base=-5, spool_s=0.7, overshoot=x))
            ),
        ),
        "overshoots by so many kPa without noise at 50 Hz": (
            steps(1.5, 60.0, 20),
            lambda x: boost_only(plus(150.0, lambda t: x * bump(t, 1.4, 0.5)), rate=50.0, noise={}),
        ),
        "overshoots by so many kPa at 6 Hz": (
            steps(3.0, 60.0, 16),
            lambda x: boost_only(plus(95.0, lambda t: x * bump(t, 1.3, 0.7)), rate=6.0),
        ),
        "an overshoot lasts so many s": (
            steps(0.06, 3.5, 30),
            lambda x: boost_only(plus(95.0, lambda t: 22 * bump(t, 1.2 + x / 2, x))),
        ),
        "an overshoot comes after so many s": (
            steps(0.5, 5.0, 24),
            lambda x: boost_only(plus(95.0, lambda t: 22 * bump(t, 0.6 + x, 0.5))),
        ),
        "so many per cent of duty about an overshoot": (
            evenly(30, 80, 6),
            lambda x: boost_only(
                plus(95.0, lambda t: 22 * bump(t, 1.4, 0.5)),
                channels={"wastegate_duty": lambda t: np.where(t < 1.32, x, 55.0)},
            ),
        ),
        "a lone sample of so many kPa": (
            steps(2.0, 60.0, 20),
            lambda x: boost_only(plus(95.0, lambda t: box(t, 1.99, 2.01, x, 0.0))),
        ),
        "a lone sample of so many kPa at 5 Hz": (
            steps(2.0, 60.0, 20),
            lambda x: boost_only(plus(95.0, lambda t: box(t, 1.39, 1.41, x, 0.0)), rate=5.0),
        ),
        "the target comes down by so many kPa": (
            steps(1.0, 40.0, 20),
            lambda x: pull(
                {
                    "boost": plus(90.0, lambda t: x * (1 - fall(t, 1.4, 1.0))),
                    "boost_target": lambda t: 90.0 + x * (1 - fall(t, 1.2, 1.0)),
                }
            ),
        ),
        "a moving target is missed by so many kPa": (
            evenly(-16, 16, 15),
            lambda x: pull(
                {
                    "boost": plus(
                        90.0 + x, lambda t: 3 * np.clip(t, 0, 6) + 12 * bump(t, 1.5, 0.5)
                    ),
                    "boost_target": lambda t: 90.0 + 3 * np.clip(t, 0, 6),
                    **moving,
                }
            ),
        ),
        "over or under its target by so many kPa, duty moving": (
            evenly(-40, 40, 24),
            lambda x: pull({"boost": level(90 + x), "boost_target": 90.0, **moving}),
        ),
        "over or under its target by so many kPa, duty fixed": (
            evenly(-40, 40, 13),
            lambda x: pull({"boost": level(90 + x), "boost_target": 90.0, **open_loop}),
        ),
        "over or under its target by so many kPa, duty clamped": (
            evenly(-40, 40, 17),
            lambda x: pull({"boost": level(90 + x), "boost_target": 90.0, **clamped}),
        ),
        "under the car file's target by so many kPa": (
            evenly(-30, 30, 14),
            lambda x: boost_only(level(90 + x), channels=moving, car=replace(CAR, target_kpa=90.0)),
        ),
        "over its target for so many s": (
            steps(0.4, 4.5, 22),
            lambda x: pull(
                {"boost": plus(90.0, lambda t: box(t, 1.5, 1.5 + x, 16.0, 0.0)), **moving}
            ),
        ),
        "a duty of so many per cent at a shortfall": (
            evenly(10, 100, 21),
            lambda x: pull({"boost": level(75.0), "boost_target": 90.0, "wastegate_duty": x}),
        ),
        "a duty that climbs to so many per cent at a shortfall": (
            evenly(50, 100, 18),
            lambda x: pull(
                {
                    "boost": level(75.0),
                    "boost_target": 90.0,
                    "wastegate_duty": lambda t: np.clip(40 + 30 * t, 40, x),
                }
            ),
        ),
        "a duty that moves by so many per cent": (
            steps(0.5, 30.0, 20),
            lambda x: pull(
                {
                    "boost": level(75.0),
                    "boost_target": 90.0,
                    "wastegate_duty": lambda t: 50 + x * np.clip((t - 0.5) / 5, 0, 1),
                }
            ),
        ),
        "a duty at its top for so many s": (
            steps(0.1, 5.0, 20),
            lambda x: pull(
                {
                    "boost": level(75.0),
                    "boost_target": 90.0,
                    "wastegate_duty": lambda t: 82 - 20 * np.clip(6.0 - x - t, 0, 1),
                }
            ),
        ),
        "a step of duty of so many per cent": (
            steps(4.0, 40.0, 16),
            lambda x: boost_only(
                plus(80.0, lambda t: 2.0 * fall(t, 3.2, 0.3)),
                channels={"wastegate_duty": lambda t: np.where(t < 3.2, 40.0, 40.0 + x)},
            ),
        ),
        "a step of duty answered by so many kPa": (
            evenly(-12, 24, 14),
            lambda x: boost_only(
                plus(80.0, lambda t: x * fall(t, 3.2, 0.3)),
                channels={"wastegate_duty": lambda t: np.where(t < 3.2, 40.0, 55.0)},
            ),
        ),
        "a step of duty after so many s": (
            evenly(1.0, 5.9, 17),
            lambda x: boost_only(
                level(80.0), channels={"wastegate_duty": lambda t: np.where(t < x, 40.0, 60.0)}
            ),
        ),
        "a step of duty at so many kPa under a target": (
            evenly(0, 14, 8),
            lambda x: pull(
                {
                    "boost": level(80.0),
                    "boost_target": 80.0 + x,
                    "wastegate_duty": lambda t: np.where(t < 3.2, 40.0, 60.0),
                }
            ),
        ),
        "creeps by so many kPa per 1000 rpm": (
            steps(0.5, 40.0, 26),
            lambda x: boost_only(plus(80.0, lambda t: x * np.clip(t - 1.5, 0, 9) * 0.65)),
        ),
        "creeps from so many s on": (
            evenly(0.3, 5.8, 17),
            lambda x: boost_only(plus(80.0, lambda t: 9 * np.clip(t - x, 0, 9))),
        ),
        "creeps while duty goes by so many per cent": (
            evenly(-20, 20, 17),
            lambda x: boost_only(
                plus(80.0, lambda t: 8 * np.clip(t - 1.5, 0, 9)),
                channels={"wastegate_duty": lambda t: 50 + x * np.clip(t / 6, 0, 1)},
            ),
        ),
        "creeps while its target climbs by so many kPa/s": (
            evenly(-4, 12, 14),
            lambda x: pull(
                {
                    "boost": plus(80.0, lambda t: 8 * np.clip(t - 1.5, 0, 9)),
                    "boost_target": lambda t: 70 + x * np.clip(t - 1.5, 0, 9),
                }
            ),
        ),
        "creeps to so many kPa of its target": (
            evenly(-20, 20, 17),
            lambda x: pull(
                {
                    "boost": plus(80.0, lambda t: 8 * np.clip(t - 1.5, 0, 9)),
                    "boost_target": 116.0 - x,
                }
            ),
        ),
        "creeps from so many kPa": (
            steps(5.0, 120.0, 20),
            lambda x: boost_only(plus(x, lambda t: 10 * np.clip(t - 1.2, 0, 9))),
        ),
        "creeps over so many rpm": (
            steps(150.0, 4000.0, 22),
            lambda x: boost_only(
                plus(80.0, lambda t: 5 * np.clip(t - 1.2, 0, 9)),
                channels={"engine_speed": lambda t: 3000 + x * np.clip(t / 6, -0.1, 1.1)},
            ),
        ),
        "creeps with a swing of so many kPa": (
            steps(1.0, 30.0, 16),
            lambda x: boost_only(
                plus(80.0, lambda t: 7 * np.clip(t - 1.5, 0, 9) + x * np.sin(7 * t))
            ),
        ),
        "creeps for so many s": (
            steps(0.8, 6.0, 20),
            lambda x: boost_only(
                plus(80.0, lambda t: 14 * np.clip(t - 1.0, 0, 9)), duration=1.0 + x
            ),
        ),
        "an approach with a time constant of so many s": (
            steps(0.15, 6.0, 26),
            lambda x: boost_only(
                lambda t: np.where(t < 0, -40, 95 * (1 - np.exp(-np.clip(t, 0, 9) / x))),
                duration=4.0,
            ),
        ),
        "an approach to a target with a time constant of so many s": (
            steps(0.15, 6.0, 20),
            lambda x: pull(
                {
                    "boost": lambda t: np.where(
                        t < 0, -40, 95 * (1 - np.exp(-np.clip(t, 0, 9) / x))
                    ),
                    "boost_target": 95.0,
                }
            ),
        ),
        "a straight climb of so many kPa/s": (
            steps(3.0, 200.0, 26),
            lambda x: boost_only(lambda t: np.where(t < 0, -40, np.clip(x * t, 0, 110))),
        ),
        "a knee, then so many kPa/s": (
            steps(1.0, 60.0, 26),
            lambda x: boost_only(
                lambda t: np.where(
                    t < 0, -40, np.minimum(70 * t, 60 + x * np.clip(t - 0.86, 0, 9))
                ),
                duration=4.5,
            ),
        ),
        "a knee, then 12 kPa/s for so many s": (
            steps(0.4, 5.0, 24),
            lambda x: boost_only(
                lambda t: np.where(
                    t < 0, -40, np.minimum(70 * t, 60 + 12 * np.clip(t - 0.86, 0, 9))
                ),
                duration=0.86 + x,
            ),
        ),
        "begins at so many kPa": (
            evenly(-60, 60, 14),
            lambda x: boost_only(lambda t: np.where(t < 0, x, step(t, to=90, base=x, spool_s=1.0))),
        ),
        "collapses by so many per cent": (
            steps(6.0, 98.0, 24),
            lambda x: boost_only(lambda t: level(90)(t) * (1 - x / 100 * fall(t, 3.5, 0.2))),
        ),
        "collapses within so many s": (
            steps(0.05, 2.5, 24),
            lambda x: boost_only(lambda t: level(90)(t) * (1 - 0.6 * fall(t, 3.0, x))),
        ),
        "collapses after so many s": (
            evenly(0.6, 6.3, 24),
            lambda x: boost_only(lambda t: level(90, 0.4)(t) * (1 - 0.7 * fall(t, x, 0.15))),
        ),
        "collapses for so many s": (
            steps(0.1, 4.0, 26),
            lambda x: boost_only(
                lambda t: level(90)(t) * (1 - 0.6 * (fall(t, 2.5, 0.1) - fall(t, 2.5 + x, 0.1)))
            ),
        ),
        "comes back to so many per cent": (
            evenly(20, 110, 14),
            lambda x: boost_only(
                lambda t: (
                    level(90)(t)
                    * (1 - 0.7 * fall(t, 2.5, 0.1) + (x / 100 - 0.3) * fall(t, 3.2, 0.3))
                )
            ),
        ),
        "an overshoot falls to so many per cent of its target": (
            evenly(50, 110, 17),
            lambda x: pull(
                {
                    "boost": lambda t: (
                        level(130)(t) * (1 - (1 - 0.9 * x / 130) * fall(t, 1.6, 0.3))
                    ),
                    "boost_target": 90.0,
                }
            ),
        ),
        "a collapse from so many per cent of its target": (
            evenly(80, 120, 14),
            lambda x: pull(
                {
                    "boost": lambda t: level(0.9 * x)(t) * (1 - 0.45 * fall(t, 1.5, 0.2)),
                    "boost_target": 90.0,
                }
            ),
        ),
        "collapses from so many kPa": (
            steps(8.0, 90.0, 18),
            lambda x: boost_only(lambda t: level(x)(t) * (1 - 0.5 * fall(t, 3.5, 0.2))),
        ),
        "stands higher for the last so many s": (
            steps(0.08, 2.5, 16),
            lambda x: boost_only(plus(80, lambda t: 14 * fall(t, 6.0 - x, 0.05))),
        ),
        "swings until so many s before the end": (
            steps(0.08, 2.5, 16),
            lambda x: boost_only(plus(80, lambda t: 14 * box(t, 1.2, 6 - x, np.sin(9 * t), 0.0))),
        ),
        "falls for the last so many s": (
            steps(0.05, 1.5, 24),
            lambda x: boost_only(plus(90, lambda t: -60 * np.clip(t - 6.0 + x, 0, 9))),
        ),
        "falls at so many kPa/s at last": (
            steps(5.0, 300.0, 24),
            lambda x: boost_only(plus(90, lambda t: -x * np.clip(t - 5.75, 0, 9))),
        ),
        "the throttle shuts so many s before the end": (
            steps(0.05, 5.0, 22),
            lambda x: boost_only(
                plus(90, lambda t: -50 * fall(t, 6.0 - x, 0.2)),
                channels={"throttle_position": lambda t: box(t, 0, 6.0 - x, 100.0, 20.0)},
            ),
        ),
        "the throttle goes to so many per cent": (
            evenly(60, 100, 13),
            lambda x: boost_only(
                plus(90, lambda t: -30 * fall(t, 4.0, 0.2)),
                channels={"throttle_position": lambda t: box(t, 0, 4.0, 100.0, x)},
            ),
        ),
        "sags by so many per cent": (
            steps(3.0, 80.0, 22),
            lambda x: boost_only(lambda t: level(90)(t) * (1 - x / 100 * fall(t, 3.0, 1.6))),
        ),
        "sags after so many s": (
            evenly(0.8, 5.6, 17),
            lambda x: boost_only(lambda t: level(90)(t) * (1 - 0.4 * fall(t, x, 1.3))),
        ),
        "fades by so many per cent": (
            steps(2.0, 60.0, 24),
            lambda x: boost_only(
                lambda t: level(100)(t) * (1 - x / 100 * np.clip((t - 1.5) / 4.5, 0, 1)),
                channels={"wastegate_duty": None},
            ),
        ),
        "fades while duty goes by so many per cent": (
            evenly(-12, 6, 13),
            lambda x: boost_only(
                lambda t: level(100)(t) * (1 - 0.3 * np.clip((t - 1.5) / 4.5, 0, 1)),
                channels={"wastegate_duty": lambda t: 50 + x * np.clip(t / 6, 0, 1)},
            ),
        ),
        "fades while its target goes by so many kPa": (
            evenly(-40, 10, 14),
            lambda x: pull(
                {
                    "boost": lambda t: level(100)(t) * (1 - 0.3 * np.clip((t - 1.5) / 4.5, 0, 1)),
                    "boost_target": lambda t: 100 + x * np.clip((t - 1.5) / 4.5, 0, 1),
                }
            ),
        ),
        "fades for so many s": (
            steps(0.3, 6.0, 22),
            lambda x: boost_only(
                lambda t: level(100, 0.4)(t) * (1 - 0.3 * np.clip((t - 1.0) / x, 0, 1)),
                duration=1.0 + x,
            ),
        ),
        "fades from so many kPa": (
            steps(8.0, 120.0, 18),
            lambda x: boost_only(
                lambda t: level(x)(t) * (1 - 0.3 * np.clip((t - 1.5) / 4.5, 0, 1))
            ),
        ),
        "swings by so many kPa": (
            steps(1.0, 60.0, 24),
            lambda x: boost_only(plus(90, lambda t: x / 2 * ring(1.5)(t))),
        ),
        "swings by so many kPa at 9 Hz": (
            steps(2.0, 60.0, 18),
            lambda x: boost_only(plus(90, lambda t: x / 2 * ring(3.1)(t)), rate=9.0),
        ),
        "swings so many times a second": (
            steps(0.2, 12.0, 28),
            lambda x: boost_only(plus(90, lambda t: 9 * ring(x)(t))),
        ),
        "swings so many times a second at 10 Hz": (
            steps(0.2, 6.0, 22),
            lambda x: boost_only(plus(90, lambda t: 9 * ring(x)(t)), rate=10.0),
        ),
        "a swing dies away within so many s": (
            steps(0.1, 8.0, 24),
            lambda x: boost_only(
                plus(90, lambda t: 16 * ring(1.6)(t) * np.exp(-np.clip(t - 1.2, 0, 9) / x))
            ),
        ),
        "a swing grows within so many s": (
            steps(0.5, 12.0, 14),
            lambda x: boost_only(
                plus(90, lambda t: 3 * ring(1.6)(t) * np.exp(np.clip(t - 1.2, 0, 5) / x))
            ),
        ),
        "a swing for so many s": (
            steps(0.4, 4.5, 20),
            lambda x: boost_only(plus(90, lambda t: box(t, 1.2, 1.2 + x, 10 * ring(1.6)(t), 0))),
        ),
        "a swing after so many s": (
            evenly(0.8, 5.4, 13),
            lambda x: boost_only(plus(90, lambda t: 10 * ring(1.6, x)(t))),
        ),
        "swings with a target that swings by so many kPa": (
            steps(0.5, 30.0, 18),
            lambda x: pull(
                {
                    "boost": plus(90, lambda t: 9 * ring(1.4)(t)),
                    "boost_target": lambda t: 90 + x / 2 * ring(1.4)(t),
                }
            ),
        ),
        "a wander of so many kPa": (
            steps(2.0, 60.0, 18),
            lambda x: boost_only(plus(90, lambda t: x / 2 * np.sin(2 * np.pi * 0.3 * (t - 1.2)))),
        ),
        "so many kPa of noise": (
            steps(0.05, 8.0, 22),
            lambda x: boost_only(
                plus(90, lambda t: 10 * bump(t, 1.4, 0.5)), noise={"manifold_pressure": x}
            ),
        ),
        "in steps of so many kPa": (
            steps(0.1, 8.0, 22),
            lambda x: boost_only(plus(90, lambda t: 12 * bump(t, 1.4, 0.5)), quantise={"boost": x}),
        ),
        "so many samples a second": (
            steps(2.0, 100.0, 26),
            lambda x: boost_only(plus(90, lambda t: 18 * bump(t, 1.4, 0.6)), rate=x),
        ),
        "so many samples a second, with target and duty": (
            steps(2.0, 100.0, 20),
            lambda x: pull({"boost": plus(82, lambda t: 9 * ring(1.2)(t)), **moving}, rate=x),
        ),
        "an uneven clock": (
            evenly(0.0, 0.4, 6),
            lambda x: boost_only(plus(90, lambda t: 18 * bump(t, 1.4, 0.6)), jitter=x),
        ),
        "clipped at so many per cent of its peak": (
            evenly(70, 102, 17),
            lambda x: boost_only(
                lambda t: np.minimum(plus(100, lambda t: 25 * bump(t, 2.5, 3.0))(t), 1.25 * x)
            ),
        ),
        "clipped for so many s, noisy": (
            steps(0.05, 4.0, 26),
            _clipped,
        ),
        "clipped for so many s in steps of 1 kPa": (
            steps(0.3, 4.0, 18),
            lambda x: _clipped(x, quantise={"boost": 1.0}, noise={"manifold_pressure": 1.4}),
        ),
        "clipped in whole kPa with a noise of so many kPa": (
            steps(0.1, 3.0, 20),
            lambda x: _clipped(2.0, quantise={"boost": 1.0}, noise={"manifold_pressure": x}),
        ),
        "clipped with engine speed by so many rpm": (
            steps(30.0, 600.0, 12),
            lambda x: _clipped(
                1.5,
                channels={
                    "engine_speed": lambda t: np.where(
                        t < 2.5, 3000 + 600 * t, 4500 + x * np.clip((t - 2.5) / 1.5, 0, 1)
                    )
                },
            ),
        ),
        "clipped at a car's sensor of so many kPa": (
            evenly(195, 205, 21),
            lambda x: _clipped(0.15, car=replace(CAR, sensor_top_kpa=x), noise={}),
        ),
        "clipped at a car's sensor of so many kPa, coarse": (
            evenly(190, 212, 12),
            lambda x: _clipped(
                0.15, car=replace(CAR, sensor_top_kpa=x), quantise={"boost": 4.0}, noise={}
            ),
        ),
        "clipped before too, in whole kPa, for so many s": (
            steps(0.2, 3.4, 14),
            lambda x: _clipped(
                x,
                before=((-7, 0.9 * x),),
                quantise={"boost": 1.0},
                noise={"manifold_pressure": 0.5},
            ),
        ),
        "clipped before too, for so large a share": (
            evenly(0.1, 1.2, 12),
            lambda x: _clipped(
                1.6,
                before=((-7, 1.6 * x),),
                quantise={"boost": 1.0},
                noise={"manifold_pressure": 0.5},
            ),
        ),
        "clipped before too, with a noise of so many kPa": (
            steps(0.15, 1.5, 12),
            lambda x: _clipped(
                1.6, before=((-7, 1.6),), quantise={"boost": 1.0}, noise={"manifold_pressure": x}
            ),
        ),
        "clipped in steps of so many kPa": (
            steps(0.15, 4.0, 16),
            lambda x: _clipped(2.5, quantise={"boost": x}, noise={"manifold_pressure": 1.1 * x}),
        ),
        "clipped in steps of 0.1 psi, off by so many kPa": (
            evenly(0.0, 0.06, 7),
            lambda x: _clipped(
                2.5, top=200.0 + x, quantise={"boost": 0.689476}, noise={"manifold_pressure": 0.8}
            ),
        ),
        "clipped after so many samples": (
            evenly(0, 0.5, 11),
            lambda x: _clipped(
                2.5, at=x, quantise={"boost": 1.0}, noise={"manifold_pressure": 1.4}
            ),
        ),
        "clipped after a rise of so many kPa/s": (
            steps(2.0, 200.0, 14),
            lambda x: _clipped(
                2.5,
                shape=lambda t: np.where(t < 0, -40, np.minimum(90.0, 90 + x * (t - 2.5))),
                quantise={"boost": 1.0},
                noise={"manifold_pressure": 1.2},
            ),
        ),
        "clipped twice in a pull, for so many s": (
            steps(0.1, 1.5, 12),
            lambda x: _clipped(1.5, before=((4.3, x),)),
        ),
        "clipped, and read every so many rows": (
            evenly(1, 8, 8),
            lambda x: _clipped(2.0, every={"manifold_pressure": int(x)}),
        ),
        "still elsewhere for so many s": (
            steps(0.1, 3.0, 12),
            lambda x: _clipped(1.2, still_s=x),
        ),
        "a byte's end": (
            evenly(150, 158, 12),
            lambda x: boost_only(
                lambda t: np.minimum(level(160, 1.0)(t), x), quantise={"boost": 1.0}, noise={}
            ),
        ),
        "over its limit by so many per cent": (
            evenly(-12, 12, 18),
            lambda x: boost_only(level(1.0 * (100 + x)), car=replace(CAR, boost_limit_kpa=100.0)),
        ),
        "over its limit by so many per cent, pinned": (
            evenly(-12, 12, 6),
            lambda x: boost_only(
                lambda t: np.minimum(level(140)(t), 100 + x),
                car=replace(CAR, boost_limit_kpa=100.0, sensor_top_kpa=200.0 + x),
                noise={},
            ),
        ),
        "an ambient pressure known to so many kPa": (
            steps(0.2, 20.0, 16),
            lambda x: replace(
                p := pull({"boost": level(97.0)}, car=replace(CAR, boost_limit_kpa=100.0)),
                log=replace(p.log, barometric=Barometric(100.0, "made", x)),
            ),
        ),
        "so few samples of boost": (
            evenly(0, 24, 25),
            lambda x: few(round(x), "manifold_pressure", channels={"boost": level(95), **moving}),
        ),
        "so few samples of boost at a target": (
            evenly(0, 24, 25),
            lambda x: few(
                round(x),
                "boost_target",
                channels={"boost": level(80), "boost_target": lambda t: 90 + 3 * t, **moving},
            ),
        ),
        "so few samples of duty": (
            evenly(0, 24, 25),
            lambda x: few(
                round(x),
                "wastegate_duty",
                channels={"boost": level(80), "wastegate_duty": lambda t: np.where(t < 3, 50, 70)},
            ),
        ),
        "so few samples of engine speed": (
            evenly(0, 24, 25),
            lambda x: few(
                round(x),
                "engine_speed",
                channels={"boost": plus(80, lambda t: 8 * np.clip(t - 1.5, 0, 9))},
            ),
        ),
        "so few samples of throttle": (
            evenly(0, 12, 13),
            lambda x: few(
                round(x),
                "throttle_position",
                channels={"boost": lambda t: level(90)(t) * (1 - 0.6 * fall(t, 3.5, 0.2))},
            ),
        ),
        "too short to settle, over its target by so many kPa": (
            steps(1.0, 40.0, 18),
            lambda x: pull(
                {
                    "boost": lambda t: np.where(
                        t < 0, -40, step(t, to=95, base=-5, spool_s=0.5) + x * bump(t, 1.0, 0.5)
                    ),
                    "boost_target": 95.0,
                },
                duration=1.5,
            ),
        ),
        "too short to settle by so many s": (
            evenly(0.9, 2.4, 15),
            lambda x: pull(
                {"boost": plus(95, lambda t: 15 * bump(t, 0.95, 0.4)), "boost_target": 95.0},
                duration=x,
                rate=25.0,
            ),
        ),
    }
    return [Sweep(name, xs, said_of(make, *BOOST)) for name, (xs, make) in made.items()]


def _clipped(
    for_s: float,
    *,
    at: float = 2.5,
    top: float = 200.0,
    before: Sequence[tuple[float, float]] = (),
    still_s: float = 0.0,
    shape: Callable[[Array], Array] | None = None,
    **more: Any,
) -> Pull:
    """A reading that stands at its top from a moment on for so long, and before; noisy elsewhere."""
    hump = lambda t: np.where(t < 0, -40, 94 - 14 * np.abs(np.clip((t - 3) / 3, -1, 1)))  # noqa: E731
    made = boost_only(shape or hump, **({"lead_s": 9.0} if before else {}), **more)
    pressure = np.minimum(made.log.values("manifold_pressure"), top - 0.4)
    t = made.log.time - made.start_s
    for start, length in ((at, for_s), *before):
        inside = (t >= start) & (t <= start + length) & np.isfinite(pressure)
        pressure = np.where(inside, top, pressure)
    if still_s:
        rows = (t >= 0.6) & (t <= 0.6 + still_s) & (pressure < top)
        pressure = np.where(rows, pressure[np.argmax(rows)], pressure)
    frame = made.log.frame.with_columns(pl.Series("manifold_pressure", pressure))
    return replace(made, log=replace(made.log, frame=frame))
