"""A broken sensor does not argue for another unit than the file states, nor than the others tell."""

from __future__ import annotations

import numpy as np
import pytest
from made import AMBIENT, Made, drive
from test_infer_units import PSI, log_of, scene

from audit.intake.units.scene import temperature_without_rails, without_dropouts
from audit.model import Car


@pytest.mark.parametrize("reads", [215.0, -40.0, 150.0])
@pytest.mark.parametrize("stated", ["°C", ""])
def test_a_charge_sensor_at_its_rail_stays_in_its_unit(stated: str, reads: float) -> None:
    d = drive()
    air = np.where(d["time"] > 10.0, reads, d["intake_air_temp"])
    columns = [
        *scene(d),
        Made(f"IAT ({stated})", air, stated, name="IAT"),
        Made("ECT (°C)", d["coolant_temp"], "°C", name="ECT"),
    ]
    channel = log_of(columns, d).by_name["intake_air_temp"]
    assert channel.source_unit == "°C" and not channel.doubtful, channel


@pytest.mark.parametrize(("unit", "scale"), [("psi", PSI), ("bar", 100.0), ("kPa", 1.0)])
@pytest.mark.parametrize("stated", [True, False])
def test_dropouts_to_no_pressure_at_all_leave_a_gauge_reading_what_it_is(
    unit: str, scale: float, stated: bool
) -> None:
    d = drive()
    gauge = d["manifold_pressure"] - AMBIENT
    for start in (6.0, 15.2, 20.0):
        gauge[(d["time"] > start) & (d["time"] < start + 0.3)] = -AMBIENT
    log = log_of([*scene(d), Made("Boost", gauge / scale, unit if stated else "", name="Boost")], d)
    assert log.by_name["manifold_pressure"].source_unit == f"{unit} gauge", log.by_name[
        "manifold_pressure"
    ]


@pytest.mark.parametrize("offset", [12.0, 20.0])
def test_a_sensor_that_is_out_by_some_kpa_keeps_the_stated_unit(offset: float) -> None:
    d = drive()
    gauge = d["manifold_pressure"] - AMBIENT + offset
    log = log_of([*scene(d), Made("Boost (psi)", gauge / PSI, "psi", name="Boost")], d)
    assert log.by_name["manifold_pressure"].source_unit == "psi gauge", log.by_name[
        "manifold_pressure"
    ]


@pytest.mark.parametrize("car", [Car(), Car(target_kpa=80.0)])
def test_a_car_short_of_boost_keeps_the_unit_of_its_target(car: Car) -> None:
    d = drive()
    weak = np.where(
        d["manifold_pressure"] > AMBIENT,
        AMBIENT + 0.15 * (d["manifold_pressure"] - AMBIENT),
        d["manifold_pressure"],
    )
    target = np.where(d["throttle_position"] > 80, 80.0, 0.0)
    log = log_of(
        [*scene(d), Made("Boost", (weak - AMBIENT) / PSI), Made("Boost Target", target / PSI)],
        d,
        car,
    )
    assert log.by_name["boost_target"].source_unit == "psi gauge", log.by_name["boost_target"]


def test_what_belongs_to_the_column_stays_in_it() -> None:
    boost = np.concatenate((np.zeros(60), np.linspace(2.0, 14.0, 40)))  # cut off at zero
    vacuum = np.concatenate((np.full(3, 28.0), np.linspace(31.0, 95.0, 60), np.full(40, 180.0)))
    air = np.concatenate((np.full(50, 24.0), np.full(50, 31.0)))
    exhaust = np.concatenate((np.linspace(250.0, 640.0, 80), np.full(20, 820.0)))  # driven hard
    for kept, values in (
        (without_dropouts(boost), boost),
        (without_dropouts(vacuum), vacuum),
        (temperature_without_rails("intake_air_temp", air), air),
        (temperature_without_rails("exhaust_gas_temp", exhaust), exhaust),
    ):
        np.testing.assert_array_equal(kept, values)


def test_an_open_exhaust_probe_says_nothing_of_the_unit() -> None:
    """A thermocouple's amplifier reads the end of its scale when the probe opens: no hotter exhaust, nor kelvin."""
    driven = np.linspace(250.0, 860.0, 80)
    log_values = np.concatenate((driven, np.full(20, 1372.0)))
    np.testing.assert_array_equal(
        temperature_without_rails("exhaust_gas_temp", log_values)[:80], driven
    )
    assert np.isnan(temperature_without_rails("exhaust_gas_temp", log_values)[80:]).all()
