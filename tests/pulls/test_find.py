import numpy as np
import pytest

from audit.model import Car
from tests.pulls.conftest import RATIOS, build, found, lines, one_pull

NEAR_S = 0.3


def spans(log, car=None):
    return [
        (round(p.start_s, 1), round(p.end_s, 1), p.ended_by)
        for p in (found(log) if car is None else found(log, car))
    ]


@pytest.mark.parametrize("rate", [5.0, 10.0, 20.0, 100.0])
@pytest.mark.parametrize("gear", [2, 3, 4])
def test_a_pull_is_found_within_a_third_of_a_second_with_its_gear(clock, rate, gear):
    t = clock(rate)
    (pull,) = found(
        build(
            one_pull(t, gear=gear), t, step={"vehicle_speed": 1.0, "throttle_position": 100 / 255}
        )
    )
    assert pull.start_s == pytest.approx(20.0, abs=NEAR_S)
    assert pull.end_s == pytest.approx(26.0, abs=NEAR_S)
    assert (pull.gear, pull.ended_by, pull.setting) == (gear, "lift", "throttle")
    assert pull.gear_ratio == pytest.approx(RATIOS[gear], rel=0.03)
    assert pull.rpm_start == pytest.approx(2800, abs=200)
    assert pull.rpm_end == pytest.approx(6500, abs=200)


@pytest.mark.parametrize(("last_s", "count"), [(1.2, 0), (1.8, 1)])
def test_a_short_one_is_none(clock, last_s, count):
    t = clock()
    assert len(found(build(one_pull(t, end=20 + last_s, rpm=(3000, 4200)), t))) == count


@pytest.mark.parametrize(("top", "count"), [(75.0, 0), (100.0, 1)])
def test_part_throttle_is_no_pull(clock, top, count):
    t = clock()
    log = one_pull(t)
    log["throttle_position"] = np.minimum(log["throttle_position"], top)
    log["throttle_position"][:40], log["manifold_pressure"][:40] = (
        100.0,
        97.0,
    )  # it does reach its top, held on a hill
    assert len(found(build(log, t))) == count


def test_a_throttle_sensor_that_tops_out_low_is_taken_by_its_own_top(clock):
    t = clock()
    log = one_pull(t)
    log["throttle_position"] *= 0.83
    assert len(found(build(log, t))) == 1


@pytest.mark.parametrize(("share", "count"), [(0.58, 0), (0.75, 0), (0.8, 1)])
def test_a_throttle_that_never_gets_near_its_stop_was_never_wide_open(clock, share, count):
    """Boost comes at part throttle too; sensors whose ends were never taught read 80 to 89 % at the stop."""
    t = clock()
    log = one_pull(t)
    wide = log["throttle_position"].copy()
    log["throttle_position"] = wide * share
    assert len(found(build(log, t))) == count
    log["pedal_position"] = wide
    (pull,) = found(build(log, t))
    assert pull.setting == ("throttle" if count else "pedal")


def test_a_cruising_log_has_no_pull_though_its_throttle_has_a_top(clock):
    t = clock()
    log = one_pull(t)
    log["throttle_position"] *= 0.6
    log["manifold_pressure"] = np.minimum(log["manifold_pressure"], 75.0)
    assert found(build(log, t)) == ()


def test_without_throttle_the_pedal_and_without_both_the_load_tells(clock):
    t = clock()
    log = one_pull(t)
    log["pedal_position"] = log.pop("throttle_position")
    assert [p.setting for p in found(build(log, t))] == ["pedal"]
    del log["pedal_position"]
    (pull,) = found(build(log, t))
    assert pull.setting == "load"
    assert (pull.start_s, pull.end_s) == (
        pytest.approx(20.0, abs=NEAR_S),
        pytest.approx(26.0, abs=NEAR_S),
    )


def test_by_load_a_pull_whose_pressure_is_lost_at_its_end_is_found_all_the_same(clock):
    t = clock()
    log = one_pull(t)
    del log["throttle_position"]
    log["manifold_pressure"][(t > 24.0) & (t < 40.0)] = np.nan
    (pull,) = found(build(log, t))
    assert pull.start_s == pytest.approx(20.0, abs=NEAR_S)


def test_a_held_engine_speed_is_no_pull(clock):
    t = clock()
    log = one_pull(t, rpm=(4000.0, 4060.0))
    assert found(build(log, t)) == ()


def test_a_blip_in_neutral_is_no_pull(clock):
    t = clock()
    log = one_pull(t)
    log["engine_speed"] = lines(
        t, (0, 900), (20, 900), (20.7, 6700), (26, 6650), (27, 900), (99, 900)
    )
    log["vehicle_speed"] = np.zeros_like(t)
    assert found(build(log, t)) == ()


def shifted(t, *, lifted):
    """Third to 6500 rpm at 24 s, then fourth to 29 s."""
    speed = lines(
        t, (0, 55.4), (20, 55.4), (24, 128.7), (24.35, 128.0), (29, 155.0), (33, 90), (99, 90)
    )
    rpm = speed * np.where(t < 24.1, RATIOS[3], RATIOS[4])
    throttle = lines(t, (0, 18), (19.95, 18), (20.05, 100), (29, 100), (29.1, 2), (99, 2))
    if lifted:
        throttle *= lines(t, (0, 1), (24.0, 1), (24.05, 0.03), (24.25, 0.03), (24.3, 1), (99, 1))
    log = one_pull(t, end=29.0)
    return log | {"engine_speed": rpm, "vehicle_speed": speed, "throttle_position": throttle}


@pytest.mark.parametrize("lifted", [True, False])
def test_a_shift_with_and_without_a_lift_makes_two_pulls_in_two_gears(clock, lifted):
    t = clock()
    first, second = found(build(shifted(t, lifted=lifted), t))
    assert (first.gear, first.ended_by) == (3, "shift")
    assert first.end_s == pytest.approx(24.0, abs=NEAR_S)
    assert (second.gear, second.ended_by) == (4, "lift")
    assert second.start_s == pytest.approx(24.3, abs=NEAR_S)


def test_the_limiter_ends_a_pull(clock):
    t = clock()
    log = one_pull(t, end=28.0)
    bounce = 6500 - 120 * (np.sin(2 * np.pi * 6 * t) > 0)
    log["engine_speed"] = np.where(
        (t > 26) & (t < 28),
        bounce,
        lines(t, (0, 2800), (20, 2800), (26, 6500), (28, 6500), (32, 2800), (99, 2800)),
    )
    log["vehicle_speed"] = log["engine_speed"] / RATIOS[3]
    (pull,) = found(build(log, t))
    assert (pull.ended_by, pull.end_s) == ("limiter", pytest.approx(26.0, abs=NEAR_S))


def test_the_end_of_the_log_ends_a_pull(clock):
    t = clock(length_s=25.0)
    assert (
        spans(build(one_pull(t), t)) == [(20.1, 24.9, "log end")]
        or spans(build(one_pull(t), t))[0][2] == "log end"
    )


def test_a_gap_and_a_restarted_clock_end_a_pull(clock):
    t = clock(length_s=45.0)
    keep = (t < 22.5) | (t > 23.7)
    log = {k: v[keep] for k, v in one_pull(t).items()}
    found_ = spans(build(log, t[keep]))
    assert found_[0][2] == "gap" and found_[0][1] <= 22.5
    assert all(start >= 23.7 for start, *_ in found_[1:])
    whole = spans(build(one_pull(t), t, breaks=(int(23 * 20),)))
    assert [end for _, _, end in whole] == ["gap", "lift"]


def test_wheelspin_does_not_end_a_pull(clock):
    t = clock()
    log = one_pull(t, gear=2)
    log["engine_speed"] = log["engine_speed"] * lines(
        t, (0, 1), (21.5, 1), (21.9, 1.25), (22.6, 1.25), (22.8, 1), (99, 1)
    )
    (pull,) = found(build(log, t))
    assert (pull.gear, pull.ended_by) == (2, "lift")


def test_a_spike_of_engine_speed_or_throttle_does_not_cut_a_pull_in_two(clock):
    t = clock()
    log = one_pull(t)
    log["engine_speed"][450] -= 2500
    log["throttle_position"][460] = 0.0
    assert len(found(build(log, t))) == 1


def test_a_wavering_foot_does_not_cut_a_pull_in_two(clock):
    t = clock()
    log = one_pull(t)
    log["throttle_position"] -= np.where((t > 22) & (t < 23), 15.0, 0.0)
    assert len(found(build(log, t))) == 1


def test_slow_blank_throttle_and_road_speed_are_enough(clock):
    t = clock(50.0)
    (pull,) = found(build(one_pull(t), t, every={"throttle_position": 10, "vehicle_speed": 10}))
    assert pull.start_s == pytest.approx(20.0, abs=NEAR_S)
    assert pull.gear == 3


def test_without_engine_speed_there_is_no_pull(clock):
    t = clock()
    log = one_pull(t)
    del log["engine_speed"]
    assert found(build(log, t)) == ()


def test_rows_and_times_of_a_span_agree(clock):
    t = clock()
    log = build(one_pull(t), t)
    (pull,) = found(log)
    assert log.time[pull.start] == pytest.approx(pull.start_s)
    assert log.time[pull.stop - 1] == pytest.approx(pull.end_s)


def test_the_least_length_is_a_setting(clock):
    from audit.pulls.find import find_pulls
    from audit.sanity.examine import examine
    from audit.tables import limits

    t = clock()
    log = build(one_pull(t), t)
    asked = limits()
    patient = type(asked)(asked._rows, {**asked._settings, "pull_least_s": 8.0})
    assert find_pulls(log, examine(log, Car()), Car(), patient) == ()


def test_a_pull_goes_on_while_the_pedal_stays_down_though_the_throttle_closes(clock):
    t = clock()
    log = one_pull(t)
    foot = log["throttle_position"].copy()
    closed = (t > 23.0) & (t < 26.0)
    log["throttle_position"] = np.where(closed, 40.0, foot)
    (by_pedal,) = found(build(log | {"pedal_position": foot}, t))
    (by_throttle,) = found(build(log, t))
    assert by_pedal.end_s == pytest.approx(26.0, abs=0.15)
    assert by_throttle.end_s == pytest.approx(23.0, abs=0.15)
