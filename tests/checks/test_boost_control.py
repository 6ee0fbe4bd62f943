"""boost_control: boost follows duty, not at all, the wrong way, or duty has run out; and a controller at work."""

from __future__ import annotations

import numpy as np
import pytest

from audit.checks.boost import boost_control as check
from audit.checks.boost import boost_overshoot
from audit.model import Car


def boost_to(level, *, spool=0.9):
    return lambda t: -5.0 + (level + 5.0) / (1.0 + np.exp(-(t - spool) * 8.0))


def held(level, duty, **more):
    return {"boost": boost_to(level), "wastegate_duty": duty, "boost_target": None, **more}


def across(make_pull, table, shapes, gears=None):
    pulls = [
        make_pull(6.0, 20.0, s, seed=i, index=i, gear=(gears or [3] * len(shapes))[i])
        for i, s in enumerate(shapes)
    ]
    measures = [
        {**boost_overshoot.measure(p, table).values, **check.measure(p, table).values}
        for p in pulls
    ]
    found = check.across(pulls, measures, table)
    return found, {f.code: f.severity for f, _ in found.findings}


def test_boost_that_follows_duty_is_healthy(make_pull, table):
    found, codes = across(make_pull, table, [held(64.0, 52.0), held(77.0, 59.0), held(91.5, 66.0)])
    assert codes == {}
    assert found.score > 90


@pytest.mark.parametrize(
    ("gain", "severity"), [(0.6, None), (0.3, "watch"), (0.1, "hold"), (0.0, "hold")]
)
def test_both_sides_of_the_response_limits(make_pull, table, gain, severity):
    shapes = [held(66.0 + gain * (d - 46), float(d)) for d in (46, 53, 62, 70)]
    assert across(make_pull, table, shapes)[1].get("control.no_response") == severity


@pytest.mark.parametrize(
    ("gain", "found"), [(0.3, {"control.reversed": "watch"}), (1.2, {"control.reversed": "hold"})]
)
def test_boost_that_falls_as_duty_rises_is_found(make_pull, table, gain, found):
    shapes = [held(93.0 - gain * (d - 46), float(d)) for d in (46, 53, 62, 70)]
    assert across(make_pull, table, shapes)[1] == found


def test_two_pulls_are_enough_when_duty_lies_far_apart(make_pull, table):
    assert across(make_pull, table, [held(80.0, 40.0), held(80.5, 60.0)])[1] == {
        "control.no_response": "hold"
    }


def test_duty_too_near_together_says_nothing(make_pull, table):
    found, codes = across(make_pull, table, [held(80.0, 60.0), held(80.0, 65.0)])
    assert codes == {}
    assert found.unable is not None


def test_boost_by_gear_is_no_missing_response(make_pull, table):
    shapes = [held(70.0, 70.0), held(90.0, 60.0)]
    assert across(make_pull, table, shapes, gears=[2, 4])[1] == {}


def test_a_controller_that_keeps_to_its_target_is_no_missing_response(make_pull, table):
    shapes = [held(91.5, d, boost_target=91.5) for d in (58.0, 63.0, 69.0)]
    assert across(make_pull, table, shapes)[1] == {}


@pytest.mark.parametrize(
    ("short", "found"),
    [(4.0, {}), (9.0, {"control.saturated": "watch"}), (20.0, {"control.saturated": "hold"})],
)
def test_both_sides_of_the_saturation_limits(make_pull, codes, table, short, found):
    shapes = held(91.5 - short, lambda t: np.clip(60 + 20 * t, 0, 95.0), boost_target=91.5)
    assert codes(check, make_pull(6.0, 20.0, shapes, car=Car(duty_max_pct=95.0)), table) == found


def test_a_ceiling_of_duty_that_the_log_shows_itself_counts(make_pull, codes, table):
    shapes = held(71.5, lambda t: np.clip(50 + 20 * t, 0, 85.0), boost_target=91.5)
    assert codes(check, make_pull(6.0, 20.0, shapes), table) == {"control.saturated": "hold"}


def test_full_duty_on_target_or_short_boost_at_middling_duty_is_no_saturation(
    make_pull, codes, table
):
    assert codes(check, make_pull(6.0, 20.0, held(91.5, 100.0, boost_target=91.5)), table) == {}
    assert codes(check, make_pull(6.0, 20.0, held(71.5, 60.0, boost_target=91.5)), table) == {}


@pytest.mark.parametrize(
    ("level", "found"),
    [
        (55.0, {}),
        (64.0, {"control.no_response": "watch"}),
        (100.0, {"control.no_response": "watch"}),
    ],
)
def test_boost_far_over_the_spring_at_little_duty(make_pull, codes, table, level, found):
    car = Car(spring_kpa=48.0, duty_min_pct=5.0)
    assert codes(check, make_pull(6.0, 20.0, held(level, 6.0), car=car), table) == found
    assert codes(check, make_pull(6.0, 20.0, held(level, 60.0), car=car), table) == {}


def test_a_step_of_duty_inside_the_pull_that_boost_ignores_is_found(make_pull, codes, table):
    def stepped(t):
        return np.where(t < 3.0, 50.0, 65.0)

    assert codes(check, make_pull(6.0, 20.0, held(80.0, stepped)), table) == {
        "control.no_response": "hold"
    }

    def answers(t):
        return boost_to(80.0)(t) + 22 * (1 - np.exp(-np.clip(t - 3.0, 0, None) / 0.15))

    assert (
        codes(check, make_pull(6.0, 20.0, {**held(80.0, stepped), "boost": answers}), table) == {}
    )


def test_mean_duty_is_that_of_the_settled_part(make_pull, table):
    duty = held(80.0, lambda t: np.where(t < 1.0, 95.0, 62.0))
    assert check.measure(make_pull(6.0, 20.0, duty), table).values[
        "duty_mean_pct"
    ] == pytest.approx(62.0)


def test_no_response_is_seen_where_gears_are_not_all_known(make_pull, table):
    shapes = [held(60.0, 20.0), held(60.5, 45.0), held(60.2, 45.0)]
    _, codes = across(make_pull, table, shapes, gears=[3, None, None])
    assert codes == {"control.no_response": "hold"}
    _, codes = across(make_pull, table, shapes, gears=[3, 4, 4])
    assert codes == {}


@pytest.mark.parametrize(("short", "found"), [(10.0, "watch"), (18.0, "hold")])
def test_the_shortfall_at_the_end_stop_is_against_the_target_of_that_moment(
    make_pull, codes, table, short, found
):
    falls = lambda t: 120.0 - 9.0 * np.clip(t - 2.5, 0, None)
    shapes = {
        "boost": lambda t: np.where(t < 0, -40.0, np.minimum(falls(t) - short, 200.0 * t - 40.0)),
        "boost_target": falls,
        "wastegate_duty": lambda t: np.clip(60 + 40 * t, 0, 95.0),
    }
    pull = make_pull(6.0, 20.0, shapes, car=Car(duty_max_pct=95.0))
    assert codes(check, pull, table).get("control.saturated") == found
