"""Pressure by height against ISO 2533 / the ICAO standard atmosphere, by the library ambiance."""

from __future__ import annotations

import pytest
from ambiance import Atmosphere

from audit.intake.units.barometric import from_height
from audit.units import standard_pressure_kpa


@pytest.mark.parametrize(
    "height", [-100.0, 0.0, 250.0, 500.0, 1000.0, 1500.0, 2000.0, 3000.0, 4500.0]
)
def test_pressure_is_that_of_the_standard_atmosphere(height: float) -> None:
    assert standard_pressure_kpa(height) == pytest.approx(
        float(Atmosphere(height).pressure[0]) / 1000.0, abs=2e-3
    )


@pytest.mark.parametrize(
    ("height", "kpa"),
    [
        (0, 101.325),
        (500, 95.4613),
        (1000, 89.8763),
        (1500, 84.5597),
        (2000, 79.5014),
        (3000, 70.1211),
    ],
)
def test_the_tabled_pressures(height: float, kpa: float) -> None:
    """ISO 2533:1975, geometric heights, computed with ambiance 1.3.1."""
    found = from_height(height)
    assert (
        found is not None
        and found.kpa == pytest.approx(kpa, abs=2e-3)
        and found.uncertainty_kpa >= 3.0
    )
