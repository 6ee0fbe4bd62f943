"""Heating by the compressor and cooling by the cooler against CoolProp and hand-worked figures.

CoolProp 8.0.0 ('Air', a reference equation of state) stands for real air: outlet enthalpy is inlet enthalpy plus the
isentropic rise over the efficiency. 298.15 K in at 101.325 kPa. Effectiveness examples worked by hand.
"""

from __future__ import annotations

import pytest

from audit.checks.heat.charge import ZERO_C, compressor_outlet_c, cooler_effectiveness

INLET_K, INLET_KPA = 298.15, 101.325


def real_outlet_k(ratio: float, efficiency: float) -> float:
    props = pytest.importorskip(
        "CoolProp.CoolProp", reason="CoolProp is the reference here"
    ).PropsSI
    start = {"T": INLET_K, "P": INLET_KPA * 1e3}
    entropy, enthalpy = (
        props(x, *(v for pair in start.items() for v in pair), "Air") for x in ("S", "H")
    )
    isentropic = props("H", "S", entropy, "P", ratio * INLET_KPA * 1e3, "Air")
    return float(
        props(
            "T",
            "H",
            enthalpy + (isentropic - enthalpy) / efficiency,
            "P",
            ratio * INLET_KPA * 1e3,
            "Air",
        )
    )


@pytest.mark.parametrize("ratio", [1.2, 1.5, 1.95264, 2.0, 2.5])
@pytest.mark.parametrize("efficiency", [0.65, 0.70, 0.75, 1.0])
def test_the_outlet_is_that_of_real_air_within_a_kelvin(ratio: float, efficiency: float) -> None:
    ours = compressor_outlet_c(INLET_K - ZERO_C, ratio, efficiency=efficiency) + ZERO_C
    assert ours == pytest.approx(real_outlet_k(ratio, efficiency), abs=1.0)


@pytest.mark.parametrize(
    ("ratio", "efficiency", "kelvin"),
    [
        (1.5, 1.0, 334.770),
        (2.0, 1.0, 363.449),
        (2.5, 1.0, 387.375),
        (1.5, 0.70, 350.464),
        (2.0, 0.65, 398.610),
        (2.5, 0.75, 417.117),
    ],
)
def test_the_ideal_gas_table(ratio: float, efficiency: float, kelvin: float) -> None:
    """T1 (1 + (ratio^(2/7) - 1) / efficiency), computed with an independent calculator."""
    assert compressor_outlet_c(25.0, ratio, efficiency=efficiency) + ZERO_C == pytest.approx(
        kelvin, abs=0.002
    )


@pytest.mark.parametrize(("effectiveness", "charge_c"), [(0.70, 51.92), (0.80, 42.95)])
def test_fourteen_psi_on_a_mild_day_through_a_cooler(effectiveness: float, charge_c: float) -> None:
    """14 psi over 101.325 kPa, 25 °C in: ratio 1.95264, 114.74 °C out; T3 = T2 - e (T2 - T1)."""
    hot = compressor_outlet_c(25.0, 1.95264)
    assert hot == pytest.approx(114.74, abs=0.01)
    assert cooler_effectiveness(hot, charge_c, 25.0) == pytest.approx(effectiveness, abs=2e-4)


def test_thin_air_heats_more_for_the_same_boost() -> None:
    """The same boost at 70.1085 kPa: ratio 2.37682, 144.53 °C."""
    assert compressor_outlet_c(25.0, 2.37682) == pytest.approx(144.53, abs=0.01)


def test_no_compression_heats_nothing_and_tells_nothing_of_the_cooler() -> None:
    assert compressor_outlet_c(20.0, 1.0) == pytest.approx(20.0)
    assert cooler_effectiveness(25.0, 22.0, 20.0) is None


@pytest.mark.parametrize(("ratio", "efficiency"), [(0.9, 0.7), (2.0, 0.0), (2.0, 1.1)])
def test_what_cannot_be_is_refused(ratio: float, efficiency: float) -> None:
    with pytest.raises(ValueError, match="pressure ratio"):
        compressor_outlet_c(20.0, ratio, efficiency=efficiency)
