"""Seeded pulls of many cars and loggers, 1 to 100 Hz: healthy ones raise nothing, a plain fault is found.

Rate, jitter, noise, quantisation, lag, probe speed, rail kind, boost, spool and length are all drawn anew.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import pytest

from audit.checks.engine import electrical, knock, lubrication
from audit.checks.heat import heat_soak
from audit.checks.mixture import fuel_supply, lean_under_load
from audit.model import Array, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Shape = Callable[[Array], Array]
CHECKS: tuple[Any, ...] = (electrical, fuel_supply, heat_soak, knock, lean_under_load, lubrication)
HEALTHY_PULLS = 300


def probe(
    t: Array, boost: Shape, *, table: list[float], cut_s: float, lag_s: float, tau_s: float
) -> Array:
    """Lambda as a probe sees it: the table by boost, lean at the tip-in, free air after the cut; late and rounded off."""
    fine = np.arange(t[0] - 2, t[-1] + 0.01, 0.01)
    gas = np.interp(boost(fine), [-60, 0, 40, 80], table)
    gas = np.where((fine > 0) & (fine < 0.25), 1.08, np.where(fine > cut_s, 2.0, gas))
    kernel = np.exp(-np.arange(0, 8 * tau_s, 0.01) / tau_s)
    seen = np.convolve(
        np.pad(gas, (len(kernel) - 1, 0), mode="edge"), kernel / kernel.sum(), mode="valid"
    )
    return np.interp(t - lag_s, fine, seen)


def random_pull(
    make_pull: Make,
    step: Callable[..., Array],
    rpm_ramp: Callable[..., Array],
    seed: int,
    fault: Callable[[dict[str, Any], float], None] | None = None,
    *,
    least_hz: float = 1.0,
) -> Pull:
    """One made pull; `fault` changes its channels in place, given the pull's length in s."""
    rng = np.random.default_rng(seed)
    u = rng.uniform
    rate, dur, top = float(np.exp(u(np.log(least_hz), np.log(100)))), u(3.2, 9), u(50, 180)
    spool, base, relief, per = u(0.4, min(1.5, dur / 3)), u(250, 400), u(430, 560), u(86, 115)
    speed = partial(rpm_ramp, start=u(2200, 3200), end=u(5500, 8000), duration=dur)

    def boost(t: Array) -> Array:
        pull = step(t, to=top, base=-5.0, spool_s=spool)
        return np.where(
            t < 0,
            -45 + 25 * np.sin(t * 1.3 + seed),
            np.where(t > dur, np.maximum(-60, top - (t - dur) * 900), pull),
        )

    table = [1.0, 0.92, 0.82, u(0.76, 0.78)]
    late = {"table": table, "cut_s": dur + u(0, 0.2), "lag_s": u(0.05, 0.3), "tau_s": u(0.03, 0.15)}
    start, rise, coolant, volts, end_pct = u(5, 38), u(0, 11), u(80, 98), u(13.6, 14.5), u(50, 80)
    channels: dict[str, Any] = {
        "boost": boost,
        "engine_speed": speed,
        "lambda": lambda t: probe(t, boost, **late),
        "fuel_pressure": (lambda t: base + boost(t - 0.03)) if rng.random() < 0.5 else base + 80,
        "intake_air_temp": lambda t: start + rise * np.clip(t / dur, 0, 1),
        "coolant_temp": coolant,
        "oil_pressure": lambda t: np.minimum(per * speed(t - 0.1) / 1000, relief),
        "battery_voltage": volts,
        "injector_duty": lambda t: np.where(
            t > dur, 0, 20 + (end_pct - 20) * np.clip(t / dur, 0, 1)
        ),
        "knock_retard": lambda t: np.where(rng.random(t.size) < 0.01, 1.0, 0.0),
    }
    if rng.random() < 0.4:
        channels["lambda_target"] = lambda t: np.interp(boost(t), [-60, 0, 40, 80], table)
    if fault is not None:
        fault(channels, dur)
    noise = {
        "manifold_pressure": u(0.1, 1.2),
        "engine_speed": u(1, 15),
        "lambda": u(0.001, 0.012),
        "fuel_pressure": u(0.5, 5),
        "oil_pressure": u(1, 8),
        "battery_voltage": u(0.01, 0.08),
    }
    steps = {
        "lambda": rng.choice([0.001, 0.0068, 0.01]),
        "intake_air_temp": rng.choice([0.1, 1]),
        "boost": rng.choice([0.1, 1]),
        "fuel_pressure": rng.choice([0.5, 3]),
        "battery_voltage": rng.choice([0.01, 0.1]),
    }
    return make_pull(
        dur,
        rate,
        channels,
        noise=noise,
        quantise=steps,
        jitter=rng.choice([0, 0.1, 0.3]),
        lead_s=rng.choice([2.0, 8.0]),
        tail_s=rng.choice([0.0, 1.0]),
        seed=seed,
    )


def judged(pull: Pull, table: Limits) -> tuple[dict[str, str], set[str]]:
    """Findings by code, and the checks that could not judge."""
    found, unable = {}, set()
    for check in CHECKS:
        if pull.log.rate_hz < check.DECLARED.least_rate_hz:
            continue
        measured = check.measure(pull, table)
        found |= {f.code: f.severity for f in check.judge(measured, table).findings}
        unable |= {check.NAME} if measured.unable else set()
    return found, unable


def test_healthy_pulls_raise_nothing_and_are_judged(
    make_pull: Make, step: Callable[..., Array], rpm_ramp: Callable[..., Array], table: Limits
) -> None:
    alarms: Counter[str] = Counter()
    unable: Counter[str] = Counter()
    for seed in range(HEALTHY_PULLS):
        found, not_judged = judged(random_pull(make_pull, step, rpm_ramp, seed), table)
        alarms.update(found.keys())
        unable.update(not_judged)
    assert alarms == {}
    assert unable["heat_soak"] == 0
    assert unable["lean_under_load"] <= 0.02 * HEALTHY_PULLS


def leaner(channels: dict[str, Any], dur: float) -> None:
    before = channels["lambda"]
    channels["lambda"] = lambda t: (
        before(t) + 0.16 * np.clip((t - 0.45 * dur) * 4, 0, 1) * (t < dur)
    )


def sagging(channels: dict[str, Any], dur: float) -> None:
    before = channels["fuel_pressure"]
    rail = before if callable(before) else lambda t: np.full(t.shape, before)
    channels["fuel_pressure"] = lambda t: (
        rail(t) - 75.0 * np.clip((t - 0.4 * dur) * 2, 0, 1) * (t < dur)
    )


def hot(channels: dict[str, Any], dur: float) -> None:
    channels["intake_air_temp"] = lambda t: 41 + 34 * np.clip(t / dur, 0, 1)


def knocking(channels: dict[str, Any], dur: float) -> None:
    channels["knock_retard"] = lambda t: np.where((t > 0.5 * dur) & (t < 0.5 * dur + 1.3), 5.0, 0.0)


def dim(channels: dict[str, Any], dur: float) -> None:
    channels["battery_voltage"] = lambda t: 14.0 - 2.5 * np.clip(t / dur * 2, 0, 1)


def dry(channels: dict[str, Any], dur: float) -> None:
    before = channels["oil_pressure"]
    channels["oil_pressure"] = lambda t: 0.42 * before(t)


@pytest.mark.parametrize(
    ("fault", "code", "least_hz"),
    [
        (leaner, "mixture.lean", 2.0),
        (sagging, "fuel.pressure_drop", 3.0),
        (hot, "heat.intake", 1.0),
        (knocking, "knock.retard", 2.0),
        (dim, "electrical.voltage", 1.0),
        (dry, "oil.pressure", 2.0),
    ],
)
def test_a_plain_fault_is_found(
    make_pull: Make,
    step: Callable[..., Array],
    rpm_ramp: Callable[..., Array],
    table: Limits,
    fault: Callable[[dict[str, Any], float], None],
    code: str,
    least_hz: float,
) -> None:
    missed = [
        seed
        for seed in range(1000, 1060)
        if judged(random_pull(make_pull, step, rpm_ramp, seed, fault, least_hz=least_hz), table)[
            0
        ].get(code)
        not in ("hold", "stop")
    ]
    assert missed == []
