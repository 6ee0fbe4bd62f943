"""boost_delivery: short of target, fading, late; and what only looks like it."""

from __future__ import annotations

import numpy as np
import pytest

from audit.checks.boost import boost_control, boost_overshoot
from audit.checks.boost import boost_delivery as check
from audit.checks.boost.boost_trace import trace_of
from audit.model import Car


def boost_to(level, *, spool=0.9):
    return lambda t: -5.0 + (level + 5.0) / (1.0 + np.exp(-(t - spool) * 8.0))


def fading(t, *, percent, from_s=2.0, until=6.0):
    return boost_to(91.5)(t) * (1 - percent / 100 * np.clip((t - from_s) / (until - from_s), 0, 1))


def moving_duty(t):
    return 60 + 10 * np.exp(-np.clip(t - 0.8, 0, None) / 0.4)


@pytest.mark.parametrize(
    ("short", "found"),
    [(4.5, {}), (9.0, {"boost.under_target": "watch"}), (18.0, {"boost.under_target": "hold"})],
)
@pytest.mark.parametrize("rate", [5.0, 20.0, 50.0])
def test_both_sides_of_the_under_target_limits(make_pull, codes, table, short, found, rate):
    shapes = {"boost": boost_to(91.5 - short), "wastegate_duty": moving_duty}
    assert codes(check, make_pull(6.0, rate, shapes), table) == found


def test_the_car_file_s_target_by_gear_counts_where_none_is_logged(make_pull, codes, table):
    car = Car(target_kpa=120.0, target_by_gear_kpa={2: 80.0})
    unknown = {"boost": boost_to(80.0), "boost_target": None, "wastegate_duty": None}
    assert codes(check, make_pull(6.0, 20.0, unknown, gear=3, car=car), table) == {}
    shapes = unknown | {"wastegate_duty": moving_duty}
    assert codes(check, make_pull(6.0, 20.0, shapes, gear=2, car=car), table) == {}
    assert codes(check, make_pull(6.0, 20.0, shapes, gear=3, car=car), table) == {
        "boost.under_target": "hold"
    }


def test_a_target_out_of_reach_at_low_engine_speed_is_no_fault(make_pull, codes, table):
    shapes = {
        "boost": boost_to(91.5, spool=2.0),
        "boost_target": 91.5,
        "wastegate_duty": moving_duty,
    }
    assert codes(check, make_pull(6.0, 20.0, shapes), table) == {}


def test_a_fixed_duty_has_no_target_to_miss(make_pull, codes, table):
    shapes = {"boost": boost_to(70.0), "boost_target": None, "wastegate_duty": 50.0}
    assert codes(check, make_pull(6.0, 20.0, shapes, car=Car(target_kpa=91.5)), table) == {}


@pytest.mark.parametrize("target", [91.5, lambda t: 95.0 - 1.5 * t])
def test_a_logged_target_over_a_duty_set_by_hand_is_no_fault(make_pull, codes, table, target):
    shapes = {"boost": boost_to(50.0), "boost_target": target}
    assert codes(check, make_pull(6.0, 20.0, shapes | {"wastegate_duty": 20.0}), table) == {}
    assert codes(check, make_pull(6.0, 20.0, shapes | {"wastegate_duty": moving_duty}), table) == {
        "boost.under_target": "hold"
    }


def test_a_fixed_duty_at_its_stop_does_not_excuse(make_pull, codes, table):
    shapes = {"boost": boost_to(70.0), "boost_target": None, "wastegate_duty": 95.0}
    car = Car(target_kpa=91.5, duty_max_pct=95.0)
    assert codes(check, make_pull(6.0, 20.0, shapes, car=car), table) == {
        "boost.under_target": "hold"
    }


@pytest.mark.parametrize(("duty", "found"), [(82.0, {}), (86.0, {"boost.under_target": "hold"})])
def test_a_valve_that_vents_all_it_can_is_at_its_stop_whoever_set_it(
    make_pull, codes, table, duty, found
):
    shapes = {"boost": boost_to(70.0), "boost_target": 91.5, "wastegate_duty": duty}
    assert codes(check, make_pull(6.0, 20.0, shapes), table) == found


@pytest.mark.parametrize(
    ("level", "spring", "found"),
    [
        (1.0, None, "hold"),
        (24.0, None, None),
        (1.0, 50.0, "hold"),
        (20.0, 50.0, "watch"),
        (34.0, 50.0, None),
    ],
)
def test_a_turbo_gives_what_its_spring_holds_shut_for_at_the_least(
    make_pull, codes, table, level, spring, found
):
    """Whoever sets the duty: 0.6 of the spring named, or of the weakest there is, is short by 14 kPa or it is not."""
    shapes = {"boost": boost_to(level), "boost_target": None, "wastegate_duty": 80.0}
    said = codes(check, make_pull(6.0, 20.0, shapes, car=Car(spring_kpa=spring)), table)
    assert said.get("boost.under_target") == found


@pytest.mark.parametrize(
    ("percent", "found"),
    [(10.0, None), (20.0, "watch"), (32.0, "hold")],
)
def test_both_sides_of_the_fade_limits(make_pull, table, percent, found):
    shapes = {"boost": lambda t: fading(t, percent=percent), "boost_target": None}
    assert faded(make_pull, table, [shapes]) == found


def test_fade_late_in_the_pull_is_found(make_pull, table):
    for rate in (10.0, 20.0):
        late = {"boost": lambda t: fading(t, percent=35.0, from_s=4.0), "boost_target": None}
        assert faded(make_pull, table, [late], rate=rate) == "hold"


def test_a_taper_that_all_pulls_share_is_the_turbo_s_own_and_a_watch_at_most(make_pull, table):
    shapes = {"boost": lambda t: fading(t, percent=27.5), "boost_target": None}
    far = {"boost": lambda t: fading(t, percent=36.0), "boost_target": None}
    assert faded(make_pull, table, [far] * 3) == "hold"
    sudden = {
        "boost": lambda t: fading(t, percent=32.0, from_s=4.2, until=5.3),
        "boost_target": None,
    }
    assert faded(make_pull, table, [shapes] * 3) == "watch"
    assert faded(make_pull, table, [shapes]) == "hold"
    assert faded(make_pull, table, [sudden] * 3) == "hold"
    even = {"boost": boost_to(91.5), "boost_target": None}
    assert faded(make_pull, table, [even, even, shapes]) == "hold"


def faded(make_pull, table, shapes, **kwargs):
    return found_across(make_pull, table, shapes, **kwargs).get("boost.fade", (None,))[0]


def falls_off(t, *, at=3.0, to=3.0, tau=0.1):
    level = boost_to(91.5)(t)
    return np.where(t < at, level, to + (level - to) * np.exp(-(t - at).clip(0) / tau))


@pytest.mark.parametrize(
    ("to", "found"),
    [(80.0, {}), (60.0, {"boost.lost": "hold"}), (3.0, {"boost.lost": "stop"})],
)
@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0])
def test_boost_that_collapses_is_lost_and_nothing_else(make_pull, codes, table, to, found, rate):
    shapes = {"boost": lambda t: falls_off(t, to=to), "boost_target": None}
    pull = make_pull(6.0, rate, shapes)
    assert codes(check, pull, table) == found
    if found:
        values = boost_overshoot.measure(pull, table).values
        assert (values.get("boost_overshoot_kpa") or 0.0) < 5.0
        assert values["boost_peak_kpa"] == pytest.approx(91.5, abs=1.5)


def test_a_lift_a_cut_and_an_overshoot_are_no_lost_boost(make_pull, codes, table):
    lift = {
        "boost": lambda t: falls_off(t, at=4.0),
        "throttle_position": lambda t: np.where((t >= 0) & (t < 4.0), 100.0, 5.0),
    }
    cut = {"boost": lambda t: np.where((t > 3.0) & (t < 3.4), 50.0, boost_to(91.5)(t))}

    def over(t):
        return boost_to(91.5)(t) + 60 * np.exp(-(((t - 1.5) / 0.2) ** 2))

    for shapes in (lift, cut, {"boost": over}):
        for rate in (10.0, 50.0):
            assert "boost.lost" not in codes(check, make_pull(6.0, rate, shapes), table)


def test_a_falling_target_or_a_lowered_duty_is_no_fade(make_pull, codes, table):
    def falls(t):
        return fading(t, percent=22.0)

    target = {
        "boost": falls,
        "boost_target": lambda t: 91.5 * (1 - 0.22 * np.clip((t - 2) / 4, 0, 1)),
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
        return boost_to(91.5)(t) + 25 * z * np.exp(1 - z)

    assert codes(check, make_pull(6.0, 20.0, {"boost": over}), table) == {}
    swing = {
        "boost": lambda t: (
            boost_to(91.5)(t) + 10 * np.sin(2 * np.pi * 1.7 * np.clip(t - 1.4, 0, None))
        )
    }
    assert "boost.fade" not in codes(check, make_pull(6.0, 20.0, swing), table)


def test_the_lift_at_the_end_is_no_fade(make_pull, codes, table):
    for rate in (4.0, 10.0, 50.0):
        shapes = {"boost": lambda t: np.where(t > 5.85, 30.0, boost_to(91.5)(t))}
        assert codes(check, make_pull(6.0, rate, shapes), table) == {}


def night(make_pull, table, shapes, **kwargs):
    rate = kwargs.pop("rate", 20.0)
    pulls = [make_pull(6.0, rate, s, seed=i, index=i, **kwargs) for i, s in enumerate(shapes)]
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
    shapes = [{"boost": boost_to(91.5, spool=s)} for s in (0.9, 0.95, 0.9, 0.9 + later)]
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
    early, late = {"boost": boost_to(91.5)}, {"boost": boost_to(91.5, spool=2.4)}
    pulls = [make_pull(6.0, 20.0, early, gear=gears[0]), make_pull(6.0, 20.0, late, gear=gears[1])]
    assert late_finding(pulls, table) == "hold"


def test_a_shorter_gear_leaves_the_turbo_less_time_and_is_not_late(make_pull, rpm_ramp, table):
    long_gear = {"boost": boost_to(91.5), "engine_speed": lambda t: rpm_ramp(t, end=4600.0)}
    short_gear = {"boost": boost_to(91.5, spool=1.2)}
    pulls = [make_pull(6.0, 20.0, long_gear, gear=4), make_pull(6.0, 20.0, short_gear, gear=2)]
    assert late_finding(pulls, table) is None


def test_another_start_is_not_compared(make_pull, rpm_ramp, table):
    high = {"boost": boost_to(91.5, spool=2.4), "engine_speed": lambda t: rpm_ramp(t, start=3600.0)}
    assert (
        late_finding(
            [make_pull(6.0, 20.0, {"boost": boost_to(91.5)}), make_pull(6.0, 20.0, high)], table
        )
        is None
    )


def test_a_pull_that_ends_before_boost_came_is_late(make_pull, table):
    early, never = {"boost": boost_to(91.5)}, {"boost": boost_to(91.5, spool=7.5)}
    assert late_finding([make_pull(6.0, 20.0, early), make_pull(6.0, 20.0, never)], table) == "hold"


def test_one_pull_off_the_others_of_its_gear_and_duty_is_uneven(make_pull, table):
    def at(level, duty=70.0):
        return {"boost": boost_to(level), "wastegate_duty": duty, "boost_target": None}

    found = found_across(make_pull, table, [at(91.5), at(91.0), at(73.0)])
    assert found["boost.uneven"] == ("hold", (2,))
    over = found_across(make_pull, table, [at(91.5), at(96.0), at(130.0)])
    assert over["boost.uneven"] == ("stop", (2,))
    two = found_across(make_pull, table, [at(91.5), at(81.5)])
    assert two["boost.uneven"] == ("watch", (0, 1))
    assert "boost.uneven" not in found_across(make_pull, table, [at(91.5), at(89.0)])  # colder air
    assert "boost.uneven" not in found_across(make_pull, table, [at(91.5), at(73.0, 60.0)])


def test_what_a_controller_does_about_it_does_not_set_a_weak_pull_apart(make_pull, table):
    def steered(level, duty):
        moves = {"wastegate_duty": lambda t: duty + moving_duty(t) - 60.0, "boost_target": None}
        return {"boost": boost_to(level), **moves}

    shapes = [steered(91.5, 40.0), steered(91.0, 40.0), steered(73.0, 48.0)]
    assert found_across(make_pull, table, shapes)["boost.uneven"] == ("hold", (2,))


def test_uneven_is_seen_without_gear_duty_or_target_and_at_the_same_engine_speed(make_pull, table):
    bare = {"boost_target": None, "wastegate_duty": None, "vehicle_speed": None}
    shapes = [{"boost": boost_to(level), **bare} for level in (91.5, 96.0, 72.0)]
    assert found_across(make_pull, table, shapes, gear=None)["boost.uneven"] == ("hold", (2,))
    tapered = [{"boost": lambda t: fading(t, percent=20.0), **bare}] * 2
    short = {
        "boost": lambda t: fading(t, percent=20.0),
        "throttle_position": lambda t: np.where((t >= 0) & (t < 3.5), 100.0, 5.0),
        **bare,
    }
    assert "boost.uneven" not in found_across(make_pull, table, [*tapered, short], gear=None)


def test_a_lower_target_is_no_uneven_boost(make_pull, table):
    shapes = [
        {"boost": boost_to(b), "wastegate_duty": 70.0, "boost_target": b} for b in (91.5, 73.0)
    ]
    assert "boost.uneven" not in found_across(make_pull, table, shapes)


def test_a_constant_target_is_not_missed_by_a_duty_set_by_hand(make_pull, codes, table):
    by_hand = {"boost": boost_to(70.0), "boost_target": 120.0, "wastegate_duty": 45.0}
    assert codes(check, make_pull(6.0, 20.0, by_hand), table) == {}
    steered = by_hand | {"wastegate_duty": moving_duty}
    assert codes(check, make_pull(6.0, 20.0, steered), table) == {"boost.under_target": "hold"}


def from_its_level(t, *, to):
    """Boost that stands at 91.5 kPa for half a second and falls for good."""
    return boost_to(91.5)(t) - (91.5 - to) * np.clip((t - 2.1) / 0.3, 0, 1)


def test_a_fall_from_where_the_other_pulls_stay_is_lost_boost(make_pull, codes, table):
    lost = {"boost": lambda t: from_its_level(t, to=60.0), "boost_target": None}
    other = {"boost": boost_to(91.5), "boost_target": None}
    lower = {"boost": boost_to(61.0), "boost_target": None}

    def across(*shapes):
        pulls = [make_pull(5.0, 50.0, shape, index=i) for i, shape in enumerate(shapes)]
        measures = [check.measure(p, table).values for p in pulls]
        return {f.code: rows for f, rows in check.across(pulls, measures, table).findings}

    assert "boost.lost" not in codes(check, make_pull(5.0, 50.0, lost), table)
    assert across(lost, other, other).get("boost.lost") == (0,)
    assert "boost.lost" not in across(lost, lower, lower)  # there it is an overshoot


def test_a_fall_from_the_target_is_lost_boost(make_pull, codes, table):
    lost = {"boost": lambda t: from_its_level(t, to=60.0), "boost_target": 91.5}
    assert codes(check, make_pull(5.0, 50.0, lost), table).get("boost.lost") == "hold"
    lost["boost_target"] = 60.0
    assert "boost.lost" not in codes(check, make_pull(5.0, 50.0, lost), table)


@pytest.mark.parametrize(
    ("third", "fourth", "found"), [(91.5, 74.0, True), (74.0, 91.5, False), (91.5, 89.0, False)]
)
def test_a_longer_gear_makes_no_less_boost_at_the_same_duty(make_pull, table, third, fourth, found):
    """A longer load gives the turbine more gas: common practice, no published source."""
    shape = lambda level: {
        "boost": boost_to(level),
        "wastegate_duty": 45.0,
        "boost_target": None,
        "vehicle_speed": None,
    }
    pulls = [
        make_pull(6.0, 20.0, shape(third), gear=3),
        make_pull(6.0, 20.0, shape(third), gear=3, seed=1),
        make_pull(6.0, 20.0, shape(fourth), gear=4),
    ]
    measures = [{**boost_overshoot.measure(p, table).values} for p in pulls]
    across = {f.code: (f.severity, r) for f, r in check.across(pulls, measures, table).findings}
    assert (across.get("boost.uneven") == ("hold", (2,))) is found


@pytest.mark.parametrize(("stood", "found"), [(78.0, True), (45.0, False)])
def test_a_duty_that_stood_high_beside_a_controllers_is_its_end(make_pull, table, stood, found):
    """A controller moved duty round 60 % in one pull and holds target there; 78 % that stands is all it may give."""
    good = {"boost": boost_to(91.5), "boost_target": 91.5, "wastegate_duty": moving_duty}
    short = {"boost": boost_to(73.0), "boost_target": 91.5, "wastegate_duty": stood}
    codes_found = found_across(make_pull, table, [good, short])
    assert (codes_found.get("boost.under_target") == ("hold", (1,))) is found


def test_a_lone_throttle_sample_that_dips_is_no_lift(make_pull):
    """The rest of the pull counts: boost that came after it had settled all the same."""
    dip = lambda t: np.where(np.abs(t - 1.4) < 0.011, 78.0, 100.0) * (t < 6.0)
    pull = make_pull(6.0, 50.0, {"boost": boost_to(91.5), "throttle_position": dip})
    trace = trace_of(pull)
    assert trace is not None and trace.settled
