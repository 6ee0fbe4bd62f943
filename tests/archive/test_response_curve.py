"""The curve: never falling, honest away from the data; and what the sheet says of the valve."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.archive.step.curve import GRID, Curves, Points
from audit.archive.step.valve import examine_valve, levels_of


def points(duty, boost, *, gear=3.0, relative=None):
    duty, boost = np.asarray(duty, float), np.asarray(boost, float)
    n = len(duty)
    return Points(
        duty,
        boost,
        np.full(n, gear),
        np.arange(n) // 2 * 1.0,
        np.ones(n),
        np.ones(n) if relative is None else relative,
    )


def valve(duty, boost, night=None):
    duty, boost = np.asarray(duty, float), np.asarray(boost, float)
    return examine_valve(
        duty,
        boost,
        np.zeros(len(duty)) if night is None else np.asarray(night, float),
    )


@settings(deadline=None, max_examples=15)
@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 200)), min_size=1, max_size=12))
def test_no_path_ever_falls_whatever_the_pulls(pairs):
    duty, boost = zip(*pairs, strict=True)
    curve = Curves(points(duty, boost))[3]
    assert (np.diff(curve.paths, axis=1) >= -1e-9).all() and np.isfinite(curve.paths).all()
    assert curve.paths.shape[1] == len(GRID)


def test_the_interval_widens_away_from_the_data():
    curve = Curves(points([20, 20, 25, 25, 30, 30], [60, 61, 68, 67, 76, 75]))[3]
    widths = [np.diff(curve.interval(d)[::2])[0] for d in (30, 35, 40, 50, 70)]
    assert widths == sorted(widths) and widths[-1] > 3 * widths[0]


def test_inside_the_data_the_curve_follows_it():
    curve = Curves(points(np.repeat([10, 20, 30, 40], 2), np.repeat([50, 55, 70, 95], 2)))[3]
    for duty, boost in ((10, 50), (20, 55), (30, 70), (40, 95)):
        assert curve.interval(duty, pull=False)[1] == pytest.approx(boost, abs=1.5)


def test_an_old_pull_counts_less():
    old = Points(
        *(
            np.array(v, float)
            for v in (
                [30, 30, 30, 30],
                [80, 80, 70, 70],
                [3] * 4,
                [0, 0, 1, 1],
                [0.1, 0.1, 1, 1],
                [1] * 4,
            )
        )
    )
    even = Points(
        *(
            np.array(v, float)
            for v in ([30, 30, 30, 30], [80, 80, 70, 70], [3] * 4, [0, 0, 1, 1], [1] * 4, [1] * 4)
        )
    )
    assert Curves(old)[3].interval(30)[1] < Curves(even)[3].interval(30)[1] - 1.5


def test_the_duty_for_a_boost_is_the_inverse_of_the_curve():
    curve = Curves(points(np.repeat([10, 20, 30, 40], 2), np.repeat([50, 60, 75, 95], 2)))[3]
    assert curve.duty_for(85.0)[1] == pytest.approx(35.0, abs=1.5)
    assert curve.duty_for(5000.0) == (None, None, None)


def test_a_curve_needs_a_pull():
    with pytest.raises(ValueError, match="at least one pull"):
        Curves(points([], []))


def test_the_same_pulls_give_the_same_curve():
    a, b = (Curves(points([5, 10, 15], [50, 52, 60]))[3].paths for _ in range(2))
    assert (a == b).all()


def test_the_dead_band_lies_between_the_duties_tried():
    found = valve(np.repeat([5, 10, 15, 20, 25], 2), np.repeat([48, 48.3, 53, 61, 69], 2)).dead_band
    assert found[0] == 10 and found[2] == 15 and found[1] == pytest.approx(11.9, abs=0.7)


def test_a_curve_that_rises_at_once_has_no_dead_band():
    assert valve(np.repeat([5, 10, 15, 20], 2), np.repeat([48, 56, 64, 72], 2)).dead_band is None


def test_the_end_stop_is_where_more_duty_gives_no_more():
    found = valve(
        np.repeat([60, 70, 80, 85, 90], 2), np.repeat([70, 84, 95, 95.5, 95.2], 2)
    ).end_stop
    assert found[0] == 70 and found[2] == 80
    assert valve(np.repeat([60, 70, 80, 90], 2), np.repeat([70, 84, 95, 108], 2)).end_stop is None


def test_the_fit_over_the_levels_is_isotonic():
    levels = levels_of(np.array([5, 10, 15.0]), np.array([50, 49, 60.0]))
    assert [level.fitted for level in levels] == [49.5, 49.5, 60.0]


def test_duties_close_together_are_one_level():
    assert [
        lv.pulls for lv in levels_of(np.array([5, 5.4, 6.4, 6.6]), np.array([50, 50, 50, 51.0]))
    ] == [3, 1]


def test_spread_is_pooled_over_the_levels():
    assert valve([5, 5, 15, 15], [49, 51, 60, 62]).spread_kpa == pytest.approx(np.sqrt(2.0))
    assert valve([5, 15], [50, 60]).spread_kpa is None


def test_hysteresis_is_down_against_up():
    duty = [10, 20, 30, 20, 10, 20, 30, 20, 10]
    up_down = [50, 60, 70, 66, 56, 60, 70, 66, 56]
    found = valve(duty, up_down)
    assert found.hysteresis_kpa == pytest.approx(6.0) and "higher" in found.said[0]
    assert valve([10, 20, 30], [50, 60, 70]).hysteresis_kpa is None
