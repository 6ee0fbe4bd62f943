"""Oil pressure for the engine speed, the relief valve, and sagging."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.engine import lubrication as check
from audit.model import Array, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Ramp = Callable[..., Array]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]


@pytest.mark.parametrize(
    ("per_krpm", "severity"), [(71.5, None), (69.0, "watch"), (54.0, "hold"), (39.0, "stop")]
)
@pytest.mark.parametrize("rate", [5.0, 20.0, 100.0])
def test_both_sides_of_pressure_for_the_speed(
    make_pull: Make,
    rpm_ramp: Ramp,
    codes: Codes,
    table: Limits,
    per_krpm: float,
    severity: str | None,
    rate: float,
) -> None:
    pull = make_pull(
        rate=rate,
        channels={"oil_pressure": lambda t: per_krpm * np.minimum(rpm_ramp(t) / 1000, 5.5)},
        noise=0.2,
    )
    assert codes(check, pull, table) == ({"oil.pressure": severity} if severity else {})


@pytest.mark.parametrize("relief", [400.0, 450.0, 550.0])
def test_the_relief_valve_is_no_fault_at_high_speed(
    make_pull: Make, rpm_ramp: Ramp, codes: Codes, table: Limits, relief: float
) -> None:
    pull = make_pull(
        channels={
            "engine_speed": lambda t: rpm_ramp(t, end=8200.0),
            "oil_pressure": lambda t: np.minimum(95 * rpm_ramp(t, end=8200.0) / 1000, relief),
        }
    )
    assert codes(check, pull, table) == {}


def test_cold_thick_oil_is_no_fault(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert codes(check, make_pull(channels={"oil_pressure": 620.0, "oil_temp": 30.0}), table) == {}


def test_a_sag_in_a_corner_is_found_and_one_sample_is_not(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    sag = lambda width: (
        lambda t: np.where(
            (t > 4) & (t < 4 + width), 300.0, np.minimum(470.0, 300 + 80 * np.clip(t, 0, None))
        )
    )  # noqa: E731
    assert codes(check, make_pull(channels={"oil_pressure": sag(0.8)}), table) == {
        "oil.pressure": "hold"
    }
    assert codes(check, make_pull(channels={"oil_pressure": sag(0.06)}), table) == {}


def test_pressure_that_follows_a_falling_speed_is_no_sag(
    make_pull: Make, rpm_ramp: Ramp, codes: Codes, table: Limits
) -> None:
    speed = lambda t: np.where(t > 5, rpm_ramp(np.full(t.shape, 5.0)) - 2500 * (t - 5), rpm_ramp(t))  # noqa: E731
    pull = make_pull(
        channels={"engine_speed": speed, "oil_pressure": lambda t: 80 * speed(t) / 1000}
    )
    assert codes(check, pull, table) == {}


def test_oil_that_thins_a_little_at_the_relief_is_no_sag(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert (
        codes(
            check,
            make_pull(channels={"oil_pressure": lambda t: 480 - 8 * np.clip(t, 0, None)}),
            table,
        )
        == {}
    )


def test_the_message_tells_pressure_speed_and_temperature(make_pull: Make, table: Limits) -> None:
    measured = check.measure(make_pull(channels={"oil_pressure": 150.0, "oil_temp": 110.0}), table)
    message = check.judge(measured, table).findings[0].message
    assert " kPa at " in message
    assert "The oil was at 110 °C" in message


def test_too_few_samples_are_said(make_pull: Make, table: Limits) -> None:
    assert check.measure(make_pull(rate=10, every={"oil_pressure": 200}), table).unable is not None


def test_the_sentence_names_the_speed_that_is_counted(
    make_pull: Make, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    """The relief valve holds pressure level above 5,500 rpm: more speed asks for no more pressure."""
    flat = lambda t: 60.0 * np.minimum(rpm_ramp(t) / 1000, 5.5)  # noqa: E731
    measured = check.measure(make_pull(channels={"oil_pressure": flat}, noise={}), table)
    assert measured.values["oil_pressure_per_krpm_kpa"] == pytest.approx(60.0, abs=1.5)
    low = lambda t: np.where(t > 5, 250.0, 500.0)  # noqa: E731
    text = check.measure(make_pull(channels={"oil_pressure": low}), table).texts[
        "oil_pressure_per_krpm_kpa"
    ]
    assert "counted as 5500 rpm" in text


@pytest.mark.parametrize(
    ("left", "severity"), [(0.82, None), (0.78, "watch"), (0.63, "hold"), (0.43, "stop")]
)
def test_both_sides_of_a_sag_that_leaves_enough_for_the_speed(
    make_pull: Make, codes: Codes, table: Limits, left: float, severity: str | None
) -> None:
    """800 kPa before it: what is left is over 60 kPa per 1000 rpm counted, so the sag alone speaks."""
    sag = lambda t: np.where((t > 4) & (t < 5), 800.0 * left, 800.0)  # noqa: E731
    pull = make_pull(channels={"oil_pressure": sag}, noise=0.1)
    measured = check.measure(pull, table)
    assert measured.values["oil_pressure_sag_pct"] == pytest.approx(100 * (1 - left), abs=0.5)
    found = codes(check, pull, table)
    if left > 0.5:  # below, the pressure for the speed is short too
        assert found == ({"oil.pressure": severity} if severity else {})
    else:
        assert found == {"oil.pressure": severity}


def test_a_speed_that_dips_by_less_than_three_percent_does_not_excuse_a_sag(
    make_pull: Make, table: Limits
) -> None:
    sag = lambda t: np.where((t > 4) & (t < 5), 500.0, 800.0)  # noqa: E731

    def told(share: float) -> float | None:
        dip = lambda t: np.where(t > 3, share * 5000.0, 5000.0)  # noqa: E731
        pull = make_pull(channels={"engine_speed": dip, "oil_pressure": sag}, noise=0.1)
        return check.measure(pull, table).values["oil_pressure_sag_pct"]

    assert told(0.98) == pytest.approx(37.5, abs=0.5)
    assert (told(0.96) or 0.0) < 1.0
