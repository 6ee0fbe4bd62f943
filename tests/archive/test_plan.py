"""The run sheet: what to look at first, the duties in order, cool-downs, and what ends the evening."""

from dataclasses import replace

import pytest
from click.testing import CliRunner

from audit.archive.step.plan import document_of_plan, plan
from audit.cli.plan import command
from audit.model import Car
from audit.report.run_sheet import render
from tests.archive.sheets import CAR, Sheet


def sheet_of(made, *, us=False):
    return render(document_of_plan(made), us=us)


def test_a_new_car_starts_at_a_fixed_five_percent_and_up():
    made = plan(CAR)
    assert [leg.duty for leg in made.legs] == [5.0, 10.0] and all(
        leg.pulls == 2 for leg in made.legs
    )
    assert all(leg.expected is None for leg in made.legs)


def test_a_new_car_without_a_limit_goes_half_as_far():
    assert [leg.duty for leg in plan(Car()).legs] == [5.0, 7.5]


def test_a_known_car_repeats_its_last_duty_before_the_step():
    made = plan(CAR, Sheet().steps(5, 10, 15, 20).ask())
    assert [(leg.duty, leg.pulls) for leg in made.legs] == [(20.0, 1), (25.0, 2)]
    assert made.legs[1].low < made.legs[1].expected < made.legs[1].high


def test_after_a_hold_there_is_no_duty_to_log():
    made = plan(CAR, Sheet().steps(5, 10, 15).night(20, verdict="hold").ask())
    assert made.legs == () and "hold" in made.lead


def test_too_few_pulls_are_what_the_evening_is_for():
    made = plan(CAR, Sheet().night(5, 5).ask())
    assert made.legs[-1].duty == 10.0 and made.legs[-1].expected is None


@pytest.mark.parametrize(("tau", "seconds"), [(20.0, 120.0), (100.0, 240.0), (1000.0, 900.0)])
def test_the_cool_down_follows_the_fitted_recovery(tau, seconds):
    """2.3 time constants, in half minutes, within bounds."""
    made = plan(CAR, Sheet().steps(5, 10, 15, intake_recovery_s=tau).ask())
    assert made.cool_down_s == seconds and f"{tau:.0f} s" in made.cool_from


def test_without_a_recovery_the_cool_down_is_the_tables():
    assert plan(CAR).cool_down_s == 240.0


def test_inspection_comes_first_and_the_limit_ends_the_evening():
    text = "\n".join(sheet_of(plan(CAR, Sheet().steps(5, 10, 15).ask())))
    assert (
        text.index("Ball joints")
        < text.index("Warm up")
        < text.index("% duty, 2 pulls")
        < text.index("ends the evening")
    )
    assert "125.0 kPa" in text and "lift" in text
    for word in ("Tyres", "Hoses", "clamps", "Fluids", "Fuel"):
        assert word in text


def test_the_cars_own_limits_end_the_evening():
    car = replace(CAR, thresholds={"heat.coolant": {"watch": 98.0, "hold": 101.0, "stop": 104.0}})
    assert "Coolant at 101 °C" in "\n".join(sheet_of(plan(car)))


@pytest.mark.parametrize("us", [True, False])
@pytest.mark.parametrize(
    "sheet",
    [
        Sheet(),
        Sheet().night(5, 5),
        Sheet().steps(5, 10, 15, 20),
        Sheet().steps(5, 10).night(15, verdict="stop"),
    ],
)
def test_the_sheet_is_one_page_and_reads_on_a_phone(sheet, us):
    lines = sheet_of(
        plan(replace(CAR, boost_limit_kpa=None), sheet.ask(replace(CAR, boost_limit_kpa=None))),
        us=us,
    )
    assert len(lines) <= 64 and max(map(len, lines)) <= 46


def test_the_command_plans_for_a_new_car_without_any_file():
    ran = CliRunner().invoke(command, [])
    assert (
        ran.exit_code == 0
        and "5.0 % duty" in ran.stdout
        and "never writes to an engine computer" in ran.stdout.replace("\n", " ")
    )
