"""Unit factors against pint (general-purpose units library) and NIST SP 811 (2008), appendix B.8."""

from __future__ import annotations

import math

import pint
import pytest

from audit import units as constants
from audit.intake.names.unit_text import unit_for
from audit.units import read_unit, units

UREG = pint.UnitRegistry()
TO_CANONICAL = {
    "pressure": "kPa",
    "speed": "km/hour",
    "mass_flow": "g/second",
    "duration": "millisecond",
    "voltage": "volt",
    "acceleration": "m/s**2",
}
PINT = {
    "kpa": "kPa",
    "psi": "psi",
    "bar": "bar",
    "mbar": "mbar",
    "pa": "Pa",
    "mpa": "MPa",
    "inhg": "inHg",
    "mmhg": "mmHg",
    "inh2o": "inH2O",
    "atm": "atm",
    "kgcm2": "kilogram_force/cm**2",
    "kmh": "km/hour",
    "mph": "mile/hour",
    "mps": "m/s",
    "kn": "knot",
    "gs": "g/s",
    "kgh": "kg/hour",
    "lbmin": "lb/minute",
    "lbh": "lb/hour",
    "kgmin": "kg/minute",
    "ms": "ms",
    "us": "us",
    "s": "s",
    "v": "V",
    "mv": "mV",
    "g_n": "standard_gravity",
    "ms2": "m/s**2",
}


@pytest.mark.parametrize(("key", "name"), sorted(PINT.items()))
def test_a_factor_is_that_of_pint(key: str, name: str) -> None:
    unit = units()[key]
    assert unit.scale == pytest.approx(
        UREG.Quantity(1, name).to(TO_CANONICAL[unit.quantity]).magnitude, rel=2e-6
    )


@pytest.mark.parametrize(("key", "name"), [("c", "degC"), ("f", "degF"), ("k", "kelvin")])
@pytest.mark.parametrize("value", [-40.0, 0.0, 32.0, 90.0, 182.0, 212.0])
def test_a_temperature_is_that_of_pint(key: str, name: str, value: float) -> None:
    unit = units()[key]
    assert unit.scale * value + unit.offset == pytest.approx(
        UREG.Quantity(value, name).to("degC").magnitude, abs=1e-9
    )


@pytest.mark.parametrize(
    ("key", "value", "canonical"),
    [
        # NIST SP 811, B.8, and figures computed from its factors: 14, 14.7, 20, -5 psi; 20, 29.92 inHg
        ("psi", 1.0, 6.894757),
        ("psi", 14.0, 96.5266),
        ("psi", 14.7, 101.3529),
        ("psi", 20.0, 137.8951),
        ("psi", -5.0, -34.4738),
        ("inhg", 1.0, 3.386389),
        ("inhg", 20.0, 67.7278),
        ("inhg", 29.92, 101.3207),
        ("bar", 1.0, 100.0),
        ("atm", 1.0, 101.325),
        ("mph", 1.0, 1.609344),
        ("f", 182.0, 83.333),
        ("f", 90.0, 32.222),
        ("f", -40.0, -40.0),
        ("lbmin", 1.0, 7.559873),
        ("inh2o", 1.0, 0.249089),
    ],
)
def test_a_figure_of_the_handbook(key: str, value: float, canonical: float) -> None:
    unit = units()[key]
    assert unit.scale * value + unit.offset == pytest.approx(
        canonical, abs=1e-3 if key in ("f", "inhg") else 1e-4
    )


def test_rotation_by_arithmetic() -> None:
    assert units()["rads"].scale == pytest.approx(
        UREG.Quantity(1, "radian/second").to("revolution/minute").magnitude
    )
    assert units()["hz"].scale == 60.0 and units()["krpm"].scale == 1000.0


def test_the_table_and_the_constants_agree() -> None:
    pairs = {"psi": constants.KPA_PER_PSI, "mph": constants.KMH_PER_MPH}
    for key, factor in pairs.items():
        assert math.isclose(units()[key].scale, factor, rel_tol=1e-9), key


@pytest.mark.parametrize(
    ("text", "channel", "key"),
    [
        ("psi", "manifold_pressure", "psi"),
        ("PSIG", "manifold_pressure", "psi_gauge"),
        ("psi(a)", "manifold_pressure", "psi_absolute"),
        ("kPa abs", "manifold_pressure", "kpa_absolute"),
        ("kPa (g)", "manifold_pressure", "kpa_gauge"),
        ("hPa", "barometric_pressure", "mbar"),
        ("in-Hg", "barometric_pressure", "inhg"),
        ("kg/cm²", "manifold_pressure", "kgcm2"),
        ("°F", "coolant_temp", "f"),
        ("degF", "coolant_temp", "f"),
        ("deg C", "coolant_temp", "c"),
        ("℃", "coolant_temp", "c"),
        ("C", "coolant_temp", "c"),
        ("K", "coolant_temp", "k"),
        ("mph", "vehicle_speed", "mph"),
        ("km/h", "vehicle_speed", "kmh"),
        ("KPH", "vehicle_speed", "kmh"),
        ("λ", "lambda", "lambda"),
        ("AFR", "lambda", "afr"),
        ("phi", "lambda", "phi"),
        ("g/s", "mass_air_flow", "gs"),
        ("kg/h", "mass_air_flow", "kgh"),
        ("lb/min", "mass_air_flow", "lbmin"),
        ("µs", "injector_pulse_width", "us"),
        ("ms", "injector_pulse_width", "ms"),
        ("%", "throttle_position", "pct"),
        ("V", "throttle_position", "throttle_v"),
        ("V", "battery_voltage", "v"),
        ("rpm x 1000", "engine_speed", "krpm"),
        ("1/min", "engine_speed", "rpm"),
        ("° BTDC", "ignition_timing", "deg"),
        ("°KW", "ignition_timing", "deg"),
        ("g", "acceleration_longitudinal", "g_n"),
        ("m/s²", "acceleration_longitudinal", "ms2"),
        ("G", "acceleration_longitudinal", "g_n"),
    ],
)
def test_unit_text_is_read(text: str, channel: str, key: str) -> None:
    found = unit_for(text, channel)
    assert found is not None and found.key == key


@pytest.mark.parametrize("text", ["bank 1", "raw", "", "left", "furlong"])
def test_text_that_is_no_unit(text: str) -> None:
    assert read_unit(text) == ()


def test_each_unit_reads_back_from_its_own_text() -> None:
    for unit in units().values():
        if unit.said and unit.key not in (
            "fraction",
            "byte",
            "throttle_v",
            "throttle_deg",
            "centred",
            "afr_own",
            "lambda_pct",
            "phi",
            "inhg_psi",
            "deg_after",
            "deg_negative",
            "hz",
        ):
            assert any(u.scale == unit.scale for u in read_unit(unit.said)), unit.said
