"""What the engine did in each row, from made rows: both sides of every figure that decides it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from audit.engine import State, gap_rows, on_rows, since, state_of, until
from audit.model import Array

from .conftest import make_log

T = np.arange(0.0, 20.0, 0.1)


def state(**channels: Array | float | None) -> State:
    """Rows of 0.1 s; each channel a number or an array over them."""
    full = {
        name: None if value is None else np.broadcast_to(np.asarray(value, float), T.shape).copy()
        for name, value in channels.items()
    }
    return State(
        T,
        full.get("engine_speed"),
        full.get("throttle"),
        full.get("manifold"),
        100.0,
        full.get("road_speed"),
    )


def between(a: float, b: float, inside: float, outside: float) -> Array:
    return np.where((T >= a - 1e-9) & (T < b - 1e-9), inside, outside)


@pytest.mark.parametrize(("rpm", "runs"), [(299.0, False), (300.0, True), (301.0, True)])
def test_an_engine_runs_from_300_rpm_on(rpm, runs):
    assert state(engine_speed=rpm).running.all() == runs
    assert state().running.all()


def test_an_engine_is_stopped_a_second_after_it_stood_and_until_it_turns_again():
    speed = between(5.0, 10.0, 0.0, 900.0)
    stopped = T[state(engine_speed=speed).stopped]
    assert (stopped[0], stopped[-1]) == pytest.approx((5.9, 9.65), abs=0.06)
    assert state(engine_speed=0.0).stopped.all()
    assert not state().stopped.any()


@pytest.mark.parametrize(("rpm", "turns"), [(49.0, False), (51.0, True)])
def test_under_50_rpm_it_does_not_turn(rpm, turns):
    assert state(engine_speed=rpm).stopped.any() != turns


@pytest.mark.parametrize(
    ("throttle", "manifold", "loaded"),
    [
        (61.0, None, True),
        (60.0, None, False),
        (61.0, 81.0, True),
        (61.0, 79.0, False),  # wide open at low speed, and no air comes: another thing
        (20.0, 111.0, True),
        (20.0, 109.0, False),
        (None, 111.0, True),
        (None, 109.0, False),
        (None, None, False),
    ],
)
def test_load_is_an_open_throttle_with_air_or_boost(throttle, manifold, loaded):
    found = state(engine_speed=3000.0, throttle=throttle, manifold=manifold).load
    assert found.all() == loaded and found.any() == loaded
    assert not state(engine_speed=100.0, throttle=throttle, manifold=manifold).load.any()


@pytest.mark.parametrize(("share", "open_"), [(0.89, True), (0.87, False)])
def test_wide_open_is_a_share_of_the_highest_throttle(share, open_):
    throttle = np.where(T < 5.0, 80.0, np.where(T < 10.0, 80.0 * share, 10.0))
    found = state(engine_speed=3000.0, throttle=throttle).open
    assert found[T < 4.9].all()
    assert found[(T > 5.1) & (T < 9.9)].all() == open_
    assert not found[T > 10.1].any()


@pytest.mark.parametrize(("top", "open_"), [(54.0, False), (56.0, True)])
def test_a_throttle_that_never_opens_far_is_never_wide_open(top, open_):
    assert state(engine_speed=3000.0, throttle=between(5, 10, top, 5.0)).open.any() == open_


@pytest.mark.parametrize(
    ("boost", "rest", "open_"), [(50.0, 31.0, True), (50.0, 29.0, False), (21.0, 0.0, False)]
)
def test_boost_over_a_share_of_the_highest_is_a_pull_whatever_the_throttle(boost, rest, open_):
    manifold = 100.0 + np.where(T < 5.0, boost, np.where(T < 10.0, rest, -40.0))
    found = state(engine_speed=3000.0, manifold=manifold).open
    assert found[(T > 5.1) & (T < 9.9)].any() == open_
    assert found[T < 4.9].all()


@pytest.mark.parametrize(("boost", "open_"), [(19.0, False), (21.0, True)])
def test_less_than_20_kpa_is_no_boost_of_a_pull(boost, open_):
    manifold = between(5, 10, 100.0 + boost, 60.0)
    assert state(engine_speed=3000.0, manifold=manifold).open.any() == open_


@pytest.mark.parametrize(
    ("pause", "length", "count"), [(0.2, 3.0, 1), (0.5, 3.0, 2), (9.0, 0.9, 0), (9.0, 1.1, 2)]
)
def test_windows_are_a_second_long_and_a_short_moment_shut_does_not_part_them(pause, length, count):
    second = 2.0 + length + pause
    throttle = np.maximum(
        between(2.0, 2.0 + length, 100.0, 5.0), between(second, second + length, 100.0, 5.0)
    )
    windows = state(engine_speed=3000.0, throttle=throttle).windows
    assert len(windows) == count
    if count:
        assert windows[0][0] == pytest.approx(2.0, abs=0.01)
        last = second + length if count == 1 else 2.0 + length
        assert windows[0][1] == pytest.approx(last - 0.1, abs=0.01)


def test_what_lies_in_a_window_or_just_before_one():
    s = state(engine_speed=3000.0, throttle=between(5.0, 8.0, 100.0, 5.0))
    at = np.array([4.6, 4.75, 5.0, 7.9, 8.0])
    assert s.inside(at).tolist() == [False, True, True, True, False]
    assert s.inside(at, lead_s=0.0).tolist() == [False, False, True, True, False]


@pytest.mark.parametrize(
    ("kmh", "rpm", "stands"),
    [(1.9, 1400.0, True), (2.1, 1400.0, False), (0.0, 1600.0, False), (0.0, 1400.0, True)],
)
def test_a_car_stands_that_idles_for_five_seconds(kmh, rpm, stands):
    s = state(engine_speed=between(0.0, 5.0, 3000.0, rpm), road_speed=between(0, 5, 60.0, kmh))
    standing = T[s.standing]
    assert bool(standing.size) == stands
    if stands:
        assert standing[0] == pytest.approx(9.9, abs=0.01)


def test_without_road_speed_only_a_stopped_engine_stands():
    assert not state(engine_speed=800.0).standing.any()
    assert state(engine_speed=0.0).standing.all()
    assert state(road_speed=0.0, engine_speed=None).standing.sum() == 0


@pytest.mark.parametrize(("rest", "over", "shut"), [(10.0, 3.9, True), (10.0, 4.1, False)])
def test_a_throttle_within_4_percent_of_its_rest_is_shut(rest, over, shut):
    """And for 1.5 s after: fuel comes back then."""
    throttle = np.where(
        T < 2.0, rest, np.where(T < 10.0, 50.0, np.where(T < 12.0, rest + over, 50.0))
    )
    found = T[state(engine_speed=3000.0, throttle=throttle).shut]
    assert found[0] == 0.0
    first = found[found < 9.0]
    assert first[-1] == pytest.approx(3.35, abs=0.06)
    later = found[found > 9.0]
    assert bool(later.size) == shut
    if shut:
        assert (later[0], later[-1]) == pytest.approx((10.0, 13.35), abs=0.06)


def test_no_throttle_at_rest_is_over_25_percent():
    assert state(engine_speed=3000.0, throttle=24.0).shut.all()
    assert not state(engine_speed=3000.0, throttle=26.0).shut.any()
    assert not state(engine_speed=100.0, throttle=5.0).shut.any()
    assert not state(engine_speed=3000.0).shut.any()


@pytest.mark.parametrize(("by", "still"), [(7.5, True), (8.5, False)])
def test_a_throttle_that_moves_by_8_percent_is_not_steady(by, still):
    s = state(engine_speed=3000.0, throttle=np.where(T < 10.0, 20.0, 20.0 + by))
    at = np.array([9.0, 9.6, 9.9, 10.2, 10.9, 11.5])
    assert s.steady(at, before_s=0.6).tolist() == (
        [True] * 6 if still else [True, True, False, False, True, True]
    )


def test_where_the_throttle_is_not_known_nothing_is_steady():
    assert not state(engine_speed=3000.0).steady(np.array([5.0]), before_s=0.6).any()


@pytest.mark.parametrize(
    ("other", "least"), [("engine_speed", 300.0), ("throttle", 8.0), ("manifold", 15.0)]
)
def test_a_leap_that_another_shares_is_the_engines(other, least):
    names = {"throttle": "throttle_position", "manifold": "manifold_pressure"}
    for by, told in ((0.9 * least, False), (1.1 * least, True), (-1.1 * least, True)):
        s = state(**{other: np.where(T < 10.0, 500.0, 500.0 + by)})
        at = np.array([9.0, 9.95, 11.0])
        assert s.confirmed("lambda", at, within_s=0.1).tolist() == [False, told, False]
        assert not s.confirmed(names.get(other, other), at, within_s=0.1).any()


def test_a_pedal_is_not_borne_out_by_its_own_throttle():
    s = state(throttle=np.where(T < 10.0, 20.0, 90.0))
    assert not s.confirmed("pedal_position", np.array([9.95]), within_s=0.1).any()
    assert s.confirmed("vehicle_speed", np.array([9.95]), within_s=0.1).all()


def test_since_and_until():
    t = np.array([0.0, 1.0, 2.0, 4.0])
    mask = np.array([False, True, False, False])
    assert since(t, mask).tolist() == [np.inf, 0.0, 1.0, 3.0]
    assert until(t, mask).tolist() == [1.0, 0.0, np.inf, np.inf]


def test_on_rows_lays_lines_between_a_channels_own_samples():
    log = make_log(10.0, noise=0.0, every={"coolant_temp": 5})
    value = on_rows(log, "coolant_temp")
    assert value is not None and np.isfinite(value).all()
    own = log.values("coolant_temp")
    assert value[2] == pytest.approx(0.6 * own[0] + 0.4 * own[5])
    assert on_rows(log, "oil_temp") is None


def test_the_state_of_a_log_takes_the_pedal_where_there_is_no_throttle():
    log = make_log(
        10.0,
        change={"throttle_position": None, "pedal_position": lambda t, v: np.full_like(t, 33.0)},
    )
    s = state_of(log)
    assert s.throttle is not None and (s.throttle == 33.0).all()
    assert s.baro_kpa == log.barometric.kpa
    assert s.road_speed is not None


@pytest.mark.parametrize(
    ("rate", "gap_s", "found"),
    [(20.0, 0.4, False), (20.0, 0.6, True), (2.0, 2.4, False), (2.0, 3.1, True)],
)
def test_a_gap_is_half_a_second_and_five_intervals(rate, gap_s, found):
    log = make_log(rate, drop_rows=lambda t: (t > 20.0) & (t < 20.0 + gap_s - 0.5 / rate))
    rows = gap_rows(log)
    assert bool(rows.size) == found
    if found:
        assert log.time[rows[0] - 1] == pytest.approx(20.0, abs=0.01)
        again = dataclasses.replace(log, breaks=(int(rows[0]),))
        assert not gap_rows(again).size
