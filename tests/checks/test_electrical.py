"""Supply voltage under load."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.engine import electrical as check
from audit.model import Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]


@pytest.mark.parametrize(
    ("volts", "severity"), [(13.1, None), (12.9, "watch"), (12.1, "hold"), (10.9, "stop")]
)
@pytest.mark.parametrize("rate", [1.0, 10.0, 100.0])
def test_both_sides_of_low_supply(
    make_pull: Make, codes: Codes, table: Limits, volts: float, severity: str | None, rate: float
) -> None:
    pull = make_pull(
        rate=rate,
        channels={"battery_voltage": lambda t: np.where(t > 2, volts, 14.0)},
        noise={"battery_voltage": 0.01},
    )
    assert codes(check, pull, table) == ({"electrical.voltage": severity} if severity else {})


@pytest.mark.parametrize("rate", [1.0, 10.0, 100.0])
def test_one_low_sample_is_nothing(
    make_pull: Make, codes: Codes, table: Limits, rate: float
) -> None:
    pull = make_pull(
        rate=rate,
        channels={"battery_voltage": lambda t: np.where(np.abs(t - 3) < 0.45 / rate, 9.0, 14.0)},
    )
    assert codes(check, pull, table) == {}


def test_cranking_before_the_pull_is_nothing(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert (
        codes(
            check,
            make_pull(channels={"battery_voltage": lambda t: np.where(t < -1, 9.5, 14.0)}),
            table,
        )
        == {}
    )


def test_the_sag_is_told_from_before(make_pull: Make, table: Limits) -> None:
    measured = check.measure(
        make_pull(channels={"battery_voltage": lambda t: np.where(t > 1, 12.5, 14.0)}), table
    )
    assert measured.values["battery_sag_v"] == pytest.approx(1.5, abs=0.1)


def test_too_few_samples_are_said(make_pull: Make, table: Limits) -> None:
    measured = check.measure(make_pull(rate=10, every={"battery_voltage": 200}), table)
    assert measured.unable is not None


def test_how_long_the_supply_was_low_counts_to_the_last_sample(
    make_pull: Make, table: Limits
) -> None:
    low = lambda t: np.where((t >= 2) & (t < 5), 12.0 + 0.2 * np.sin(40 * t), 13.9)  # noqa: E731
    measured = check.measure(make_pull(rate=10, channels={"battery_voltage": low}, noise={}), table)
    assert "low for 3.0 s" in measured.texts["battery_min_v"]


@pytest.mark.parametrize(("rate", "seconds"), [(2.0, 6.5), (20.0, 6.05)])
def test_a_supply_low_all_through_was_low_for_the_pull_and_one_interval(
    make_pull: Make, table: Limits, rate: float, seconds: float
) -> None:
    """13 samples, half a second apart, stand for 6.5 s; 121 of a twentieth for 6.05 s."""
    pull = make_pull(rate=rate, channels={"battery_voltage": 12.0}, noise=0.0)
    text = check.measure(pull, table).texts["battery_min_v"]
    told = float(text.removesuffix(" s").split()[-1])
    assert told == pytest.approx(seconds, abs=0.06)
