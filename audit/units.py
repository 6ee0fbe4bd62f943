"""Conversions, in one place. Factors: NIST SP 811 (2008), appendix B.8, exact where exact by
definition.
"""

from __future__ import annotations

KPA_PER_PSI = 6.894757293168
KMH_PER_MPH = 1.609344
M_PER_FT = 0.3048
STANDARD_PRESSURE_KPA = 101.325


def psi(kpa: float) -> float:
    """kPa to psi."""
    return kpa / KPA_PER_PSI


def fahrenheit(celsius: float) -> float:
    """°C to °F."""
    return celsius * 1.8 + 32.0


def mph(kmh: float) -> float:
    """km/h to mile/h."""
    return kmh / KMH_PER_MPH


def standard_pressure_kpa(height_m: float) -> float:
    """Pressure of the standard atmosphere at a geometric height below 11 km.

    p = 101.325 (1 - 0.0065 H / 288.15)^5.25588, H the geopotential height of the geometric one.
    Source: ISO 2533:1975.
    """
    geopotential = height_m * 6356766.0 / (6356766.0 + height_m)
    return float(STANDARD_PRESSURE_KPA * (1.0 - 0.0065 * geopotential / 288.15) ** 5.25588)


def injector_duty_pct(pulse_ms: float, rpm: float) -> float:
    """Injector duty of a four-stroke, one shot a cycle: pulse × rpm / 1200, % (ms, rpm)."""
    return pulse_ms * rpm / 1200.0
