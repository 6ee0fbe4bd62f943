"""compare, car, response --gears, trends --season: what an owner asks between two evenings."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from audit.carfile import load_car
from audit.cli.main import cli
from audit.errors import UsageError
from audit.report.comparison import Side, compare

ALDER = Path(__file__).parents[2] / "sample_data" / "alder"


def said(*words: str) -> str:
    return CliRunner().invoke(cli, words, catch_exceptions=False).stdout


def side(*boosts: float, gear: int = 3) -> Side:
    return Side("x", tuple((gear, {"boost_settled_kpa": b}) for b in boosts))


@pytest.mark.parametrize(("change", "certain"), [(5.0, True), (2.0, False)])
def test_one_pull_against_one_is_judged_by_the_tables_noise(change, certain):
    """1.5 kPa a pull: two of them differ by 2 x 1.5 x sqrt 2 = 4.2 kPa at most, nineteen times in twenty."""
    (row,) = compare(side(90.0), side(90.0 + change)).rows
    assert row.difference == change and row.certain is certain


def test_the_spread_that_is_seen_widens_what_is_certain():
    steady = compare(side(90, 90.5, 89.5), side(93.5, 94, 93)).rows[0]
    wild = compare(side(84, 96, 90), side(88, 99, 93.5)).rows[0]
    assert steady.certain and not wild.certain


def test_pulls_of_the_gear_that_both_have_are_compared():
    a = Side("a", ((2, {"boost_settled_kpa": 60.0}), (3, {"boost_settled_kpa": 90.0})))
    found = compare(a, side(91.0))
    assert (found.gear, found.counts) == (3, (1, 1))
    assert found.rows[0].a == 90.0
    assert compare(side(60.0, gear=2), side(90.0)).gear is None


def test_two_nights_by_path_and_by_day_differ_in_what_was_done_to_them(tmp_path):
    hot = json.loads(
        said(
            "compare",
            str(ALDER / "2025-05-03_healthy"),
            str(ALDER / "2025-06-14_heat_soak"),
            "--json",
            "-",
        )
    )
    assert hot["measures"]["intake_start_c"]["certain"]
    assert not hot["measures"]["boost_settled_kpa"]["certain"]
    said("screen", str(ALDER / "2025-05-10_duty_steps"), "--archive", str(tmp_path / "a"))
    kept = json.loads(
        said(
            "compare",
            "2025-05-10#1",
            "2025-05-10#8",
            "--archive",
            str(tmp_path / "a"),
            "--json",
            "-",
        )
    )
    assert kept["measures"]["boost_settled_kpa"]["certain"]
    assert kept["measures"]["duty_mean_pct"]["difference"] == pytest.approx(17.0)
    with pytest.raises(UsageError, match="The last: 2025-05-10"):
        from audit.cli.compare import command

        CliRunner().invoke(
            command,
            ["2025-01-01", "2025-05-10", "--archive", str(tmp_path / "a")],
            catch_exceptions=False,
        )


def test_the_comparison_reads_on_a_phone():
    text = said("compare", f"{ALDER / '2025-05-03_healthy'}#1", f"{ALDER / '2025-05-03_healthy'}#2")
    assert max(map(len, text.partition("\n\n")[2].splitlines())) <= 48


def test_car_writes_a_file_that_is_taken_and_never_writes_over_one(tmp_path):
    file = tmp_path / "car.toml"
    words = ("car", str(file), "--name", "Blue", "--limit", "18 psi", "--fuel", "e10")
    assert "is written" in said(*words)
    car = load_car(file)
    assert (car.name, car.fuel, round(car.boost_limit_kpa or 0)) == ("Blue", "e10", 124)
    from audit.cli.car import command

    with pytest.raises(UsageError, match="there already"):
        CliRunner().invoke(command, [str(file), "--name", "x"], catch_exceptions=False)
    with pytest.raises(UsageError, match="18 psi"):
        CliRunner().invoke(
            command, [str(tmp_path / "b.toml"), "--limit", "18"], catch_exceptions=False
        )
    assert not (tmp_path / "b.toml").exists()


@pytest.mark.parametrize(
    ("name", "typed", "taken"),
    [
        ("limit", "18\n18 psi\n", "18 psi"),
        ("target", "0.9 bar\n", "0.9 bar"),
        ("units", "imperial\nmetric\n", "metric"),
        ("fuel", "\n", "petrol"),
        ("altitude", "\n", ""),
    ],
)
def test_car_asks_again_until_an_answer_is_taken(name, typed, taken):
    from audit.cli.car import _asked

    with CliRunner().isolation(input=typed):
        assert _asked(name, "metric") == taken


@pytest.mark.parametrize(("units", "example"), [("us", "18 psi"), ("metric", "1.2 bar")])
def test_car_asks_for_units_first_and_gives_examples_in_them(units, example):
    from audit.cli.car import KEYS, _asked

    assert [*KEYS][:2] == ["name", "units"]
    with CliRunner().isolation(input="\n") as (out, *_):
        _asked("limit", units)
        assert f"(as {example})? " in out.getvalue().decode()


def test_the_remarks_of_a_first_car_file_are_keys_that_exist(tmp_path):
    """Every key that the file explains is taken once its # is away."""
    from audit.cli.car import MORE

    file = tmp_path / "car.toml"
    text = "\n".join(
        line.removeprefix("# ") for line in MORE.splitlines() if " = " in line or "[" in line[:4]
    )
    file.write_text(text)
    assert load_car(file).duty_max_pct == 95


def test_gears_and_season_print_a_line_each(tmp_path):
    archive = str(tmp_path / "a")
    for night in ("2025-05-10_duty_steps", "2025-05-24_overshoot"):
        said("screen", str(ALDER / night), "--archive", archive)
    gears = said("response", "--archive", archive, "--gears")
    assert "   3 " in gears and max(map(len, gears.splitlines())) <= 46
    season = said("trends", "--archive", archive, "--season").splitlines()
    assert [line[:18].split() for line in season[2:4]] == [
        ["2025-05-10", "clear"],
        ["2025-05-24", "hold"],
    ]
    assert max(map(len, season)) <= 46 and "7 more" in season[-1]


def test_a_logger_of_air_fuel_ratio_is_told_so_in_us_units(tmp_path):
    """The ratio beside each lambda: 14.7 times it for petrol, as the log's own column has it."""
    archive, night = str(tmp_path / "a"), str(ALDER / "2025-05-03_healthy")
    said("screen", night, "--archive", archive)
    day = said("trends", "--archive", archive, "--sql", "select date from nights").split()[-1]
    for words in ((night, night), (day, day, "--archive", archive)):
        rows = said("compare", *words).splitlines()
        told = {
            row[:25].strip(): float(row[25:31]) for row in rows if row.startswith(("air", "la"))
        }
        ratio, lam = told["air-fuel ratio, leanest"], told["lambda, leanest"]
        assert ratio == pytest.approx(14.7 * lam, abs=0.06)
        assert "air-fuel ratio" not in said("compare", *words, "--units", "metric")
    head, _, row = said("trends", "--archive", archive, "--season").splitlines()[:3]
    assert "AFR" in head and "lambda" not in head
    assert float(row.split()[5]) == ratio
