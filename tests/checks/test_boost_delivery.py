"""boost_delivery: short of target, fading, late; and what only looks like it."""

from __future__ import annotations

import numpy as np
import pytest

from audit.checks.boost import boost_control, boost_overshoot
from audit.checks.boost import boost_delivery as check
from audit.model import Car


def boost_to(level, *, spool=0.9):
    return lambda t: -5.0 + (level + 5.0) / (1.0 + np.exp(-(t - spool) * 8.0))


def fading(t, *, percent, from_s=2.0, until=6.0):
    return boost_to(96.5)(t) * (1 - percent / 100 * np.clip((t - from_s) / (until - from_s), 0, 1))


def moving_duty(t):
    return 60 + 10 * np.exp(-np.clip(t - 0.8, 0, None) / 0.4)


@pytest.mark.parametrize(
    ("short", "found"),
    [(4.5, {}), (9.0, {"boost.under_target": "watch"}), (18.0, {"boost.under_target": "hold"})],
)
@pytest.mark.parametrize("rate", [5.0, 20.0, 50.0])
def test_both_sides_of_the_under_target_limits(make_pull, codes, table, short, found, rate):
    shapes = {"boost": boost_to(96.5 - short), "wastegate_duty": moving_duty}
    assert codes(check, make_pull(6.0, rate, shapes), table) == found


def test_the_car_file_s_target_by_gear_counts_where_none_is_logged(make_pull, codes, table):
    car = Car(target_kpa=120.0, target_by_gear_kpa={2: 80.0})
    shapes = {"boost": boost_to(80.0), "boost_target": None, "wastegate_duty": None}
    assert codes(check, make_pull(6.0, 20.0, shapes, gear=2, car=car), table) == {}
    assert codes(check, make_pull(6.0, 20.0, shapes, gear=3, car=car), table) == {
        "boost.under_target": "hold"
    }


def test_a_target_out_of_reach_at_low_engine_speed_is_no_fault(make_pull, codes, table):
    shapes = {
        "boost": boost_to(96.5, spool=2.0),
        "boost_target": 96.5,
        "wastegate_duty": moving_duty,
    }
    assert codes(check, make_pull(6.0, 20.0, shapes), table) == {}


def test_a_fixed_duty_has_no_target_to_miss(make_pull, codes, table):
    shapes = {"boost": boost_to(70.0), "boost_target": None, "wastegate_duty": 50.0}
    assert codes(check, make_pull(6.0, 20.0, shapes, car=Car(target_kpa=96.5)), table) == {}


def test_a_fixed_duty_at_its_stop_does_not_excuse(make_pull, codes, table):
    shapes = {"boost": boost_to(70.0), "boost_target": None, "wastegate_duty": 95.0}
    car = Car(target_kpa=96.5, duty_max_pct=95.0)
    assert codes(check, make_pull(6.0, 20.0, shapes, car=car), table) == {
        "boost.under_target": "hold"
    }


@pytest.mark.parametrize(
    ("percent", "found"),
    [(5.0, {}), (13.0, {"boost.fade": "watch"}), (22.0, {"boost.fade": "hold"})],
)
def test_both_sides_of_the_fade_limits(make_pull, codes, table, percent, found):
    shapes = {"boost": lambda t: fading(t, percent=percent), "boost_target": None}
    assert codes(check, make_pull(6.0, 20.0, shapes), table) == found


def test_fade_late_in_the_pull_is_found(make_pull, codes, table):
    shapes = {"boost": lambda t: fading(t, percent=25.0, from_s=4.5), "boost_target": None}
    assert codes(check, make_pull(6.0, 10.0, shapes), table) == {"boost.fade": "hold"}


def test_a_falling_target_or_a_lowered_duty_is_no_fade(make_pull, codes, table):
    def falls(t):
        return fading(t, percent=22.0)

    target = {
        "boost": falls,
        "boost_target": lambda t: 96.5 * (1 - 0.22 * np.clip((t - 2) / 4, 0, 1)),
        "wastegate_duty": None,
    }
    assert codes(check, make_pull(6.0, 20.0, target), table) == {}
    duty = {
        "boost": falls,
        "boost_target": None,
        "wastegate_duty": lambda t: 60 - 12 * np.clip((t - 2) / 4, 0, 1),
    }
    assert codes(check, make_pull(6.0, 20.0, duty), table) == {}


def test_an_overshoot_and_a_swing_are_no_fade(make_pull, codes, table):
    def over(t):
        z = np.clip(t - 1.4, 0, None) / 0.2
        return boost_to(96.5)(t) + 25 * z * np.exp(1 - z)

    assert codes(check, make_pull(6.0, 20.0, {"boost": over}), table) == {}
    swing = {
        "boost": lambda t: (
            boost_to(96.5)(t) + 10 * np.sin(2 * np.pi * 1.7 * np.clip(t - 1.4, 0, None))
        )
    }
    assert "boost.fade" not in codes(check, make_pull(6.0, 20.0, swing), table)


def test_the_lift_at_the_end_is_no_fade(make_pull, codes, table):
    for rate in (4.0, 10.0, 50.0):
        shapes = {"boost": lambda t: np.where(t > 5.85, 30.0, boost_to(96.5)(t))}
        assert codes(check, make_pull(6.0, rate, shapes), table) == {}


def night(make_pull, table, shapes, **kwargs):
    pulls = [make_pull(6.0, 20.0, s, seed=i, index=i, **kwargs) for i, s in enumerate(shapes)]
    measures = [
        {
            **boost_overshoot.measure(p, table).values,
            **boost_control.measure(p, table).values,
            **check.measure(p, table).values,
        }
        for p in pulls
    ]
    return pulls, measures


def found_across(make_pull, table, shapes, **kwargs):
    across = check.across(*night(make_pull, table, shapes, **kwargs), table)
    return {f.code: (f.severity, rows) for f, rows in across.findings}


@pytest.mark.parametrize(("later", "severity"), [(0.3, None), (0.9, "watch"), (1.6, "hold")])
def test_a_pull_that_spools_later_than_the_others_is_found(make_pull, table, later, severity):
    # engine speed climbs by about 730 rpm a second where boost builds
    shapes = [{"boost": boost_to(96.5, spool=s)} for s in (0.9, 0.95, 0.9, 0.9 + later)]
    found = found_across(make_pull, table, shapes)
    assert found.get("boost.late", (None,))[0] == severity
    if severity:
        assert 3 in found["boost.late"][1]


def late_finding(pulls, table):
    measures = [{**boost_overshoot.measure(p, table).values} for p in pulls]
    across = check.across(pulls, measures, table)
    return {f.code: f.severity for f, _ in across.findings}.get("boost.late")


@pytest.mark.parametrize("gears", [(3, 4), (4, 3), (None, None)])
def test_a_late_pull_is_found_over_gears(make_pull, table, gears):
    early, late = {"boost": boost_to(96.5)}, {"boost": boost_to(96.5, spool=2.4)}
    pulls = [make_pull(6.0, 20.0, early, gear=gears[0]), make_pull(6.0, 20.0, late, gear=gears[1])]
    assert late_finding(pulls, table) == "hold"


def test_a_shorter_gear_leaves_the_turbo_less_time_and_is_not_late(make_pull, rpm_ramp, table):
    long_gear = {"boost": boost_to(96.5), "engine_speed": lambda t: rpm_ramp(t, end=4600.0)}
    short_gear = {"boost": boost_to(96.5, spool=1.2)}
    pulls = [make_pull(6.0, 20.0, long_gear, gear=4), make_pull(6.0, 20.0, short_gear, gear=2)]
    assert late_finding(pulls, table) is None


def test_another_start_is_not_compared(make_pull, rpm_ramp, table):
    high = {"boost": boost_to(96.5, spool=2.4), "engine_speed": lambda t: rpm_ramp(t, start=3600.0)}
    assert (
        late_finding(
            [make_pull(6.0, 20.0, {"boost": boost_to(96.5)}), make_pull(6.0, 20.0, high)], table
        )
        is None
    )


def test_a_pull_that_ends_before_boost_came_is_late(make_pull, table):
    early, never = {"boost": boost_to(96.5)}, {"boost": boost_to(96.5, spool=7.5)}
    assert late_finding([make_pull(6.0, 20.0, early), make_pull(6.0, 20.0, never)], table) == "hold"


def test_less_boost_at_the_same_duty_later_in_the_night_is_found(make_pull, table):
    def at(level, duty):
        return {"boost": boost_to(level), "wastegate_duty": duty, "boost_target": None}

    found = found_across(make_pull, table, [at(96.5, 70.0), at(96.0, 70.0), at(78.0, 70.0)])
    assert found["boost.under_target"] == ("hold", (0, 2))
    assert found_across(make_pull, table, [at(96.5, 70.0), at(93.0, 70.0)]) == {}
    assert found_across(make_pull, table, [at(96.5, 70.0), at(78.0, 60.0)]) == {}


def test_a_lower_target_is_no_lost_boost(make_pull, table):
    shapes = [
        {"boost": boost_to(b), "wastegate_duty": 70.0, "boost_target": b} for b in (96.5, 78.0)
    ]
    assert found_across(make_pull, table, shapes) == {}
