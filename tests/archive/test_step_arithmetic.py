"""The next step on curves that are known to the last digit: each bound just broken and just not, and the valve's figures."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from audit.archive.step.curve import GRID, Curve, Curves, Points
from audit.archive.step.projected import ONE_SIDED, Line, lines_of, not_projected
from audit.archive.step.step import (
    Air,
    Bounds,
    Overshoot,
    bounds_of,
    figures,
    projected_rows,
    worded,
)
from audit.archive.step.step_up import next_step
from audit.archive.step.valve import examine_valve, levels_of, slope_of
from audit.model import Car
from audit.tables import limits
from tests.archive.sheets import gear_at

pl = pytest.importorskip("polars")
ONE = np.ones(4)


def line_curve(slope=2.0, at_zero=40.0, *, noise=0.0, power=0.0, air=1.0) -> Curve:
    """Boost = at_zero + slope × duty, for certain."""
    paths = np.tile(at_zero + slope * GRID, (4, 1))
    return Curve(3, paths, noise * np.array([-1.0, -1.0, 1.0, 1.0]), power * ONE, (0.0, 50.0), air)


BOUNDS = Bounds(
    target_kpa=150.0, limit_kpa=200.0, assumed="", sensor_top_kpa=None, duty_max_pct=90.0,
    step_pct=5.0, step_kpa=14.0,
)  # fmt: skip
NONE = Overshoot(0.0, 0.0, 0.0, seen=True)


def step(
    base=20.0, curve=None, bounds=BOUNDS, overshoot=NONE, lines=(), air=Air(1.0, 100.0), **more
):
    return next_step(
        gear_at(
            base,
            curve or line_curve(),
            bounds=bounds,
            overshoot=overshoot,
            lines=lines,
            air=air,
            **more,
        )
    )


def test_a_curve_is_read_between_its_duties_and_beyond_its_ends():
    curve = line_curve()
    assert curve.drawn(10.25, pull=False) == pytest.approx(60.5)
    assert curve.drawn(120.0, pull=False) == pytest.approx(240.0)
    assert curve.drawn(-5.0, pull=False) == pytest.approx(40.0)


def test_noise_and_air_go_into_a_pull_and_not_into_the_level():
    curve = line_curve(noise=3.0, power=2.0, air=1.1)
    assert sorted(curve.drawn(10.0, relative=0.9)) == pytest.approx(
        [57.0 * 0.99**2] * 2 + [63.0 * 0.99**2] * 2
    )
    assert sorted(curve.drawn(10.0, relative=0.9, air_known=True)) == pytest.approx(
        [57.0 * 0.81] * 2 + [63.0 * 0.81] * 2
    )
    assert curve.drawn(10.0, relative=0.9, pull=False) == pytest.approx(60.0 * 0.81)
    low, middle, high = curve.interval(10.0, relative=1.0 / 1.1)
    assert (low, middle, high) == pytest.approx((57.0, 60.0, 63.0))
    assert curve.upper(10.0, sure=1.0) == pytest.approx(63.0)


def test_an_interval_of_nine_in_ten_leaves_a_twentieth_at_each_end():
    levels = np.arange(101.0)
    curve = Curve(3, np.tile(levels[:, None], (1, len(GRID))), 0 * levels, 0 * levels, ())
    assert curve.interval(10.0) == pytest.approx((5.0, 50.0, 95.0))
    assert curve.interval(10.0, cover=0.5) == pytest.approx((25.0, 50.0, 75.0))
    assert curve.upper(10.0, sure=0.97) == pytest.approx(97.0)


def test_the_duty_for_a_boost_lies_on_the_line_and_is_none_beyond_all_duty():
    curve = line_curve()
    assert curve.duty_for(61.0) == pytest.approx((10.5, 10.5, 10.5))
    assert curve.duty_for(40.0) == pytest.approx((0.0, 0.0, 0.0))
    assert curve.duty_for(239.0) == pytest.approx((99.5,) * 3)
    assert curve.duty_for(241.0) == (None, None, None)
    dense = line_curve(power=1.0)
    assert dense.duty_for(60.0, relative=1.2)[1] == pytest.approx(5.0)
    flat = Curve(3, np.minimum(np.tile(2.0 * GRID, (4, 1)), 60.0), 0 * ONE, 0 * ONE, ())
    assert flat.duty_for(60.0)[1] == pytest.approx(30.0)


def test_a_car_whose_pulls_scatter_has_a_wider_curve():
    duty = np.repeat([10.0, 15, 20, 25, 30], 4)
    away = np.tile([1.0, -1.0, 1.0, -1.0], 5)
    one = np.ones(len(duty))

    def width(scatter):
        boost = 40.0 + 1.5 * duty + scatter * away
        found = Curves(Points(duty, boost, 3 * one, np.arange(20.0) // 2, one, one))[3]
        low, _, high = found.interval(45.0, pull=False)
        return high - low

    assert width(9.0) > 1.5 * width(0.2)


# ---- the step, bound by bound ----


def test_a_step_is_five_percent_where_nothing_else_binds():
    made = step()
    assert (made.action, made.from_duty, made.duty, made.binds) == ("up", 20.0, 25.0, "step")
    assert (made.low, made.expected, made.high) == pytest.approx((90.0, 90.0, 90.0))
    assert made.target_duty == pytest.approx((55.0,) * 3)
    assert (made.limit, made.target, made.gear) == (200.0, 150.0, 3)


@pytest.mark.parametrize(
    ("base", "duty"), [(20.3, 25.0), (20.44, 25.0), (20.46, 25.5), (20.5, 25.5)]
)
def test_duties_are_halves_of_a_percent_and_a_logged_one_is_rounded(base, duty):
    assert step(base).duty == pytest.approx(duty)


@pytest.mark.parametrize(("kpa", "duty"), [(6.01, 23.0), (5.99, 22.5), (14.0, 25.0)])
def test_no_more_boost_than_a_step_may_bring(kpa, duty):
    made = step(bounds=BOUNDS._replace(step_kpa=kpa))
    assert (made.duty, made.binds) == (duty, "step" if duty == 25.0 else "boost_step")


@pytest.mark.parametrize(("target", "duty"), [(86.51, 23.0), (86.49, 22.5)])
def test_half_a_kpa_under_the_target_is_aimed_at(target, duty):
    made = step(bounds=BOUNDS._replace(target_kpa=target))
    assert (made.duty, made.binds) == (duty, "target")


@pytest.mark.parametrize(
    ("over", "action"), [(-1.6, "up"), (-1.4, "stay"), (1.4, "stay"), (1.6, "down")]
)
def test_on_target_is_within_one_and_a_half_kpa(over, action):
    made = step(bounds=BOUNDS._replace(target_kpa=80.0 - over))
    assert made.action == ("stay" if action == "up" and made.binds == "no_room" else action)
    if action == "stay":
        assert made.duty == 20.0 and made.binds == "target"
    if action == "down":  # to the duty that settles at the target, a half percent lower at least
        assert made.duty == pytest.approx(np.floor((20.0 - over / 2.0) * 2) / 2)


def test_down_goes_to_the_duty_of_the_target_and_to_none_where_the_spring_is_over_it():
    assert step(bounds=BOUNDS._replace(target_kpa=61.2)).duty == pytest.approx(10.5)
    made = step(bounds=BOUNDS._replace(target_kpa=30.0))
    assert made.action == "stay" and "spring" in made.sentence


COLD = 1.04  # four per cent denser air than tonight's


@pytest.mark.parametrize(("limit", "duty"), [(86.05, 23.0), (85.95, 22.5)])
def test_the_peak_stays_under_the_limit(limit, duty):
    made = step(bounds=BOUNDS._replace(limit_kpa=limit))
    assert (made.duty, made.binds) == (duty, "limit")


def test_the_peak_is_counted_in_colder_air_with_overshoot_and_its_spread():
    curve = line_curve(power=1.0)
    made = step(curve=curve, overshoot=Overshoot(4.0, 0.1, 1.5, seen=True))
    settled = 90.0 * COLD
    assert made.peak == pytest.approx(settled + max(4.0, 0.1 * settled) + 1.5, rel=1e-6)
    thin = step(curve=curve, air=Air(0.9, 90.0), overshoot=Overshoot(40.0, 0.1, 1.5, seen=True))
    assert thin.peak == pytest.approx(90.0 * 0.9 * COLD + 41.5, rel=1e-6)
    limit = 86.0 * COLD + max(4.0, 8.6 * COLD) + 1.5
    for off, duty in ((0.1, 23.0), (-0.1, 22.5)):
        bounds = BOUNDS._replace(limit_kpa=limit + off)
        assert (
            step(curve=curve, bounds=bounds, overshoot=Overshoot(4.0, 0.1, 1.5, seen=True)).duty
            == duty
        )


@pytest.mark.parametrize(("top", "duty"), [(189.1, 23.0), (188.9, 22.5)])
def test_the_sensor_shows_the_peak_with_three_kpa_to_spare(top, duty):
    """At 100 kPa of ambient pressure: 86 kPa of boost are 186 kPa absolute."""
    made = step(bounds=BOUNDS._replace(sensor_top_kpa=top))
    assert (made.duty, made.binds) == (duty, "sensor")
    higher = step(bounds=BOUNDS._replace(sensor_top_kpa=top - 10.0), air=Air(1.0, 90.0))
    assert higher.duty == duty


@pytest.mark.parametrize(("most", "duty"), [(23.0, 23.0), (22.9, 22.5)])
def test_no_step_goes_over_the_last_duty_of_the_valve(most, duty):
    made = step(bounds=BOUNDS._replace(duty_max_pct=most))
    assert (made.duty, made.binds) == (duty, "end_stop")


@pytest.mark.parametrize(("most", "duty"), [(23.0, 23.0), (22.9, 22.5)])
def test_while_boost_was_not_seen_to_follow_no_step_goes_over_that_duty(most, duty):
    made = step(bounds=BOUNDS._replace(unproven_pct=most))
    assert (made.duty, made.binds) == (duty, "unproven")


def test_where_nothing_binds_the_usual_step_a_large_one_is_held_by_its_upper_end():
    large = BOUNDS._replace(large_pct=10.0)
    curve = line_curve(slope=1.0)
    made = step(curve=curve, bounds=large)
    assert (made.duty, made.binds) == (30.0, "step")
    rough = line_curve(
        slope=1.0, noise=6.5
    )  # 6.5 kPa up: at 7.5 % more the upper end is 14 kPa over
    assert step(curve=rough, bounds=large).duty == 27.5
    assert step(curve=rough, bounds=BOUNDS).duty == 25.0
    wild = line_curve(slope=1.0, noise=10.0)  # the usual step is not held by its upper end
    assert step(curve=wild, bounds=BOUNDS).duty == 25.0
    dead = large._replace(unproven_pct=60.0)
    assert step(curve=line_curve(slope=0.5), bounds=dead).duty == 30.0
    assert step(curve=line_curve(slope=1.0), bounds=dead).duty == 26.5  # 6.9 kPa of boost at most


def test_no_room_at_all_is_a_stay_that_says_what_binds():
    made = step(bounds=BOUNDS._replace(limit_kpa=80.5))
    assert (made.action, made.duty, made.binds) == ("stay", 20.0, "limit")
    held = step(bounds=BOUNDS._replace(limit_kpa=79.5))
    assert (held.action, held.binds) == ("stay", "limit")
    assert "80" in held.sentence


def heat_line(level, slope=0.0, middle=80.0, noise=0.0, cov=None):
    row = next(r for r in projected_rows() if r.measure == "intake_peak_c")
    limit = limits().row(row.code, row.measure)
    cov = np.zeros((2, 2)) if cov is None else np.asarray(cov, float)
    return Line(row, limit, level, slope, middle, noise, cov)


def test_a_line_is_carried_on_with_its_upper_end():
    line = heat_line(50.0, 0.4, 80.0, noise=2.0, cov=[[1.0, 0.05], [0.05, 0.01]])
    sd = np.sqrt(1.0 + 2 * 10 * 0.05 + 100 * 0.01 + 4.0)
    assert line.worst(90.0) == pytest.approx(54.0 + 1.645 * sd)
    assert ONE_SIDED == pytest.approx(
        1.645, abs=5e-4
    )  # 95 % of a normal one: NIST e-Handbook 1.3.6.7.1
    assert line.limit(90.0) == 60.0 and not line.limits.below
    assert heat_line(59.9).past(90.0) is False and heat_line(60.0).past(90.0) is True


def test_of_a_small_value_the_lower_end_counts():
    line = heat_line(63.0, noise=2.0)
    line = line._replace(limits=replace(line.limits, below=True))
    assert line.limits.below and line.worst(90.0) == pytest.approx(63.0 - 2.0 * ONE_SIDED)
    assert line.past(90.0)
    assert not line._replace(noise=1.8).past(90.0)


@pytest.mark.parametrize(("level", "duty"), [(57.9, 22.5), (58.1, 22.0)])
def test_a_step_ends_where_a_measure_is_carried_to_its_limit(level, duty):
    """0.4 K a kPa over 80 kPa: 60 °C are reached 5.25 or 4.75 kPa on."""
    made = step(lines=(heat_line(level, 0.4),))
    assert (made.duty, made.binds) == (duty, "intake_peak_c")


def test_a_measure_past_its_limit_holds_where_it_is():
    made = step(lines=(heat_line(61.0),))
    assert (made.action, made.binds, made.duty) == ("stay", "intake_peak_c", 20.0)
    assert made.log_next


def test_on_target_another_evening_is_asked_for_until_it_is_sure():
    levels = np.concatenate((np.full(94, 80.0), np.full(6, 84.0)))
    curve = Curve(3, np.tile(levels[:, None], (1, len(GRID))), 0 * levels, 0 * levels, ())
    bounds = BOUNDS._replace(target_kpa=80.0)
    unsure = step(curve=curve, bounds=bounds)
    assert unsure.action == "stay" and unsure.log_next
    assert not step(curve=curve, bounds=bounds, evenings=4).log_next
    assert step(curve=curve, bounds=bounds, evenings=3).log_next
    levels[-2:] = 82.9
    curve = Curve(3, np.tile(levels[:, None], (1, len(GRID))), 0 * levels, 0 * levels, ())
    sure = step(curve=curve, bounds=bounds)
    assert (
        not sure.log_next
        and len(sure.sentence) > len(step(curve=curve, bounds=bounds, evenings=4).sentence) - 1
    )


# ---- lines from pulls ----


def pulls(n=12, **columns):
    rows = {
        "date": ["2026-01-01"] * n,
        "boost_settled_kpa": np.linspace(60.0, 104.0, n),
        "air_c": np.full(n, 20.0),
        "night_added": ["2026-01-01"] * n,
    }
    empty = {r.measure: pl.Series([None] * n, dtype=pl.Float64) for r in projected_rows()}
    return pl.DataFrame({**empty, **rows, **columns})


def test_a_line_follows_many_pulls_that_lie_on_one():
    boost = np.linspace(60.0, 104.0, 60)
    frame = pulls(
        60, intake_peak_c=25.0 + 0.3 * boost, boost_settled_kpa=boost, air_c=np.full(60, 20.0)
    )
    (line,) = [x for x in lines_of(frame, Car()) if x.row.measure == "intake_peak_c"]
    assert line.middle == pytest.approx(82.0)
    assert line.slope == pytest.approx(0.3, abs=0.02)
    assert line.level == pytest.approx(25.0 + 0.3 * 82.0, abs=0.2)


def test_what_no_pull_logged_is_told_and_not_projected():
    frame = pulls(12, intake_peak_c=np.full(12, 40.0))
    found = lines_of(frame, Car())
    assert {x.row.measure for x in found} == {"intake_peak_c"}
    labels = not_projected(found)
    assert len(labels) == len(set(labels))
    here = {r.code for r in projected_rows() if r.measure == "intake_peak_c"}
    assert set(labels) == {r.label for r in projected_rows() if r.code not in here}


def test_heat_over_the_air_is_carried_to_the_last_air():
    row = next(r for r in projected_rows() if r.over_air)
    air = np.concatenate((np.full(11, 10.0), [30.0]))
    warm = pulls(12, **{row.measure: 20.0 + air, "air_c": air})
    (line,) = [x for x in lines_of(warm, Car()) if x.row.measure == row.measure]
    assert line.level == pytest.approx(50.0, abs=1.5)


@pytest.mark.parametrize(("own", "hold"), [(88.0, 88.0), (97.0, 92.0), (None, 92.0)])
def test_the_cars_own_injector_limit_counts_where_it_is_lower(own, hold):
    frame = pulls(12, injector_duty_max_pct=np.full(12, 70.0))
    (line,) = [
        x
        for x in lines_of(frame, Car(injector_duty_limit_pct=own))
        if x.row.measure == "injector_duty_max_pct"
    ]
    assert line.limit(80.0) == hold


# ---- the valve ----


def valve(duty, boost, night=None, **more):
    duty = np.asarray(duty, float)
    night = np.zeros(len(duty)) if night is None else np.asarray(night, float)
    return examine_valve(duty, np.asarray(boost, float), night, **more)


def test_pulls_within_one_and_a_half_percent_are_one_level():
    duty, boost = np.array([20.0, 21.4, 22.0, 30.0]), np.array([60.0, 62.0, 70.0, 80.0])
    peak = np.array([65.0, np.nan, np.nan, 83.0])
    found = levels_of(duty, boost, peak=peak)
    assert [level.pulls for level in found] == [2, 1, 1]
    first = found[0]
    assert (first.duty, first.boost, first.low, first.high) == pytest.approx(
        (20.7, 61.0, 60.0, 62.0)
    )
    assert first.spread == pytest.approx(np.sqrt(2.0)) and found[1].spread is None
    assert (first.peak, found[1].peak, found[2].peak) == (65.0, None, 83.0)
    fallen = levels_of(np.array([10.0, 10.0, 20.0]), np.array([62.0, 62.0, 56.0]))
    assert [x.fitted for x in fallen] == pytest.approx([60.0, 60.0])  # two against one


def test_the_spread_of_several_levels_is_pooled_by_their_pulls():
    found = valve([10, 10, 20, 20, 20], [50, 52, 70, 73, 76])
    assert found.spread_kpa == pytest.approx(np.sqrt((1 * 2.0 + 2 * 9.0) / 3))
    assert valve([10, 20], [50, 70]).spread_kpa is None


def test_a_slope_is_that_of_the_line_with_its_ends_in_proportion():
    found = slope_of(
        np.array([10.0, 20, 30, 40]), 30 + 2.0 * np.array([10.0, 20, 30, 40]), np.arange(4.0)
    )
    assert found.middle == pytest.approx(2.0)
    sd = np.sqrt((1.5**2 + 1.2**2) / 500.0)  # independent pulls: sigma² over the sum of squares
    setting = figures("valve")
    for end, sds in ((found.low, -setting["interval_sds"]), (found.high, setting["interval_sds"]),
                     (found.surely_over, -setting["proof_sds"]), (found.surely_under, setting["sure_sds"])):  # fmt: skip
        assert end - 2.0 == pytest.approx(sds * sd, rel=1e-6)
    one_night = slope_of(
        np.array([10.0, 20, 30, 40]), 30 + 2.0 * np.array([10.0, 20, 30, 40]), np.zeros(4)
    )
    assert one_night.high - 2.0 == pytest.approx(
        setting["interval_sds"] * 1.2 / np.sqrt(500.0), rel=1e-3
    )
    rough = slope_of(np.array([10.0, 10, 40, 40]), np.array([40.0, 60, 100, 120]), np.arange(4.0))
    assert rough.high - rough.low > 3 * (found.high - found.low)


def test_a_dead_band_ends_where_the_rise_meets_it_and_an_end_stop_begins_alike():
    duty = np.repeat([10.0, 15, 20, 25, 30, 35, 40], 2)
    boost = np.interp(duty, [10, 20, 22, 36, 40], [50.0, 50, 50, 92, 92])
    found = valve(duty, boost)
    assert found.dead_band == pytest.approx((20.0, 22.0, 25.0))
    assert found.end_stop is None
    flat = valve(duty, np.interp(duty, [10, 30, 40], [50.0, 100, 100]))
    assert flat.end_stop == pytest.approx((25.0, 30.0, 30.0)) and flat.dead_band is None
    straight = valve(duty, 2.0 * duty)
    assert straight.dead_band is None and straight.end_stop is None and straight.responds


@pytest.mark.parametrize(("over", "dead"), [(2.4, True), (2.6, False)])
def test_levels_within_two_and_a_half_kpa_are_one(over, dead):
    duty = np.repeat([10.0, 15, 20, 25, 30], 2)
    found = valve(duty, np.repeat([50.0, 50 + over, 70, 90, 110], 2))
    assert (found.dead_band is not None) == dead


@pytest.mark.parametrize(("gap", "said"), [(2.8, False), (3.2, True), (-3.2, True)])
def test_hysteresis_is_what_boost_differs_by_coming_down(gap, said):
    duty = np.array([10.0, 20, 30, 20, 10, 20, 30, 20])
    boost = 30 + 2.0 * duty + np.array([0, 0, 0, gap, gap, 0, 0, gap])
    found = valve(duty, boost, night=np.zeros(8))
    assert found.hysteresis_kpa == pytest.approx(gap)
    assert bool(found.said) == said
    if said:
        assert ("higher" if gap > 0 else "lower") in found.said[0]
    apart = valve(duty, boost, night=np.arange(8))
    once = valve(duty[:6], boost[:6], night=np.zeros(6))
    assert once.hysteresis_kpa is None
    assert apart.hysteresis_kpa is None


@pytest.mark.parametrize(("fell", "told"), [(1.8, None), (2.4, 2.4)])
def test_a_fall_from_the_first_duty_to_the_second_is_told_where_evenings_differ_less(fell, told):
    found = valve([5, 5, 10, 10], [50, 50, 50 - fell, 50 - fell], [0, 0, 1, 1])
    assert found.fell_kpa == (None if told is None else pytest.approx(told, abs=0.05))
    assert valve([5, 5, 10, 10, 15], [50, 50, 45, 45, 40], [0, 0, 1, 1, 2]).fell_kpa is None


def test_a_valve_that_falls_on_three_evenings_is_backwards():
    duty, night = [5, 5, 10, 10, 15, 15], [0, 0, 1, 1, 2, 2]
    assert valve(duty, [60, 60, 52, 52, 44, 44], night).faults == ("reversed",)
    assert valve(duty[:4], [60, 60, 52, 52], night[:4]).faults == ()  # one evening each
    assert valve(duty[:4], [60, 60, 52, 52], [0, 1, 0, 1]).faults == ("reversed",)
    assert valve([5, 5, 8, 8], [60, 60, 52, 52], [0, 1, 0, 1]).faults == ()  # over too little duty


@pytest.mark.parametrize(("top", "named"), [(23.0, False), (25.0, True)])
def test_a_valve_that_does_nothing_is_named_from_24_percent_on(top, named):
    duty, night = [5, 5, 12, 12, top, top], [0, 0, 1, 1, 2, 2]
    flat = [50, 50, 50.2, 50.2, 50.1, 50.1]
    assert valve(duty, flat, night).faults == (("no_response",) if named else ())
    assert valve(duty, flat, night, tested=True).faults == ()


# ---- words ----


def test_a_worded_step_has_its_bound_or_its_rows_name():
    step = worded("no_target", 3)
    assert (step.action, step.binds, step.gear) == ("refuse", "no_target", 3)
    assert worded("no_target", 3, "other").binds == "other"
    assert "gear 3" in step.sentence and "a gear not known" in worded("no_target", 0).sentence


def test_without_a_limit_in_the_car_file_bounds_are_strict():
    """7 kPa over the target, and half of each step."""
    strict, told = bounds_of(Car(), 100.0), bounds_of(Car(boost_limit_kpa=150.0), 100.0)
    assert (strict.limit_kpa, strict.step_pct, strict.step_kpa) == pytest.approx((107.0, 2.5, 7.0))
    assert (told.limit_kpa, told.step_pct, told.step_kpa) == pytest.approx((150.0, 5.0, 14.0))
    assert strict.assumed and not told.assumed
