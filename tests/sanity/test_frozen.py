"""A channel that stands still in a pull: frozen where its own noise, or physics, does not let it stand."""

import numpy as np
import pytest

from audit.model import FAIL, Car
from audit.sanity.examine import examine
from tests.sanity.conftest import make_log, ramp


def held(change, **how):
    found = examine(make_log(change=change, **how), Car()).findings
    return {(f.channel, f.severity) for f in found if f.code == "sensor.flat_line"}


def freeze(a, b):
    """The value at `a` goes on to `b`."""

    def change(t, v):
        inside = (t >= a) & (t <= b)
        return np.where(inside, v[np.argmax(inside)], v)

    return change


@pytest.mark.parametrize("rate", [8.0, 10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("coarse", [False, True])
@pytest.mark.parametrize("name", ["manifold_pressure", "lambda", "engine_speed"])
def test_frozen_through_the_whole_pull_holds_at_any_rate_and_resolution(name, coarse, rate):
    frozen = {name: freeze(29.5, 36.5)}
    assert (name, "hold") in held(frozen, rate=rate, coarse=coarse)


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0])
def test_frozen_for_a_part_of_the_pull_holds_where_the_noise_tells(rate):
    log = make_log(rate, change={"manifold_pressure": freeze(33.0, 36.0)})
    sanity = examine(log, Car())
    assert any(f.code == "sensor.flat_line" and f.severity == "hold" for f in sanity.findings)
    stood = (log.time >= 33.0) & (log.time <= 36.0)
    assert (sanity.samples["manifold_pressure"][stood] == FAIL).all()
    assert (sanity.samples["manifold_pressure"][log.time < 32.5] < FAIL).all()


def test_a_coarse_quiet_sensor_may_stand_in_a_level_pull():
    level = {"manifold_pressure": freeze(32.0, 35.9)}
    assert held(level, coarse=True, noise=0.2) == set()
    assert ("manifold_pressure", "hold") in held(level, coarse=True, noise=1.5)


def test_lambda_frozen_at_its_richest_value_is_no_end_of_the_gauge():
    assert ("lambda", "hold") in held({"lambda": freeze(31.0, 36.1)}, noise=0.3)


def test_a_gauge_at_its_rich_end_does_not_say_how_rich():
    ends = {"lambda": lambda t, v: np.maximum(np.where((t > 31) & (t < 36), 0.6, v), 0.68)}
    assert ("lambda", "hold") in held(ends)


def test_a_value_repeated_between_its_own_samples_is_not_frozen():
    def slow(t, v):
        return v[(np.arange(len(v)) // 10) * 10]  # 5 a second in a file of 50

    log = {"channel": {"lambda": {"rate_hz": 5.0, "held": True}}}
    assert held({"lambda": slow}, rate=50.0, **log) == set()
    both = {"lambda": lambda t, v: slow(t, freeze(29.5, 36.5)(t, v))}
    assert ("lambda", "hold") in held(both, rate=50.0, **log)


def test_a_charge_temperature_in_whole_degrees_may_stand_through_one_short_pull():
    flat = {"intake_air_temp": lambda t, v: np.round(np.interp(t, (0, 30, 60), (26, 24, 24)))}
    assert held(flat) == set()


def pulls_at(t, *starts):
    """Throttle, engine speed and manifold pressure of a pull of 5 s from each start."""
    points = [(0.0, 15.0, 2500.0, 60.0)]
    for s in starts:
        points += [
            (s - 0.1, 15.0, 2500.0, 60.0),
            (s, 100.0, 2550.0, 95.0),
            (s + 1.2, 100.0, 3300.0, 190.0),
            (s + 5.0, 100.0, 6000.0, 190.0),
            (s + 5.2, 3.0, 5900.0, 35.0),
            (s + 8.0, 15.0, 2500.0, 60.0),
        ]
    x, *rest = zip(*points, strict=True)
    return [np.interp(t, x, y) for y in rest]


def with_charge(charge, starts):
    """A log of pulls that begin at these s, with this charge temperature."""
    return {
        "throttle_position": lambda t, v: pulls_at(t, *starts)[0],
        "engine_speed": lambda t, v: pulls_at(t, *starts)[1],
        "manifold_pressure": lambda t, v: pulls_at(t, *starts)[2],
        "lambda": None,
        "vehicle_speed": None,
        "intake_air_temp": charge,
    }


@pytest.mark.parametrize(("stands", "found"), [(True, True), (False, False)])
def test_a_charge_temperature_that_moves_in_every_other_pull_but_stands_in_one_is_frozen(
    stands, found
):
    starts = (12.0, 26.0, 40.0)

    def charge(t, v):
        rise = [(0.0, 25.0)]
        for s in starts:
            still = stands and s == 26.0
            rise += [(s, 25.0), (s + 5.0, 25.0 if still else 33.0), (s + 12.0, 25.0)]
        return np.round(ramp(t, *rise))

    change = with_charge(charge, starts)
    assert (("intake_air_temp", "hold") in held(change)) is found


@pytest.mark.parametrize(("digits", "found"), [(3, True), (1, False)])
def test_frozen_in_every_pull_is_no_habit_of_a_fine_channel(digits, found):
    """Two pulls, lambda still in both: to the third place it cannot be, in tenths it may."""
    starts = (12.0, 30.0)

    def mixture(t, v):
        noise = np.random.default_rng(5).normal(0, 0.006, len(t))
        wide, _, _ = pulls_at(t, *starts)
        value = np.where(wide > 60, 0.82, 1.0) + noise
        for s in starts:
            value = np.where((t > s + 1.0) & (t < s + 5.2), 0.812, value)
        return np.round(value, digits)

    change = {
        "throttle_position": lambda t, v: pulls_at(t, *starts)[0],
        "engine_speed": lambda t, v: pulls_at(t, *starts)[1],
        "manifold_pressure": lambda t, v: pulls_at(t, *starts)[2],
        "lambda": mixture,
        "vehicle_speed": None,
    }
    assert (("lambda", "hold") in held(change)) is found


def test_no_knock_all_night_is_not_frozen():
    assert held({"knock_retard": lambda t, v: np.zeros_like(t)}) == set()


def test_a_supply_in_tenths_of_a_volt_may_stand():
    assert held({"battery_voltage": lambda t, v: np.full_like(t, 13.9)}) == set()


def test_a_throttle_that_stands_while_boost_comes_and_goes_is_frozen():
    assert ("throttle_position", "hold") in held({"throttle_position": freeze(25.0, 37.0)})
    assert held({"throttle_position": freeze(20.0, 29.0)}) == set()


def test_frozen_at_cruise_is_worth_a_look_and_holds_nothing():
    found = held({"oil_pressure": lambda t, v: freeze(41, 58)(t, 300 + 5 * np.sin(9 * t))})
    assert all(severity != "hold" for _, severity in found)


def test_without_a_throttle_a_frozen_manifold_hides_the_pull_and_holds():
    frozen = {"manifold_pressure": freeze(25.0, 37.0)}
    assert ("manifold_pressure", "hold") in held({"throttle_position": None, **frozen})


@pytest.mark.parametrize(("after", "found"), [("leaps", True), ("creeps", False)])
def test_a_charge_temperature_that_leaps_out_of_its_stand_stood_for_no_reason(after, found):
    """Whole degrees, two short pulls, still in both: a true one comes out of its stand by a degree, not by five."""
    starts = (12.0, 30.0)

    def charge(t, v):
        top = 31.0 if after == "leaps" else 26.0
        rise = [(0.0, 25.0)]
        for s in starts:
            rise += [(s, 25.0), (s + 5.0, top), (s + 12.0, 25.0)]
        value = np.round(ramp(t, *rise))
        for s in starts:
            value = np.where((t > s - 0.5) & (t < s + 5.2), 25.0, value)
        return value

    change = with_charge(charge, starts)
    assert (("intake_air_temp", "hold") in held(change)) is found


def test_a_charge_temperature_that_leaps_away_for_a_pull_and_back_is_not_believed():
    """The long stand in cruise before it says nothing of habits: it too ends in the fault's own leap."""
    starts = (20.0, 45.0)

    def charge(t, v):
        value = np.round(25.0 + t / 15.0)
        for s in starts:
            value = np.where((t > s - 0.5) & (t < s + 6.0), -5.0, value)
        return value

    change = with_charge(charge, starts)
    assert ("intake_air_temp", "hold") in held(change)


def test_a_charge_temperature_read_every_six_seconds_leaps_by_habit():
    """Repeated in every row between: it leaps outside pulls as well."""
    starts = (12.0, 30.0)

    def charge(t, v):
        true = np.interp(t, (0, 12, 17, 24, 30, 35, 45), (25, 25, 33, 28, 28, 36, 28))
        return np.round(true[np.searchsorted(t, t // 6 * 6)])

    change = with_charge(charge, starts)
    assert held(change) == set()


@pytest.mark.parametrize(("figure", "found"), [(1372.0, True), (0.0, False)])
def test_one_figure_from_idle_to_full_load_is_no_reading_but_zeros_are_no_sensor(figure, found):
    stands = {"exhaust_gas_temp": lambda t, v: np.full_like(t, figure)}
    assert (("exhaust_gas_temp", "hold") in held(stands)) is found


@pytest.mark.parametrize(("step", "found"), [(10.0, False), (1.0, True)])
def test_oil_pressure_in_coarse_steps_may_stand_at_its_relief_valve(step, found):
    """Level at the valve through the upper half of one pull only; read finely it would tremble there."""

    def relief(t, v):
        trembles = np.random.default_rng(4).normal(0.0, 3.0, t.size)
        level = np.minimum(300.0 + 30.0 * np.sin(2 * t) + trembles, 500.0)
        return step * np.round(np.where((t > 31) & (t < 36.5), 500.0, level) / step)

    assert (("oil_pressure", "hold") in held({"oil_pressure": relief})) is found


@pytest.mark.parametrize(("flicker", "lean", "found"), [(0.001, 0.0, True), (0.001, 0.3, False)])
def test_a_lambda_sensor_that_never_came_to_life_flickers_round_one_figure(flicker, lean, found):
    """The same at idle, in cruise and at full load but for its noise; one that is lean on the overrun lives."""

    def cold(t, v):
        noise = np.random.default_rng(3).normal(0.0, flicker, t.size)
        return 1.0 + noise + lean * ((t > 20.0) & (t < 24.0))

    assert (("lambda", "hold") in held({"lambda": cold})) is found
