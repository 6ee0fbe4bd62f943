import numpy as np
import pytest

from audit.model import Car, Series
from audit.model.car import rpm_per_kmh
from audit.pulls.gears import _counted, _numbered, _starts_in_first, speed_lag
from tests.pulls.conftest import RATIOS, build, found, lines, one_pull


def test_a_logged_gear_wins_over_the_ratio(clock):
    t = clock()
    log = one_pull(t, gear=3) | {"gear": np.full_like(t, 5.0)}
    assert found(build(log, t))[0].gear == 5


def test_a_gear_channel_that_says_nothing_is_not_used(clock):
    t = clock()
    log = one_pull(t, gear=3) | {"gear": np.zeros_like(t)}
    assert found(build(log, t))[0].gear == 3


@pytest.mark.parametrize("lag_s", [0.0, 0.3, 0.7])
def test_a_late_road_speed_does_not_change_the_gear(clock, lag_s):
    t = clock()
    log = one_pull(t, gear=2)
    log["vehicle_speed"] = np.interp(t - lag_s, t, log["vehicle_speed"])
    assert found(build(log, t))[0].gear == 2


def test_without_road_speed_there_is_no_gear_and_no_ratio(clock):
    t = clock()
    log = one_pull(t)
    del log["vehicle_speed"]
    (pull,) = found(build(log, t))
    assert (pull.gear, pull.gear_ratio) == (None, None)


def test_without_a_car_file_one_ratio_alone_names_no_gear_but_is_told(clock):
    t = clock()
    (pull,) = found(build(one_pull(t, gear=4), t), Car())
    assert pull.gear is None
    assert pull.gear_ratio == pytest.approx(RATIOS[4], rel=0.02)


def test_a_ratio_that_is_no_gear_of_the_car_names_none(clock):
    t = clock()
    log = one_pull(t, gear=3)
    log["vehicle_speed"] *= 0.86
    assert found(build(log, t))[0].gear is None


def test_gears_are_counted_from_a_start_in_first_until_one_may_be_missing():
    assert _counted(np.array([122.0, 72.0, 50.0, 38.0])) == (1, 2, 3, 4)
    assert _counted(np.array([122.0, 72.0, 38.0])) == (1, 2, None)
    assert _counted(np.array([122.0, 50.0])) == (1, None)


@pytest.mark.parametrize(("ratio", "first"), [(122.0, True), (80.0, True), (48.0, False)])
def test_a_log_that_only_begins_at_rest_in_a_taller_gear_is_no_start_in_first(ratio, first):
    t = np.arange(0.0, 30.0, 0.1)
    speed = np.where(t < 5.0, 0.0, 40.0)
    ratios = np.where(t < 5.0, np.nan, ratio)
    assert (
        _starts_in_first(Series(t, ratios * 40.0), Series(t, speed), ratios, np.array([ratio]))
        is first
    )


def test_a_full_box_of_six_is_numbered_without_a_start():
    assert _numbered(np.array([120.0, 70.0, 48.6, 37.0, 29.4, 24.3])) == (1, 2, 3, 4, 5, 6)


def test_one_ratio_between_two_gears_is_not_numbered():
    assert _numbered(np.array([42.0])) == (None,)


def test_the_delay_of_a_road_speed_is_found(clock):
    t = clock()
    rpm = lines(t, (0, 2500), (20, 2500), (26, 6500), (45, 2500))
    speed = Series(t, np.interp(t - 0.5, t, rpm) / 50.0)
    assert speed_lag(Series(t, rpm), speed, [(20.0, 26.0)]) == pytest.approx(0.5, abs=0.11)
    assert speed_lag(Series(t, rpm), Series(t, rpm / 50.0), [(20.0, 26.0)]) == 0.0


def test_the_ratio_of_a_gear_is_geometry():
    assert rpm_per_kmh(1.0, 1.0, 1000 / 60) == pytest.approx(1.0)
