"""Two lambda sensors that differ, and exhaust gas that is too hot."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.heat import exhaust
from audit.checks.mixture import banks_differ
from audit.model import Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]
CALM = {"lambda": 0.002, "lambda_2": 0.002, "lambda_3": 0.002}


@pytest.mark.parametrize(
    ("apart", "severity"),
    [
        (0.024, None),
        (0.036, "watch"),
        (0.054, "watch"),
        (0.068, "hold"),
        (0.094, "hold"),
        (0.108, "stop"),
    ],
)
@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_both_sides_of_the_difference_of_banks(
    make_pull: Make, codes: Codes, table: Limits, apart: float, severity: str | None, rate: float
) -> None:
    pull = make_pull(rate=rate, channels={"lambda": 0.76, "lambda_2": 0.76 + apart}, noise=CALM)
    assert codes(banks_differ, pull, table).get("mixture.banks_differ") == severity


def test_the_leaner_one_is_named_and_any_two_of_three_count(make_pull: Make, table: Limits) -> None:
    pull = make_pull(channels={"lambda": 0.84, "lambda_2": 0.79, "lambda_3": 0.77}, noise=CALM)
    measured = banks_differ.measure(pull, table)
    (finding,) = banks_differ.judge(measured, table).findings
    assert (finding.severity, finding.channel) == ("hold", "lambda")
    assert "lambda 3" in finding.message.lower()


@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_banks_that_see_the_same_gas_at_unlike_times_agree(
    make_pull: Make, codes: Codes, table: Limits, rate: float
) -> None:
    swings = lambda t: 0.79 + 0.05 * np.sin(2 * np.pi * 0.7 * t)  # noqa: E731
    pull = make_pull(
        rate=rate, channels={"lambda": swings, "lambda_2": lambda t: swings(t - 0.15)}, noise=CALM
    )
    assert codes(banks_differ, pull, table) == {}


def test_banks_apart_off_load_only_agree(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = make_pull(channels={"lambda_2": lambda t: np.where(t < 0.3, 1.1, 0.79)}, noise=CALM)
    assert codes(banks_differ, pull, table) == {}


@pytest.mark.parametrize(
    ("peak", "severity"),
    [(890, None), (905, "watch"), (945, "watch"), (955, "hold"), (995, "hold"), (1005, "stop")],
)
def test_both_sides_of_exhaust_gas_temperature(
    make_pull: Make, codes: Codes, table: Limits, peak: float, severity: str | None
) -> None:
    rising = lambda t: np.clip(600 + 90 * t, 500, peak)  # noqa: E731
    found = codes(exhaust, make_pull(channels={"exhaust_gas_temp": rising}), table)
    assert found == ({"heat.exhaust": severity} if severity else {})


def test_one_wild_exhaust_sample_is_none(make_pull: Make, codes: Codes, table: Limits) -> None:
    wild = lambda t: np.where(np.abs(t - 3) < 0.02, 1200.0, 840.0)  # noqa: E731
    assert codes(exhaust, make_pull(channels={"exhaust_gas_temp": wild}), table) == {}


def test_the_exhaust_is_judged_without_a_charge_temperature(make_pull: Make, table: Limits) -> None:
    from audit.checks.kit.run import run_pull

    pull = make_pull(channels={"intake_air_temp": None, "exhaust_gas_temp": 1010.0})
    result = run_pull(pull, table)[1]["heat_soak"]
    assert [(f.code, f.severity) for f in result.findings] == [("heat.exhaust", "stop")]
