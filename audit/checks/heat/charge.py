"""What the charge should heat up by, and how much of that the cooler takes away again."""

from __future__ import annotations

EXPONENT = 2.0 / 7.0  # (gamma - 1) / gamma with gamma = 1.4, air as an ideal gas
ZERO_C = 273.15
USUAL_EFFICIENCY = 0.70  # of a compressor in its good range; common practice, no published source


def compressor_outlet_c(
    inlet_c: float, pressure_ratio: float, *, efficiency: float = USUAL_EFFICIENCY
) -> float:
    """Temperature after the compressor, °C: T1 (1 + (ratio^(2/7) - 1) / efficiency), T1 in K.

    inlet_c: °C; pressure_ratio: absolute out over absolute in, 1 or more; efficiency: isentropic,
    above 0 to 1. Raises ValueError outside those. Source: isentropic compression of an ideal gas
    (Heywood, Internal Combustion Engine Fundamentals, ch. 6, from memory)."""
    if not pressure_ratio >= 1 or not 0 < efficiency <= 1:
        raise ValueError(
            f"pressure ratio must be 1 or more and efficiency 0 to 1, got {pressure_ratio} and "
            f"{efficiency}"
        )
    return float(
        (inlet_c + ZERO_C) * (1.0 + (pressure_ratio**EXPONENT - 1.0) / efficiency) - ZERO_C
    )


def cooler_effectiveness(hot_c: float, charge_c: float, air_c: float) -> float | None:
    """Share of the possible cooling that the charge cooler does: (hot - charge) / (hot - cooling
    air).

    None where hot is less than 10 K above the air: then nothing can be said. Takes the charge as
    the smaller stream. Source: heat-exchanger effectiveness (Incropera, from memory)."""
    return (hot_c - charge_c) / (hot_c - air_c) if hot_c - air_c >= 10.0 else None
