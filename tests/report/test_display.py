"""Figures in the reader's units."""

from __future__ import annotations

import pytest

from audit.report.display import figure, localise, number


@pytest.mark.parametrize(
    ("canonical", "us"),
    [
        ("Boost peaked at 88.0 kPa gauge.", "Boost peaked at 12.8 psi gauge."),
        ("limit of 65 °C", "limit of 149 °F"),
        ("rose by 25 K", "rose by 45 °F"),
        ("at 100 km/h", "at 62 mph"),
        ("slope 4 kPa per 1000 rpm", "slope 0.6 psi per 1000 rpm"),
        ("lasted 0.3 s at 5 Hz", "lasted 0.3 s at 5 Hz"),
        ("-34.5 kPa", "-5.0 psi"),
    ],
)
def test_a_message_is_turned_into_us_units(canonical, us):
    assert localise(canonical, us=True) == us


def test_metric_shows_a_difference_in_degrees():
    assert localise("rose by 25 K to 60 °C", us=False) == "rose by 25 °C to 60 °C"


def test_what_is_unknown_is_a_dash():
    assert number(None, "kPa", us=True) == "–"
    assert number(float("nan"), "kPa", us=False) == "–"


def test_nought_has_no_minus():
    assert (
        number(-0.004, "kPa", us=False, digits=1) == "0.0"
        and number(-0.06, "kPa", us=False, digits=1) == "-0.1"
    )


def test_a_slope_is_in_the_readers_units_and_a_ratio_names_none():
    assert figure(6.894757, "kPa per %", us=True) == "1.0 psi per %"
    assert figure(0.93, "1", us=True) == "0.93"
