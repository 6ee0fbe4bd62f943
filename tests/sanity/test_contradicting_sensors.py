"""Two sensors that cannot both be right: both sides of how far they may differ, each on its smallest log."""

from __future__ import annotations

import numpy as np
import pytest

from audit.engine import state_of
from audit.model import Car
from audit.sanity.between import contradictions

from .conftest import BARO, make_log


def told(log, car=None):
    car = car or Car()
    return {x.channel: x for x in contradictions(log, car, state_of(log))}


def rest_at(kpa):
    """Manifold pressure with the engine stopped, in the first 3 s."""
    return {"manifold_pressure": lambda t, v: np.where(t < 3.05, kpa, v)}


@pytest.mark.parametrize("off", [-4.4, -3.6, 3.6, 4.4])
def test_manifold_and_barometric_pressure_at_rest(off):
    found = told(make_log(50.0, noise=0.0, change=rest_at(BARO + off)))
    assert ("manifold_pressure" in found) == (abs(off) > 4.0)
    if abs(off) > 4.0:
        trouble = found["manifold_pressure"]
        assert trouble.code == "sensor.disagree"
        assert trouble.value == pytest.approx(abs(off), abs=1e-6)
        assert trouble.limit == 4.0
        assert trouble.end_s < 3.1 and trouble.start_s >= 0.0
        assert f"{abs(off):.1f} kPa apart" in trouble.text


@pytest.mark.parametrize("off", [7.6, 8.4])
def test_without_a_barometer_the_altitude_has_the_weather_too(off):
    """Sea level: 101.325 kPa (ISO 2533)."""
    change = rest_at(101.325 - off) | {"barometric_pressure": None}
    log = make_log(50.0, noise=0.0, change=change)
    assert ("manifold_pressure" in told(log, Car(altitude_m=0.0))) == (off > 8.0)
    assert "manifold_pressure" not in told(log)


@pytest.mark.parametrize(
    ("kpa", "wrong"), [(49.0, True), (51.0, False), (111.0, False), (113.0, True)]
)
def test_no_open_air_has_less_than_50_or_more_than_112_kpa(kpa, wrong):
    change = rest_at(kpa) | {"barometric_pressure": None}
    found = told(make_log(50.0, noise=0.0, change=change))
    assert ("manifold_pressure" in found) == wrong
    if wrong:
        assert found["manifold_pressure"].value is None
        assert "no open air has" in found["manifold_pressure"].text


def test_a_reading_near_nothing_is_no_rest_and_a_moving_one_neither():
    assert "manifold_pressure" not in told(make_log(50.0, noise=0.0, change=rest_at(7.0)))
    moving = {"manifold_pressure": lambda t, v: np.where(t < 3.05, 130.0 + 6 * np.sin(9 * t), v)}
    assert "manifold_pressure" not in told(make_log(50.0, noise=0.0, change=moving))


@pytest.mark.parametrize(("seconds", "wrong"), [(0.9, False), (1.5, True)])
@pytest.mark.parametrize(("kpa", "boost"), [(BARO + 19.0, False), (BARO + 21.0, True)])
def test_a_throttle_shut_under_boost(seconds, wrong, kpa, boost):
    def shut(t, v):
        return np.where((t > 31.5) & (t <= 31.5 + seconds), 3.0, v)

    def pressure(t, v):
        return np.where((t > 31.4) & (t < 34.0), kpa, v)

    log = make_log(
        50.0, noise=0.0, change={"throttle_position": shut, "manifold_pressure": pressure}
    )
    found = told(log)
    assert ("throttle_position" in found) == (wrong and boost)
    if wrong and boost:
        trouble = found["throttle_position"]
        assert trouble.value == pytest.approx(seconds, abs=0.05)
        assert (trouble.start_s, trouble.end_s) == pytest.approx((31.5, 31.5 + seconds), abs=0.05)
        assert trouble.count == 1
        assert "reads shut" in trouble.text


@pytest.mark.parametrize(
    ("throttle", "share", "wrong"), [(86, 0.69, True), (84, 0.69, False), (86, 0.71, False)]
)
def test_a_throttle_wide_open_under_vacuum(throttle, share, wrong):
    def opened(t, v):
        return np.where((t > 45.0) & (t < 48.0), float(throttle), v)

    def pressure(t, v):
        return np.where((t > 44.0) & (t < 49.0), share * BARO, v)

    log = make_log(
        50.0, noise=0.0, change={"throttle_position": opened, "manifold_pressure": pressure}
    )
    found = told(log)
    assert ("throttle_position" in found) == wrong
    if wrong:
        assert "deep vacuum" in found["throttle_position"].text


@pytest.mark.parametrize(
    ("coolant", "intake", "wrong"),
    [
        (20.0, 34.0, False),
        (20.0, 36.0, True),
        (29.0, 5.0, False),
        (29.0, 3.0, True),
        (31.0, 5.0, False),
        (49.0, 65.0, True),
        (51.0, 67.0, False),
    ],
)
def test_intake_and_coolant_before_a_cold_start(coolant, intake, wrong):
    change = {
        "coolant_temp": lambda t, v: np.where(t < 3.3, coolant, v),
        "intake_air_temp": lambda t, v: np.where(t < 3.3, intake, v),
    }
    found = told(make_log(50.0, noise=0.0, change=change))
    assert ("intake_air_temp" in found) == wrong
    if wrong:
        trouble = found["intake_air_temp"]
        assert trouble.value == pytest.approx(abs(intake - coolant), abs=0.01)
        assert trouble.limit == (15.0 if intake > coolant else 25.0)


@pytest.mark.parametrize(("ambient", "wrong"), [(34.0, False), (37.0, True)])
def test_intake_air_is_not_colder_than_the_air_outside(ambient, wrong):
    change = {"ambient_air_temp": lambda t, v: np.full_like(t, ambient)}
    found = told(make_log(20.0, noise=0.0, change=change))  # the intake's middle is near 26 °C
    assert ("intake_air_temp" in found) == wrong
    if wrong:
        assert found["intake_air_temp"].limit == 10.0
        assert found["intake_air_temp"].value == pytest.approx(ambient - 26.0, abs=1.0)


CAR = Car(gear_ratios=(3.3, 1.95, 1.36, 1.03, 0.82), final_drive=4.1, circumference_m=1.841)


@pytest.mark.parametrize(
    ("factor", "wrong"), [(1.0, False), (1.07, False), (1.13, True), (0.88, True)]
)
def test_engine_over_road_speed_lies_near_a_gear_of_the_car_file(factor, wrong):
    third = CAR.rpm_per_kmh[2]
    change = {
        "vehicle_speed": lambda t, v: np.where(t > 17.0, 45.0, 0.0),
        "engine_speed": lambda t, v: np.where(t > 17.0, 45.0 * third * factor, v),
    }
    found = told(make_log(20.0, noise=0.0, change=change), CAR)
    assert ("vehicle_speed" in found) == wrong
    if wrong:
        assert found["vehicle_speed"].limit == 9.0
        assert found["vehicle_speed"].value == pytest.approx(100 * abs(factor - 1), abs=2.5)
    assert "vehicle_speed" not in told(make_log(20.0, noise=0.0, change=change))


def test_three_slow_samples_that_last_are_enough():
    """At 1.6 samples a second three of them span 1.25 s."""
    third = 1.0 / 1.6

    def shut(t, v):
        return np.where((t > 31.2) & (t < 31.2 + 3 * third), 3.0, v)

    log = make_log(1.6, noise=0.0, change={"throttle_position": shut})
    assert (
        log.values("throttle_position")[(log.time > 30.5) & (log.time < 35.9)] == 3.0
    ).sum() == 3
    assert told(log)["throttle_position"].count == 1
