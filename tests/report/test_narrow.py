"""The night's report on a phone: 46 columns hold it, with every pull's figures and the caution."""

from __future__ import annotations

import dataclasses

import pytest

from audit.channels import explain_file
from audit.model import CheckResult, Finding
from audit.report.channel_table import render as channel_lines
from audit.report.terminal import render
from audit.report.words import CAUTION
from tests.report.nights import SAMPLES, full_night

LONG = Finding(
    code="boost.overshoot",
    severity="watch",
    message="Boost came to 112.0 kPa, 9.0 kPa over the level at which it then settled.",
    start_s=12.0,
    end_s=14.0,
    value=9.0,
    limit=7.0,
    unit="kPa",
    likely=("wastegate line too long",),
    look_at=("wastegate line and its clamps",),
)


@pytest.mark.parametrize("width", [46, 60, 80])
def test_no_line_is_wider_than_the_screen(width: int) -> None:
    lines = render(full_night(pulls=3, findings=(LONG,)), width=width)
    assert max(map(len, lines)) <= width


def test_a_narrow_screen_loses_no_figure_of_a_pull() -> None:
    night = full_night(pulls=2, findings=(LONG,))
    wide, narrow = (" ".join(render(night, width=w)).split() for w in (80, 46))
    figures = {word.strip(",;()") for word in wide if any(c.isdigit() for c in word)}
    assert figures <= {word.strip(",;()") for word in narrow}


def test_the_caution_takes_two_lines_of_a_phone() -> None:
    lines = render(full_night(pulls=1), width=46)
    assert " ".join(lines[-2:]) == CAUTION


def test_marks_of_the_table_are_told_where_they_stand() -> None:
    night = full_night(pulls=1)
    audit = night.logs[0]
    pull = audit.pulls[0]
    failed = {"oscillation": CheckResult("oscillation", "fail", 20.0)}
    unknown = dataclasses.replace(
        pull,
        checks=failed,
        pull=dataclasses.replace(pull.pull, span=dataclasses.replace(pull.pull.span, gear=None)),
    )
    marked = dataclasses.replace(night, logs=(dataclasses.replace(audit, pulls=(unknown,)),))
    for width in (46, 80):
        text = " ".join(render(marked, width=width)).split("Findings")[0]
        assert "!: a check came to hold or stop" in text and "[gearing]" in text
        assert "!:" not in " ".join(render(night, width=width))
    geared = dataclasses.replace(marked, car=dataclasses.replace(night.car, gear_ratios=(3.4, 2.0)))
    assert "road speed tells it" in " ".join(render(geared, width=80))


def test_what_could_not_be_judged_for_one_reason_is_told_once() -> None:
    checks = {
        name: CheckResult(name, "not_evaluated", None, "no pull to judge")
        for name in ("knock", "traction", "oscillation")
    }
    night = dataclasses.replace(full_night(pulls=0), checks=checks)
    lines = render(night, width=80)
    assert "  - knock, traction, oscillation: no pull to judge" in lines


def test_others_of_a_finding_without_a_figure_have_no_dash() -> None:
    told = dataclasses.replace(LONG, value=None, unit=None)
    night = full_night(pulls=1, findings=(told, told))
    assert "–" not in "".join(line for line in render(night) if "also:" in line)


@pytest.mark.parametrize("width", [46, 60, 80])
def test_the_table_of_channels_fits_the_screen_and_names_no_bare_unit(width: int) -> None:
    explained = explain_file(SAMPLES / "alder" / "2025-05-03_healthy" / "run_1.csv")
    lines = channel_lines(explained, width=width)
    assert max(map(len, lines[1:])) <= width  # the first is the path
    text = " ".join(" ".join(lines).split())
    assert "with lambda 2" not in text and "wants lambda 2" not in text
    for column in explained.logs[0].columns:
        assert column.channel.source[:20] in text
    assert not any(line.split()[-2:-1] == ["1"] for line in lines if "pass" in line)
