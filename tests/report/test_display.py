"""Figures in the reader's units."""

from __future__ import annotations

import re

import pytest

from audit.report.display import apart, as_written, figure, localise, number, overshoot


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


# 1 psi = 6.894757 kPa: NIST SP 811 (2008), appendix B.8
@pytest.mark.parametrize(
    ("peak", "settled", "shown"), [(62.7, 62.3, "0.1"), (108.0, 87.6, "3.0"), (62.4, 62.0, "0.1")]
)
def test_peak_less_settled_is_the_overshoot_as_all_three_are_shown(peak, settled, shown):
    """62.7 and 62.3 kPa are shown as 9.1 and 9.0 psi; their difference by itself would be shown as 0.1, and
    that of 62.4 and 62.0 as 0.1 too, though 9.1 and 9.0 stand beside it.
    """
    measures = {"boost_peak_kpa": peak, "boost_settled_kpa": settled}
    text = overshoot(measures, us=True)
    ends = [float(number(v, "kPa", us=True)) for v in (peak, settled)]
    assert text == shown and float(text) == pytest.approx(ends[0] - ends[1])


@pytest.mark.parametrize("settled", [80.0 + i / 10 for i in range(40)])
def test_a_sentence_with_both_ends_adds_up_in_psi(settled):
    peak = settled + 20.4
    text = f"overshot its settled level of {settled:.1f} kPa gauge by 20.4 kPa (23 %), to {peak:.1f} kPa, at"
    low, by, high = (float(f) for f in re.findall(r"([\d.]+) psi", localise(text, us=True)))
    assert high - low == pytest.approx(by) and by == pytest.approx(20.4 / 6.894757, abs=0.1)


@pytest.mark.parametrize(
    ("a", "b", "shown"),
    [
        ("8.1", "8.2", "+0.1"),
        ("55.8", "47.9", "-7.9"),
        ("3734", "3284", "-450"),
        ("0.80", "0.80", "0.00"),
    ],
)
def test_a_difference_is_that_of_the_figures_beside_it(a, b, shown):
    assert apart(a, b) == shown


def test_two_figures_of_a_sentence_never_read_alike():
    """118.2 kPa is 17.144 psi and 118 kPa is 17.114 psi; 49.9 °C is 121.8 °F and 50 °C is 122 °F."""
    over = "Boost came to 118.2 kPa, over the limit of 118 kPa"
    assert localise(over, us=True) == "Boost came to 17.14 psi, over the limit of 17.11 psi"
    assert localise("49.9 °C, below 50 °C", us=True) == "121.8 °F, below 122.0 °F"
    assert localise("118.2 kPa, over 110 kPa", us=True) == "17.1 psi, over 16.0 psi"
    assert as_written(118.2, "kPa", over, us=True) == "17.14 psi"
