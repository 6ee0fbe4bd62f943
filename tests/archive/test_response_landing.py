"""The step that should land on the target, on made curves whose spread is known."""

from __future__ import annotations

import numpy as np
import pytest

from audit.archive.step.curve import GRID, Curve, Curves, Points
from audit.archive.step.step import Air, Bounds, Overshoot
from audit.archive.step.step_up import next_step
from tests.archive.sheets import gear_at

SLOPE = 1.5  # kPa per %


def curve(sd: float, *, at_20: float = 80.0) -> Curve:
    """Straight, through at_20 kPa at 20 %, its level known to sd kPa."""
    level = np.random.default_rng(1).normal(0.0, sd, 4000)
    paths = at_20 + SLOPE * (GRID - 20.0) + level[:, None]
    return Curve(3, paths, np.zeros(4000), np.zeros(4000), (5.0, 20.0))


def ask(made: Curve, *, target: float, limit: float = 150.0, evenings: int = 1):
    bounds = Bounds(target, limit, "", None, 100.0, 5.0, 14.0)
    over = Overshoot(2.0, 0.02, 1.5, seen=True)
    return next_step(
        gear_at(20.0, made, bounds=bounds, overshoot=over, air=Air(1.0, 99.0), evenings=evenings)
    )


def test_a_landing_aims_half_a_kpa_under_the_target():
    step = ask(curve(0.5), target=85.0)
    assert (
        step.action == "up"
        and step.binds == "target"
        and 84.5 - 0.5 * SLOPE - 0.1 < step.expected <= 84.5
    )


@pytest.mark.parametrize("sd", [0.5, 2.5])
@pytest.mark.parametrize("target", [85.0, 120.0])
def test_a_step_is_not_put_off_for_a_level_that_is_not_sure(sd, target):
    """The person has logged this duty; the bounds hold the step, not another evening."""
    assert ask(curve(sd), target=target).action == "up"


def test_four_evenings_at_a_duty_are_enough():
    assert "another evening" in ask(curve(1.9), target=80.0, evenings=3).log_next
    assert ask(curve(1.9), target=80.0, evenings=4).log_next == ""


@pytest.mark.parametrize(("sd", "sure"), [(1.3, True), (1.9, False)])
def test_there_is_there_once_it_lies_within_3_kpa_with_95_percent(sd, sure):
    """Normal: 95 % lie within 1.96 sd, so 3 kPa are enough up to 1.53 kPa."""
    step = ask(curve(sd), target=80.0)
    assert step.action == "stay" and (step.log_next == "") == sure


def test_near_the_limit_an_evening_more_is_asked_for_where_that_would_help():
    assert "another evening" in ask(curve(1.4), target=95.0, limit=87.5).log_next
    held = ask(curve(0.3), target=95.0, limit=84.6)
    assert held.action == "stay" and held.binds == "limit" and held.log_next == ""


def test_past_the_limit_nothing_more_is_logged_at_that_duty():
    step = ask(curve(1.4), target=95.0, limit=85.0)
    assert step.action == "stay" and step.log_next == "" and "do not go up" in step.sentence


def test_before_any_pull_the_curve_steepens_with_duty():
    """spring / (1 - bleed) with an even bleed has its least slope at no duty."""
    one = np.array([0.0])
    made = Curves(
        Points(one, np.array([50.0]), np.array([3.0]), one, np.ones(1), np.ones(1)), spring_kpa=50.0
    )[3]
    middle = np.median(made.paths, axis=0)
    assert middle[100] - middle[80] > middle[20] - middle[0] > 0.0
