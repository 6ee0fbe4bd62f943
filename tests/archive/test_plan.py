"""The run sheet: what to look at first, the duties in order, cool-downs, and what ends the evening."""

import re
from dataclasses import replace

import pytest
from click.testing import CliRunner

from audit.archive.step.plan import plan
from audit.archive.step.step import first_duty
from audit.cli.step import plan as command
from audit.model import Car
from audit.report.sheets import boosts, plan_lines
from audit.report.words import decision_line
from tests.archive.sheets import CAR, Sheet


def sheet_of(made, *, us=False):
    return plan_lines(made, us=us)


def test_a_new_car_starts_with_a_base_run_on_its_spring_and_lifts_well_under_the_limit():
    made = plan(CAR)
    assert [leg["duty_pct"] for leg in made["legs"]] == [0.0, 5.0]
    assert all(leg["pulls"] == 2 for leg in made["legs"])
    base = made["legs"][0]
    assert base["low_kpa"] < base["expected_kpa"] == CAR.spring_kpa < base["high_kpa"]
    assert (
        CAR.spring_kpa + 2 * 6.9 <= base["lift_kpa"] <= CAR.spring_kpa + 3 * 6.9
    )  # 2 to 3 psi over it
    assert "Boost cut" in made["before"][0] and "click" in " ".join(made["before"])
    tight = plan(replace(CAR, boost_limit_kpa=60.0))
    assert tight["legs"][0]["lift_kpa"] == 53.0


@pytest.mark.parametrize(("limit", "lift"), [(125.0, 70.0), (90.0, 54.0), (None, 70.0)])
def test_without_a_spring_the_first_lifts_are_cautious_and_well_under_the_limit(limit, lift):
    made = plan(replace(CAR, spring_kpa=None, boost_limit_kpa=limit))
    assert [leg["lift_kpa"] for leg in made["legs"]] == [pytest.approx(lift)] * 2
    assert f"{lift:.1f} kPa" in made["before"][0] and f"{lift:.1f} kPa" in made["ends"][0]
    assert "stiffer" in made["legs"][0]["why"] and "stiffer" not in plan(CAR)["legs"][0]["why"]


def test_the_first_duty_stands_on_the_solenoids_least_and_the_room_under_the_limit():
    assert first_duty(CAR) == 5.0
    assert first_duty(replace(CAR, duty_min_pct=8.0)) == 13.0
    assert first_duty(replace(CAR, boost_limit_kpa=48.0 + 14.0 + 8.0)) == 2.0  # 8 kPa of room
    assert first_duty(replace(CAR, boost_limit_kpa=None)) == 2.5
    # under the sensor's top as under the limit: 105 kPa of ambient air and 3 kPa to spare
    assert first_duty(replace(CAR, sensor_top_kpa=48.0 + 14.0 + 108.0 + 8.0)) == 2.0


def test_a_new_car_without_a_limit_goes_half_as_far():
    assert [leg["duty_pct"] for leg in plan(Car())["legs"]] == [0.0, 2.5]


def test_a_known_car_repeats_its_last_duty_before_the_step():
    made = plan(CAR, Sheet().steps(5, 10, 15, 20).ask())
    assert [(leg["duty_pct"], leg["pulls"]) for leg in made["legs"]] == [(20.0, 1), (25.0, 2)]
    assert (
        made["legs"][1]["low_kpa"] < made["legs"][1]["expected_kpa"] < made["legs"][1]["high_kpa"]
    )


@pytest.mark.parametrize("verdict", ["hold", "stop"])
def test_after_a_hold_the_sheet_goes_back_to_the_last_clear_duty_once_it_is_mended(verdict):
    made = plan(CAR, Sheet().steps(5, 10, 15).night(20, verdict=verdict).ask())
    assert verdict in made["lead"] and "mended" in made["before"][0]
    (leg,) = made["legs"]
    assert (leg["duty_pct"], leg["pulls"]) == (15.0, 2)
    assert (
        leg["low_kpa"]
        < leg["expected_kpa"]
        < leg["high_kpa"]
        < leg["lift_kpa"]
        <= CAR.boost_limit_kpa - 7.0
    )
    text = "\n".join(sheet_of(made))
    assert text.index("mended") < text.index("15.0 % duty, 2 pulls")
    assert "20.0 % duty" not in text


def test_after_a_hold_at_first_the_sheet_goes_back_to_the_base_run():
    made = plan(CAR, Sheet().night(5, 5, verdict="hold").ask())
    assert [leg["duty_pct"] for leg in made["legs"]] == [0.0] and made["legs"][0]["lift_kpa"]


def test_the_sheet_names_its_archive_and_asks_for_one_log_a_duty():
    """A log without a duty column that holds pulls at two duties can't be told apart afterwards."""
    made = plan(CAR, Sheet().steps(5, 10, 15, 20).ask(), where="my garage")
    assert 'pullaudit plan --archive "my garage"' in made["after"]
    assert "One log for each duty" in made["after"]
    assert "--duty 25 --duty LOG=20" in made["after"]
    assert "--duty 5 --duty LOG=0" in plan(CAR)["after"]  # unplugged


def test_a_leg_says_where_to_lift_and_never_at_the_limit():
    made = plan(CAR, Sheet().steps(5, 10, 15, 20).ask())
    for leg in made["legs"]:
        assert leg["high_kpa"] < leg["lift_kpa"] <= CAR.boost_limit_kpa - 7.0
    car = replace(CAR, boost_limit_kpa=80.0)
    near = plan(car, Sheet().steps(5, 10, 15, 20).ask(car))
    assert near["legs"] and all(leg["lift_kpa"] for leg in near["legs"])
    assert all(leg["lift_kpa"] <= 73.0 for leg in near["legs"] if leg["lift_kpa"] is not None)


def test_the_second_duty_is_lifted_at_as_the_first_sheet_says():
    first = plan(CAR)["legs"][1]
    after = plan(CAR, Sheet().night(0, 0).ask())["legs"][-1]
    assert (after["duty_pct"], after["lift_kpa"]) == (first["duty_pct"], first["lift_kpa"])


def test_a_base_run_over_the_cautious_figure_for_any_spring_moves_the_next_lift():
    car = replace(CAR, spring_kpa=None, boost_limit_kpa=85.0)
    base, first = plan(car)["legs"]
    after = plan(car, Sheet().night(0, 0).ask(car))["legs"]
    seen = max(leg["high_kpa"] for leg in after if leg["duty_pct"] == 0.0 and leg["high_kpa"])
    assert base["lift_kpa"] == first["lift_kpa"] == 51.0 < seen + 8.5
    assert seen + 8.5 < after[-1]["lift_kpa"] <= 85.0 - 7.0


@pytest.mark.parametrize("us", [True, False])
def test_a_leg_expects_what_the_decision_expects(us):
    for duty in range(10, 40):
        response = Sheet().steps(5, 10, duty).ask()
        document = plan(CAR, response)
        if response.decision.state != "step":
            continue
        told = boosts(document["legs"][-1], us=us)["expect"].split(" (")[0]
        assert f"expect {told}" in decision_line(document["decision"], us=us)


def test_mixture_is_told_as_air_fuel_ratio_in_us_units():
    car = replace(CAR, units="us", stoichiometric_afr=14.7)
    assert "Air-fuel ratio 12.3 (lambda 0.84)" in "\n".join(sheet_of(plan(car), us=True))
    assert "Lambda 0.84" in "\n".join(sheet_of(plan(CAR)))


def test_too_few_pulls_are_what_the_evening_is_for():
    made = plan(CAR, Sheet().night(5, 5).ask())
    assert made["legs"][-1]["duty_pct"] == 10.0 and made["legs"][-1]["expected_kpa"] is None


@pytest.mark.parametrize(("tau", "seconds"), [(20.0, 120.0), (100.0, 240.0), (1000.0, 900.0)])
def test_the_cool_down_follows_the_fitted_recovery(tau, seconds):
    """2.3 time constants, in half minutes, within bounds."""
    made = plan(CAR, Sheet().steps(5, 10, 15, intake_recovery_s=tau).ask())
    assert made["cool_down_s"] == seconds and "recover" in made["cool_down_from"]


def test_without_a_recovery_the_cool_down_is_the_tables():
    assert plan(CAR)["cool_down_s"] == 240.0


def test_inspection_comes_first_and_the_limit_ends_the_evening():
    text = "\n".join(sheet_of(plan(CAR, Sheet().steps(5, 10, 15).ask())))
    assert (
        text.index("Brakes")
        < text.index("Warm up")
        < text.index("% duty, 2 pulls")
        < text.index("ends the evening")
    )
    assert "lift at once" in text
    for word in ("Tyres", "hoses", "clamps", "Oil and coolant", "Fuel"):
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
        and "2.5 % duty" in ran.stdout
        and "local law" in ran.stdout.replace("\n", " ")
    )


def test_a_duty_to_type_has_no_more_digits_than_the_pages_show():
    made = plan(CAR, Sheet().steps(5, 10, 15, 20 + 1 / 3).ask())
    told = re.findall(r"--duty (?:LOG=)?([\d.]+\d)", made["after"])
    assert "20.3" in told and all(len(duty.partition(".")[2]) <= 1 for duty in told)


@pytest.mark.parametrize(("units", "afr"), [("us", None), ("us", 14.7), ("metric", 14.7)])
def test_mixture_ends_the_evening_as_the_logger_gives_it(units, afr):
    car = replace(CAR, units=units)
    (lean,) = (
        end
        for end in plan(car, Sheet().steps(5, 10, 15).ask(car), afr=afr)["ends"]
        if "leaner" in end
    )
    assert (
        lean.startswith("Lambda" if afr is None else "Air-fuel ratio 12.") and "ambda 0.8" in lean
    )


def test_the_next_duty_of_every_gear_that_has_one_is_told_beside_the_decision():
    sheet = Sheet().steps(5, 10, 15, gear=2).steps(5, 10, gear=4).night(4, gear=1)
    answer = sheet.steps(5, 10, 15, 20).ask()
    document = plan(CAR, answer)
    others = {one["gear"]: one["duty_next_pct"] for one in document["decision"]["other_gears"]}
    assert others == {g.gear: g.step.duty for g in answer.gears if g.gear in (2, 4)}
    told = " ".join(" ".join(sheet_of(plan(CAR, answer))).split())
    assert f"gear 2: {others[2]:.1f} %" in told
    assert sheet.night(20, gear=3, verdict="hold").ask().decision.other_gears == ()
