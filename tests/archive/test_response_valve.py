"""A valve that does nothing, one that works backwards, one with a wide dead band: named in time, or left alone."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from audit.archive.step.valve import slope_of
from audit.archive.store.journal import JournalNote
from tests.archive.sheets import CAR, Sheet

MOODS = (1.5, -2.0, 0.5, 2.0, -1.0, 1.8)  # kPa, from night to night: hides a slope of nothing


def climb(sheet: Sheet, boost, *, most: float = 60.0, notes=()) -> tuple[list[float], object]:
    """Follow the advice from 5 %, a night of two pulls each; the duties tried and the last answer."""
    duties, duty = [], 5.0
    for night in range(14):
        sheet.boost = lambda d, n=night: boost(d) + MOODS[n % len(MOODS)]
        sheet.night(duty, duty)
        duties.append(duty)
        answer = sheet.ask(notes=notes)
        following = answer.step.duty
        again = answer.step.binds == "fell"  # the same duty once more
        if following is None or (following <= duty + 0.25 and not again) or following > most:
            return duties, answer
        duty = following
    return duties, answer


def test_a_dead_solenoid_is_named_by_25_percent_and_never_taken_further():
    duties, answer = climb(Sheet(), lambda _: 50.0)
    assert max(duties) <= 25.0
    assert answer.step.binds == "no_response"
    assert answer.decision.state == "no_step"
    assert "solenoid" in answer.step.sentence and "click" in answer.step.log_next


def test_a_valve_that_answers_goes_past_25_percent():
    duties, answer = climb(Sheet(), lambda d: 45.0 + 1.5 * max(d - 10.0, 0.0))
    assert max(duties) > 25.0 and "no_response" not in answer.step.binds


def test_a_wide_dead_band_goes_on_once_the_solenoid_was_tested():
    wide = lambda d: 50.0 + 1.5 * max(d - 24.0, 0.0)  # noqa: E731
    held, answer = climb(Sheet(), wide)
    assert answer.step.binds == "no_response" and max(held) <= 25.0
    note = JournalNote("n", CAR.name, "2026-03-01", "solenoid tested, clicks", ())
    onward, _ = climb(Sheet(), wide, notes=(note,))
    assert max(onward) > 30.0


def test_a_dead_band_takes_steps_of_up_to_ten_percent():
    duties, _ = climb(Sheet(), lambda d: 50.0 + 1.5 * max(d - 18.0, 0.0))
    steps = np.diff(duties)
    assert max(steps) > 5.5 and max(steps) <= 10.05


@pytest.mark.parametrize(("per_pct", "named"), [(-1.5, True), (1.5, False), (0.0, False)])
def test_a_backwards_valve_is_named_after_its_second_duty(per_pct, named):
    sheet = Sheet(boost=lambda d: 70.0 + per_pct * d)
    once = sheet.night(5, 5).night(10, 10).ask()
    assert once.step.binds != "reversed"  # two evenings tell nothing of how evenings differ
    answer = sheet.night(10, 10).ask()
    assert (answer.step.binds == "reversed") is named
    within = Sheet(boost=sheet.boost).night(5, 5, 10, 10).ask()  # one evening tells it at once
    assert (within.step.binds == "reversed") is named
    if named:
        assert (once.step.binds, once.step.duty) == ("fell", pytest.approx(10.0))
        assert answer.decision.state == "no_step" and "ports" in answer.step.log_next


def test_the_slope_is_generalised_least_squares():
    """Against numpy's weighted solution, whitened by the Cholesky factor of the same covariance."""
    duty = np.array([5.0, 5, 10, 10, 15, 20])
    boost = np.array([50.0, 51, 55, 54, 61, 66])
    night = np.array([0.0, 0, 1, 1, 2, 3])
    covariance = 1.5**2 * (night[:, None] == night) + 1.2**2 * np.eye(6)
    root = np.linalg.cholesky(covariance)
    design = np.column_stack([np.ones(6), duty])
    expected = np.linalg.lstsq(
        np.linalg.solve(root, design), np.linalg.solve(root, boost), rcond=None
    )[0][1]
    found = slope_of(duty, boost, night)
    assert found.middle == pytest.approx(expected)
    assert found.low < found.middle < found.high


def test_the_mixture_of_the_next_step_is_held_against_the_limit_at_that_steps_boost():
    """The hold level falls from 0.92 at 35 kPa to 0.84 at 140 kPa: straight lines between."""
    from audit.archive.step.projected import lines_of

    rows = Sheet().steps(5, 10, 15, lean_lambda=0.80).ask().rows
    (line,) = (one for one in lines_of(rows, CAR) if one.row.measure == "lean_lambda")
    assert line.limit(35.0) > line.limit(90.0) > line.limit(140.0)
    assert line.limit(140.0) == pytest.approx(0.84)


STEEP = lambda d: 80.0 + 1.2 * d  # noqa: E731 - much at little duty; CAR's spring is 48 kPa


def test_boost_far_over_the_spring_waits_and_says_what_lifts_it():
    answer = Sheet(boost=STEEP).night(5, 5).ask()
    assert (answer.step.binds, answer.decision.state) == ("base_run", "stay")
    assert answer.decision.duty_next_pct == 0.0
    loose = Sheet(boost=STEEP).night(5, 5).night(0, 0).ask()
    assert (loose.step.binds, loose.decision.state) == ("over_spring", "no_step")
    answer = loose
    assert 'note CAR "wastegate lines tested"' in answer.step.log_next


@pytest.mark.parametrize("how", ["note", "base run", "curve", "car file"])
def test_what_the_refusal_over_the_spring_names_lifts_it(how):
    sheet, note, car = Sheet(boost=STEEP), (), CAR
    if how == "note":
        note = (JournalNote("n", CAR.name, "2026-03-01", "wastegate lines tested", ()),)
    if how == "car file":
        car = dataclasses.replace(CAR, spring_kpa=80.0)
    sheet.boost = STEEP if how != "base run" else lambda d: 49.0 if d < 1.0 else STEEP(d)
    sheet.night(5, 5)
    if how == "base run":
        sheet.night(0, 0)
    if how == "curve":
        sheet.night(15, 15)
    answer = sheet.ask(notes=note, car=car)
    assert answer.step.binds not in ("over_spring", "base_run")
    if how == "base run":  # and the step is counted from the duty that was driven
        assert answer.step.action == "up" and answer.step.from_duty == 5.0


def test_a_fall_that_may_be_the_evening_takes_another_one_before_a_step():
    sheet = Sheet(boost=lambda d: 70.0 - 0.7 * d).night(5, 5).night(10, 10)
    answer = sheet.ask()
    assert (answer.step.binds, answer.step.duty) == ("fell", pytest.approx(10.0))
    assert answer.decision.state == "stay"
    assert Sheet(boost=lambda d: 70.0 - 0.2 * d).night(5, 5).night(10, 10).ask().step.duty > 10.5
    weak = Sheet(boost=lambda d: 70.0 - 0.5 * d).night(5, 5).night(10, 10)
    asked = []
    for _ in range(4):  # by turns at both duties, and not for ever
        step = weak.ask().step
        asked.append(step.duty if step.binds == "fell" else None)
        weak.night(step.duty, step.duty)
    assert asked[:3] == [pytest.approx(10.0), pytest.approx(5.0), pytest.approx(10.0)]
    assert asked[-1] is None


def test_a_rise_that_is_not_sure_goes_no_further_than_25_percent_and_says_what_lifts_it():
    """A rise of 4.6 kPa over 20 %: the 90 % interval of its slope is over nothing, the surer one is not."""
    sheet = Sheet()
    for duty, off in ((5, 0.0), (15, 1.0), (25, 0.5)):
        sheet.boost = lambda d, off=off: 50.0 + 0.2 * (d - 5) + off
        sheet.night(duty, duty)
    answer = sheet.ask()
    slope = next(g for g in answer.gears if g.pulls).valve.slope
    assert slope.low > 0.0 > slope.surely_over
    assert (answer.step.binds, answer.step.duty) == ("unproven", 25.0)
    assert "solenoid tested" in answer.step.log_next
    note = JournalNote("n", CAR.name, "2026-03-01", "solenoid tested, clicks", ())
    assert sheet.ask(notes=(note,)).step.duty > 25.0


@pytest.mark.parametrize(("per_pct", "named"), [(0.3, False), (0.16, True), (0.0, True)])
def test_a_small_rise_by_25_percent_takes_evenings_at_both_ends_before_it_is_called_dead(
    per_pct, named
):
    """A late valve and a dead one look alike on one evening a duty; one that does nothing is named
    at once.
    """
    sheet = Sheet(lambda d: 50.0 + per_pct * d)
    steps = [sheet.night(d, d).ask().step for d in (5, 15, 25, 25, 5, 25)]
    assert (steps[2].binds == "no_response") is (per_pct == 0.0)
    if per_pct:
        assert [s.binds for s in steps[2:4]] == ["unproven"] * 2
        assert [s.duty for s in steps[2:5]] == [pytest.approx(d) for d in (25.0, 5.0, 25.0)]
    assert (steps[-1].binds == "no_response") is named
    assert ("begins late" in steps[-1].sentence) is (per_pct == 0.16)
    if not named:  # and it goes on from the highest duty that was driven
        assert steps[-1].duty > 25.0


def test_after_a_base_run_a_step_counts_from_the_solenoids_least_duty():
    car = dataclasses.replace(CAR, duty_min_pct=10.0)
    assert Sheet().night(0, 0).ask(car).step.duty == 15.0


@pytest.mark.parametrize(("per_pct", "lifted"), [(-1.2, True), (-3.0, False)])
def test_a_fall_that_evenings_may_have_made_is_lifted_by_a_look_at_its_direction(per_pct, lifted):
    """A sure one is not: what was found by hand does not stand against it."""
    sheet = Sheet(lambda d: 70.0 + per_pct * d).steps(5, 10, 10)
    refused = sheet.ask()
    assert refused.step.binds == "reversed"
    assert ("duty direction tested" in refused.step.log_next) is lifted
    note = JournalNote("n", CAR.name, "2026-03-03", "duty direction tested", ())
    answer = sheet.ask(notes=(note,))
    assert (answer.step.binds != "reversed") is lifted
    if lifted:  # and no further than a valve that was not seen to answer
        assert answer.step.duty is not None and answer.step.duty <= 25.0
