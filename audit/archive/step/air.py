"""The outside air's density, and boost at a fixed duty brought from one density to another."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.model import Array

REFERENCE_PRESSURE_KPA = 99.0  # dry air; ISO 1585 and SAE J1349 reference conditions, from memory
REFERENCE_TEMPERATURE_C = 25.0


def relative_density(pressure_kpa: ArrayLike, temperature_c: ArrayLike) -> Array:
    """Density of dry air over that of the reference air, same shape as the arguments. Ideal gas.

    pressure_kpa: absolute; temperature_c: °C. Raises ValueError for a pressure or absolute
    temperature of 0 or less. Does not see humidity: saturated air of 30 °C is 2 % lighter.
    """
    pressure, kelvin = np.asarray(pressure_kpa, float), np.asarray(temperature_c, float) + 273.15
    if bool(np.any(pressure <= 0)) or bool(np.any(kelvin <= 0)):
        raise ValueError("air density needs a pressure and an absolute temperature above 0")
    warmer = kelvin / (REFERENCE_TEMPERATURE_C + 273.15)
    return np.asarray(pressure / REFERENCE_PRESSURE_KPA / warmer)


def at_reference(boost_kpa: ArrayLike, relative: ArrayLike, *, power: float) -> Array:
    """Boost in kPa gauge at a fixed duty as it would have been in the reference air.

    boost / relative^power, same shape. power: 0 where the gate only sees gauge pressure, towards 1
    where it stays shut and the turbo gives what it can.
    """
    return np.asarray(np.asarray(boost_kpa, float) / np.asarray(relative, float) ** power)
