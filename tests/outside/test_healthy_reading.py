"""A healthy reading of the trade comes out without a finding.

On a four-cylinder turbo petrol car 14 psi boost at 11.54:1 air-fuel ratio, coolant 182 °F and intake air 90 °F in the
pull is a healthy reading: common practice, no published source. Units by their definitions (1 psi = 6.894757 kPa,
NIST SP 811; °C = (°F - 32) / 1.8); petrol 14.7:1.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from audit.checks.heat import heat_soak
from audit.checks.kit.base import Check
from audit.checks.kit.registry import all_checks
from audit.checks.kit.run import run_pull
from audit.checks.mixture import lean_under_load
from audit.model import Barometric, Car, Channel, Log, Pull, Sanity, Span
from audit.tables import limits

BOOST_KPA = 14 * 6.894757293168
COOLANT_C, INTAKE_C = (182 - 32) / 1.8, (90 - 32) / 1.8


def reading(
    rate: float,
    *,
    afr: float = 11.54,
    coolant_c: float = COOLANT_C,
    intake_c: float = INTAKE_C,
    seed: int = 0,
) -> Pull:
    """Cruise, a 6 s pull to 14 psi, lift; with the noise of usual sensors."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 16, 1 / rate)
    into = t - 5.0
    pull = (into >= 0) & (into <= 6)
    boost = np.where(pull, BOOST_KPA / (1 + np.exp(-(into - 1) * 6)), -45.0) + rng.normal(
        0, 0.4, t.size
    )
    seen = into - 0.2  # the probe is late
    lam = np.where(
        (seen < 0) | (seen > 6.2),
        1.0,
        afr / 14.7 + (1 - afr / 14.7) / (1 + np.exp((seen - 0.6) * 9)),
    )
    lam = np.where(seen > 6.0, 1.9, lam) + rng.normal(0, 0.004, t.size)
    columns = {
        "time": t,
        "engine_speed": np.where(pull, 2800 + 600 * into, 2800.0),
        "throttle_position": np.where(pull, 100.0, 18.0),
        "manifold_pressure": 101.0 + boost,
        "lambda": lam,
        "coolant_temp": np.full(t.size, coolant_c),
        "intake_air_temp": np.full(t.size, intake_c),
    }
    channels = tuple(Channel(n, n, rate_hz=rate) for n in columns if n != "time")
    log = Log("a.csv", "0" * 64, pl.DataFrame(columns), channels, Barometric(101.0, "made", 0.5))
    rows = np.flatnonzero(pull)
    span = Span(
        int(rows[0]),
        int(rows[-1]) + 1,
        float(t[rows[0]]),
        float(t[rows[-1]]),
        3,
        2800.0,
        6400.0,
        "lift",
    )
    return Pull(0, span, log, Sanity({}, {}, {}, {n.name: 0.004 for n in channels[3:4]}), Car())


@pytest.mark.parametrize("rate", [2.0, 5.0, 10.0, 20.0, 50.0, 100.0])
def test_it_raises_nothing(rate: float) -> None:
    _, results = run_pull(reading(rate), limits())
    assert [f.message for r in results.values() for f in r.findings] == []
    assert results["lean_under_load"].status == "pass"
    assert results["heat_soak"].status == "pass"


def test_it_scores_full_marks_or_nearly() -> None:
    measures, results = run_pull(reading(20.0), limits())
    assert measures["lambda_mean"] == pytest.approx(0.785, abs=0.005)
    assert measures["coolant_peak_c"] == pytest.approx(83.33, abs=0.01)
    assert measures["intake_peak_c"] == pytest.approx(32.22, abs=0.01)
    assert min(results[c.NAME].score or 0 for c in _mine()) >= 95


@pytest.mark.parametrize(
    ("changed", "code"),
    [
        ({"afr": 13.4}, "mixture.lean"),
        ({"coolant_c": (230 - 32) / 1.8}, "heat.coolant"),
        ({"intake_c": (155 - 32) / 1.8}, "heat.intake"),
    ],
)
def test_one_figure_out_of_it_is_found(changed: dict[str, float], code: str) -> None:
    pull = reading(20.0, **changed)
    found = [f.code for c in _mine() for f in c.judge(c.measure(pull, limits()), limits()).findings]
    assert found == [code]


def _mine() -> list[Check]:
    return [c for c in all_checks() if c.NAME in (heat_soak.NAME, lean_under_load.NAME)]
