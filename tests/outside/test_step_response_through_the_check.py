"""A second-order step of known damping, sent through boost_overshoot as a made log.

Overshoot exp(-pi z / sqrt(1 - z²)) and rise 10 to 90 %: Ogata, Modern Control Engineering, transient response
(formula from memory), both by python-control's step_info on a fine grid. Terms: IEEE Std 181-2011.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from audit.checks.boost import boost_overshoot
from audit.model import GOOD, Barometric, Car, Channel, Log, Pull, Sanity, Span
from audit.tables import limits

control = pytest.importorskip("control")

CASES = [(0.2, 10.0), (0.3, 10.0), (0.4, 8.0), (0.5, 8.0), (0.6, 12.0)]
LEVEL, BEGINS = 100.0, 0.8


def made_pull(zeta: float, wn: float, rate: float, *, noise: float = 0.0, seed: int = 0) -> Pull:
    """Boost of a step to 100 kPa gauge at 0.8 s into a 7 s pull, the engine climbing from 2,800 to 6,300 rpm."""
    t = np.arange(round(7.0 * rate) + 1) / rate
    system = control.tf([wn**2], [1, 2 * zeta * wn, wn**2])
    fine = np.linspace(0, 7.0, 14001)
    step = control.step_response(system, fine).outputs
    boost = np.interp(t - BEGINS, fine, LEVEL * step, left=0.0)
    boost = boost + np.random.default_rng(seed).normal(0, noise or 1e-9, t.size)
    columns = {
        "time": t,
        "manifold_pressure": boost + 101.325,
        "engine_speed": 2800 + 500 * t,
        "throttle_position": np.full(t.size, 100.0),
    }
    units = {"manifold_pressure": "kPa", "engine_speed": "rpm", "throttle_position": "%"}
    channels = tuple(Channel(name=n, source=n, unit=u, rate_hz=rate) for n, u in units.items())
    log = Log(
        "step.csv", "0" * 64, pl.DataFrame(columns), channels, Barometric(101.325, "made", 0.1)
    )
    samples = {n: np.full(t.size, GOOD, np.uint8) for n in units}
    sanity = Sanity(samples, {}, dict.fromkeys(units, GOOD), {"manifold_pressure": noise})
    return Pull(
        0, Span(0, t.size, 0.0, float(t[-1]), 3, 2800.0, 6300.0, "log end"), log, sanity, Car()
    )


def reference(zeta: float, wn: float) -> dict[str, float]:
    system = control.tf([wn**2], [1, 2 * zeta * wn, wn**2])
    return control.step_info(system, T=np.linspace(0, 7.0, 200_001))


@pytest.mark.parametrize(("zeta", "wn"), CASES)
def test_overshoot_and_rise_at_100_hz(zeta, wn):
    want = reference(zeta, wn)
    got = boost_overshoot.measure(made_pull(zeta, wn, 100.0), limits()).values
    assert got["boost_overshoot_pct"] == pytest.approx(want["Overshoot"], abs=0.7)
    assert got["boost_rise_s"] == pytest.approx(want["RiseTime"], abs=0.012)
    assert got["boost_settled_kpa"] == pytest.approx(LEVEL, abs=0.3)
    assert got["boost_overshoot_pct"] == pytest.approx(
        100 * np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2)), abs=0.7
    )


@pytest.mark.parametrize(("zeta", "wn"), CASES)
@pytest.mark.parametrize("rate", [20.0, 50.0])
def test_overshoot_and_rise_with_noise_at_the_usual_rates(zeta, wn, rate):
    want = reference(zeta, wn)
    # what samples this far apart can miss of a half swing at worst (arithmetic), and 3 sigma of noise
    damped_hz = wn * np.sqrt(1 - zeta**2) / (2 * np.pi)
    missed = want["Overshoot"] * (1 - np.cos(np.pi * damped_hz / rate))
    got = boost_overshoot.measure(made_pull(zeta, wn, rate, noise=0.4, seed=3), limits()).values
    assert want["Overshoot"] - missed - 1.6 <= got["boost_overshoot_pct"] <= want["Overshoot"] + 1.6
    assert got["boost_rise_s"] == pytest.approx(want["RiseTime"], abs=1.5 / rate)


@pytest.mark.parametrize(
    ("zeta", "severity"), [(0.7, None), (0.6, "watch"), (0.5, "hold"), (0.3, "stop")]
)
def test_the_verdict_on_known_dampings(zeta, severity):
    """4.6, 9.5, 16.3 and 37.2 % of 100 kPa against the limits of 7 kPa and 8 %, 14 kPa and 15 %."""
    table = limits()
    judged = boost_overshoot.judge(
        boost_overshoot.measure(made_pull(zeta, 9.0, 50.0, noise=0.2), table), table
    )
    found = {f.code: f.severity for f in judged.findings}
    assert found.get("boost.overshoot") == severity
