"""Amounts in words: what is taken, and what a wrong one is told."""

from __future__ import annotations

import pytest

from audit.amounts import WrongAmount, amount, fuel, stoichiometric_afr


@pytest.mark.parametrize(
    ("text", "quantity", "value"),
    [
        ("18 psi", "pressure", 124.106),  # NIST SP 811: 1 psi = 6.894757 kPa
        ("18PSI", "pressure", 124.106),
        ("1,2 bar", "pressure", 120.0),
        ("125 kPa", "pressure", 125.0),
        ("7 psi gauge", "pressure", 48.2633),
        ("18 psi boost", "pressure", 124.106),
        ("20 inHg gauge", "pressure", 67.7278),  # NIST SP 811: 1 inHg = 3.386389 kPa
        ("3900 ft", "height", 1188.72),  # NIST SP 811: 1 ft = 0.3048 m, exact
        ("-10 m", "height", -10.0),
        ("85 °F", "temperature", 29.4444),
        ("85F", "temperature", 29.4444),
        ("35 %", "percent", 35.0),
    ],
)
def test_an_amount_is_taken_with_its_unit(text, quantity, value):
    assert amount(text, quantity) == pytest.approx(value, abs=1e-3)


@pytest.mark.parametrize(
    ("text", "quantity", "says"),
    [
        ("18", "pressure", '"18 psi" or "18 bar" or "18 kPa" (18 psi is 124 kPa)'),
        ("3900", "height", "3900 ft is 1189 m"),
        ("80 °F", "pressure", "is a temperature, and this is a pressure"),
        ("18 pis", "pressure", "Did you mean psi"),
        ("35 psia", "pressure", 'at sea level that is "20.3 psi"'),
        ("50 inHg abs", "pressure", "is absolute pressure"),
        ("90 psi", "pressure", "more than the 87 psi"),
        ("much", "pressure", 'write it as "18 psi"'),
    ],
)
def test_a_wrong_amount_is_told_with_the_right_one(text, quantity, says):
    with pytest.raises(WrongAmount) as caught:
        amount(text, quantity, most=600.0 if quantity == "pressure" else None)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("word", "name", "pct"),
    [
        ("gasoline", "petrol", 0.0),
        ("E85", "e85", 85.0),
        ("e20", "e20", 20.0),
        ("E 100", "ethanol", 100.0),
        ("methanol", "methanol", None),
    ],
)
def test_a_fuel_has_a_name_and_its_share_of_ethanol(word, name, pct):
    found = fuel(word)
    assert (found.name, found.ethanol_pct) == (name, pct)


@pytest.mark.parametrize("word", ["disel", "e120", "e85x", ""])
def test_a_word_that_is_no_fuel_is_refused(word):
    with pytest.raises(WrongAmount, match="no fuel"):
        fuel(word)


# Common practice, no published source: what gauges take for petrol and its blends.
@pytest.mark.parametrize(
    ("word", "afr"), [("petrol", 14.7), ("e10", 14.1), ("e50", 11.8), ("e85", 9.8)]
)
def test_a_blend_burns_by_the_masses_of_its_shares(word, afr):
    assert stoichiometric_afr(fuel(word)) == afr
