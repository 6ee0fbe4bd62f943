"""Density of air against CoolProp (equation of state of Lemmon, Jacobsen, Penoncello and Friend, 2000)."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI

from audit.archive.step.air import at_reference, relative_density

REFERENCE = PropsSI("D", "T", 298.15, "P", 99_000.0, "Air")


@pytest.mark.parametrize("kpa", [70.0, 85.0, 95.0, 99.0, 101.325, 104.0])
@pytest.mark.parametrize("celsius", [-20.0, 0.0, 15.0, 25.0, 40.0])
def test_density_of_dry_air_over_the_references_is_a_ratio_of_the_librarys(kpa, celsius):
    real = PropsSI("D", "T", celsius + 273.15, "P", kpa * 1000.0, "Air") / REFERENCE
    assert float(relative_density(kpa, celsius)) == pytest.approx(real, rel=1e-3)


def test_what_humidity_would_change_is_as_small_as_the_docstring_says():
    """Saturated air of 30 °C; HAPropsSI gives volume a kilogram of dry air, V / (1 + W) that of the moist."""
    state = ("T", 303.15, "P", 101_325.0, "R", 1.0)
    moist = (1.0 + HAPropsSI("W", *state)) / HAPropsSI("V", *state)
    dry = REFERENCE * float(relative_density(101.325, 30.0))
    assert 1.0 - moist / dry == pytest.approx(0.016, abs=0.005)


def test_boost_at_the_reference():
    assert at_reference([80.0, 90.0], [0.8, 1.0], power=0.5).tolist() == pytest.approx(
        [80.0 / 0.8**0.5, 90.0]
    )
    assert at_reference(80.0, 0.8, power=0.0) == 80.0


@pytest.mark.parametrize(("kpa", "celsius"), [(0.0, 20.0), (-5.0, 20.0), (100.0, -280.0)])
def test_no_pressure_or_no_temperature_is_refused(kpa, celsius):
    with pytest.raises(ValueError, match="above 0"):
        relative_density(np.array([kpa]), celsius)
