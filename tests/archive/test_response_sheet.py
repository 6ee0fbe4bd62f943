"""The duty sheet as document, on the terminal, through a real archive and from the command line."""

import json
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from audit.archive.step.response import response
from audit.archive.step.response_document import document_of, dumps
from audit.archive.store.store import Archive
from audit.cli.step import _wanted
from audit.cli.step import response as command
from audit.errors import ArchiveError, UsageError
from audit.model import PullAudit
from audit.report.sheets import response_lines
from audit.report.words import PHONE
from tests.archive.nights import a_night as night_of
from tests.archive.nights import an_audit
from tests.archive.sheets import CAR, Sheet, line

CAR_FILE = """name = "Alder"
[boost]
limit_kpa = 125
spring_kpa = 48
target_kpa = 96
sensor_top_kpa = 300
"""


def logged(seed, duty, day):
    """A night of one log with two pulls at one duty, for the archive."""
    audit = an_audit(seed, car=CAR, day=day)
    wiggle = np.random.default_rng(seed).normal(0, 0.4, 2)
    made = []
    for pull, extra in zip(audit.pulls, wiggle, strict=True):
        boost = line(duty) + float(extra)
        measures = {
            "boost_settled_kpa": boost,
            "boost_peak_kpa": boost + 2.0,
            "boost_overshoot_kpa": 2.0,
            "duty_mean_pct": duty,
        }
        made.append(PullAudit(pull.pull, measures, pull.checks, ()))
    night = night_of(seed, car=CAR, day=day)
    return replace(night, logs=(replace(audit, pulls=tuple(made)),), setting="street")


@pytest.fixture
def archive(tmp_path):
    kept = Archive(tmp_path / "arc")
    for i, duty in enumerate((5.0, 10.0, 15.0, 20.0)):
        kept.add(logged(100 + i, duty, f"2026-03-0{i + 1}"))
    return kept


def test_a_real_archive_gives_the_step(archive):
    answer = response(archive, CAR)
    assert answer.n == 8 and answer.setting == "street" and answer.nights == 4
    assert (answer.step.action, answer.step.duty, answer.step.gear) == ("up", 25.0, 3)


def test_a_note_in_the_journal_starts_it_anew(archive):
    archive.journal.add("Alder", "fitted a new wastegate spring", date="2026-03-03")
    answer = response(archive, CAR)
    assert answer.n == 2 and answer.step.binds == "too_few"


def test_a_folder_without_an_archive_is_told(tmp_path):
    with pytest.raises(ArchiveError, match="no archive there"):
        response(Archive(tmp_path / "none"), CAR)


def test_a_car_that_is_not_in_the_archive_gets_no_advice(archive):
    assert response(archive, replace(CAR, name="Birch")).step.action == "refuse"


def test_the_document_is_json_with_finite_numbers(archive):
    document = json.loads(dumps(document_of(response(archive, CAR))))
    assert document["document"] == "pullaudit.response" and document["version"] == 1
    gear = document["gears"][0]
    assert len(gear["points"]) == 8 and [lv["duty_pct"] for lv in gear["levels"]] == [
        5.0,
        10.0,
        15.0,
        20.0,
    ]
    medians = [row["median_kpa"] for row in gear["curve"]]
    assert medians == sorted(medians) and document["next"]["binds"] == "step"


@pytest.mark.parametrize("us", [True, False])
@pytest.mark.parametrize(
    "sheet",
    [
        Sheet(),
        Sheet().steps(5, 10),
        Sheet().steps(5, 10, 15, 20, 25, 30, 35, 40, 45, 50, 55),
        Sheet().steps(5, 10).night(15, verdict="hold"),
    ],
)
def test_the_sheet_reads_on_a_phone_and_fits_a_page(sheet, us):
    lines = response_lines(document_of(sheet.ask()), us=us)
    assert max(map(len, lines)) <= PHONE and len(lines) <= 60
    assert not (us and "kPa" in "\n".join(lines))


def test_duties_for_which_the_sheet_has_no_room_are_counted():
    duties = range(5, 65, 5)  # twelve, of which a sheet has room for ten
    lines = response_lines(document_of(Sheet().steps(*duties).ask()), us=False)
    assert any("2 lower duties, 4 pulls" in line for line in lines), lines
    few = response_lines(document_of(Sheet().steps(*duties[:10]).ask()), us=False)
    assert not any("lower dut" in line for line in few)


def test_the_sheet_prints_the_step_in_the_readers_units():
    lines = response_lines(document_of(Sheet().steps(5, 10, 15, 20).ask()), us=True)
    text = " ".join(" ".join(lines).split())
    assert (
        "STEP: 25.0 % duty next (now about 20.0 %), gear 3" in text
        and "psi" in text
        and "kPa" not in text
    )


def test_the_command_prints_only_json_to_standard_output(archive, tmp_path):
    car = tmp_path / "car.toml"
    car.write_text(CAR_FILE)
    ran = CliRunner().invoke(
        command, ["--archive", str(archive.root), "--car", str(car), "--json", "-"]
    )
    assert ran.exit_code == 0 and json.loads(ran.stdout)["next"]["duty_pct"] == 25.0


def test_the_command_takes_the_only_car_of_the_archive(archive):
    ran = CliRunner().invoke(
        command, ["--archive", str(archive.root), "--target", "11psi", "--units", "metric"]
    )
    assert ran.exit_code == 0 and "kPa" in ran.stdout


@pytest.mark.parametrize(
    ("texts", "kpa"),
    [((), None), (("13 psi",), 89.6318), (("1bar",), 100.0), (("90kPa",), 90.0)],
)
def test_a_target_comes_with_its_unit(texts, kpa):
    assert _wanted(texts) == (kpa if kpa is None else pytest.approx(kpa, abs=1e-3))


def test_a_target_for_one_gear_goes_before_that_for_all():
    wanted = _wanted(("90kPa", "2=60kPa"))
    assert (wanted[2], wanted[3]) == (60.0, 90.0)


@pytest.mark.parametrize("text", ["14", "psi", "-3psi", "14 furlongs"])
def test_a_target_without_a_unit_is_refused_with_the_mend(text):
    with pytest.raises(UsageError, match="13psi"):
        _wanted((text,))
