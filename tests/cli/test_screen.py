"""`screen` over the sample nights: verdict, codes, exit code, JSON by its schema, 80 columns."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from audit.cli.main import cli
from audit.tables import json_schema

SAMPLES = Path(__file__).parents[2] / "sample_data"
TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
NIGHTS = TRUTH.get("nights", TRUTH)
EXIT = {"clear": 0, "hold": 10, "stop": 20}


def screened(*arguments: str):
    return CliRunner().invoke(cli, ["screen", *arguments])


def document(*arguments: str) -> dict:
    result = screened(*arguments, "--json", "-")
    tree: dict = json.loads(result.stdout)
    assert result.exit_code == EXIT[tree["verdict"]]
    return tree


def all_findings(tree: dict) -> list[dict]:
    logs = tree["logs"]
    return (
        tree["findings"]
        + [f for a in logs for f in a["findings"]]
        + [f for a in logs for p in a["pulls"] for f in p["findings"]]
    )


@pytest.mark.parametrize("name", sorted(NIGHTS))
def test_each_sample_night_comes_out_as_its_truth_says(name):
    truth, tree = NIGHTS[name], document(str(SAMPLES / name))
    jsonschema.validate(tree, json_schema("night.schema.json"))
    assert tree["verdict"] == truth["verdict"]
    raised = {f["code"] for f in all_findings(tree) if f["severity"] != "note"}
    assert set(truth["codes"]) <= raised
    assert raised <= set(truth["codes"]) | set(truth["allowed"])
    assert sum(len(a["pulls"]) for a in tree["logs"]) == len(truth["pulls"])


@pytest.mark.parametrize("name", sorted(NIGHTS))
def test_each_sample_night_fits_80_columns(name):
    result = screened(str(SAMPLES / name))
    assert result.exit_code == EXIT[NIGHTS[name]["verdict"]]
    paths = re.compile(r"^\S*sample_data\S*$")
    assert [
        line for line in result.stdout.splitlines() if len(line) > 80 and not paths.match(line)
    ] == []
    assert result.stdout.startswith(NIGHTS[name]["verdict"].upper())
    assert "\x1b[" not in result.stdout
    assert "What a log cannot show" in result.stdout


def test_json_to_a_file_leaves_the_report_on_the_screen(tmp_path):
    target = tmp_path / "night.json"
    result = screened(str(SAMPLES / "alder" / "2025-05-03_healthy"), "--json", str(target))
    assert json.loads(target.read_text(encoding="utf-8"))["verdict"] == "clear"
    assert result.stdout.startswith("CLEAR")


def test_units_can_be_chosen():
    night = str(SAMPLES / "alder" / "2025-05-03_healthy")
    assert "psi" in screened(night, "--units", "us").stdout
    assert "psi" not in screened(night, "--units", "metric").stdout


def test_two_workers_say_the_same():
    night = str(SAMPLES / "alder" / "2025-05-10_duty_steps")
    assert document(night, "--workers", "2") == document(night, "--workers", "1")


def test_logs_of_two_cars_are_refused_with_the_way_out():
    result = screened(str(SAMPLES / "alder"), str(SAMPLES / "quince"))
    assert result.exit_code != 0
    assert "one car at a time" in str(result.exception)


def test_a_car_file_further_up_is_used_and_named():
    assert "car.toml" in screened(str(SAMPLES / "alder" / "2025-05-03_healthy")).stdout


def test_without_a_car_file_it_says_what_it_assumed(tmp_path):
    for log in (SAMPLES / "quince" / "2025-05-04_healthy").iterdir():
        shutil.copy(log, tmp_path / log.name)
    result = screened(str(tmp_path))
    assert "Assumed:" in result.stdout
    assert result.exit_code == 0
