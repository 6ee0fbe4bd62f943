"""`screen` says what was left out of a file or mended in it: one line a log, and `notes` in the document."""

from __future__ import annotations

import json
from pathlib import Path

import fastjsonschema
from click.testing import CliRunner

from audit.cli.screen import command
from audit.tables import json_schema

ROWS = [f"{i / 10:.1f},{1000 + 10 * i},{98.5 + i % 3:.1f}" for i in range(60)]
HEAD = "Time (s),Engine speed (rpm),MAP (kPa)"


def _screen(path: Path, *options: str) -> str:
    return CliRunner().invoke(command, [str(path), *options]).output


def test_a_torn_file_with_a_stray_line_says_so(tmp_path: Path) -> None:
    log = tmp_path / "night.csv"
    log.write_text("\n".join([HEAD, *ROWS[:30], "lap 2", *ROWS[30:]])[:-2])
    said = " ".join(_screen(log).split())
    assert "as read: 1 line is no row of data and was skipped: line 32" in said
    assert "cut off there" in said
    tree = json.loads(_screen(log, "--json", "-"))
    fastjsonschema.validate(json_schema("night.schema.json"), tree)
    skipped, torn = tree["logs"][0]["notes"]
    assert "line 32" in skipped and "cut off" in torn


def test_a_restarted_clock_says_so(tmp_path: Path) -> None:
    log = tmp_path / "night.csv"
    log.write_text("\n".join([HEAD, *ROWS, *ROWS]) + "\n")
    assert "the clock starts anew" in " ".join(_screen(log).split())


def test_a_whole_file_says_nothing(tmp_path: Path) -> None:
    log = tmp_path / "night.csv"
    log.write_text("\n".join([HEAD, *ROWS]) + "\n")
    assert "as read" not in _screen(log)
    assert json.loads(_screen(log, "--json", "-"))["logs"][0]["notes"] == []
