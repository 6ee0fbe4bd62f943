"""What a page tells is told once, on the right side of its limit, and in words that fit the page."""

import dataclasses
import re

import polars as pl
import pytest

from audit.archive.trend.text import season_lines
from audit.model import Car, CheckResult, Decision, Finding
from audit.report.display import overshoot_share
from audit.report.html import render
from audit.report.page.measures import Usual, sheet
from tests.report.nights import full_night

KPA_PER_PSI = 6.894757  # NIST SP 811 (2008), appendix B.8


def lean(severity="watch", where=24.0):
    return Finding(
        "mixture.lean", severity, "Lambda stayed at 0.85.", "lambda", where, where + 1, 0.85, 0.84,
        "1", ("a lean table",), ("the fuel pump",),
    )  # fmt: skip


def row(label, us=True, **measures):
    """The line of a pull's sheet with these measures."""
    pull = full_night(pulls=1).logs[0].pulls[0]
    made = dataclasses.replace(pull, measures=measures)
    return next(r for _, rows in sheet(made, Usual(), us=us) for r in rows if r["label"] == label)


@pytest.mark.parametrize(("kpa", "reached"), [(13.9, False), (14.0, True), (6.95, False)])
def test_a_figure_reads_on_the_side_of_its_limit_that_it_is_on(kpa, reached):
    """14 kPa is 2.03 psi: 13.9 kPa reads 2.0 psi too, and is below it; so is 6.95 below 7 kPa, 1.0 psi both."""
    said = row(
        "overshoot", boost_peak_kpa=100 + kpa, boost_settled_kpa=100.0, boost_overshoot_kpa=kpa
    )
    hold = float(re.search(r"([\d.]+)", said["limits"][1])[1])
    watch = float(re.search(r"([\d.]+)", said["limits"][0])[1])
    value = float(said["value"].split()[0])
    assert (value >= hold) == reached and (value >= watch) == (kpa >= 7.0)
    assert value == pytest.approx(kpa / KPA_PER_PSI, abs=0.11)


def test_a_temperature_below_its_limit_does_not_read_as_at_it():
    said = row("intake air, highest", intake_peak_c=49.9)  # limit 50 °C, 122 °F
    assert float(said["value"].split()[0]) < float(re.search(r"([\d.]+)", said["limits"][0])[1])


def test_no_share_of_no_overshoot():
    none = {"boost_peak_kpa": 100.2, "boost_settled_kpa": 100.1, "boost_overshoot_pct": 0.9}
    assert overshoot_share(none, us=True) == ""
    assert overshoot_share({**none, "boost_peak_kpa": 110.0}, us=True) == "1"


def test_advice_stands_once_for_the_night_and_its_pulls():
    night = full_night(pulls=2, findings=(lean(), lean(where=26.0)))
    page = render(dataclasses.replace(night, findings=(lean("hold"),)))
    assert page.count("<dd>the fuel pump</dd>") == 1
    assert page.count('as <a href="#finding-1">') == 2


@pytest.mark.parametrize("severity", ["hold", "stop"])
def test_a_failed_check_looks_like_the_worst_it_found(severity):
    failed = {"lean_under_load": CheckResult("lean_under_load", "fail", 30.0)}
    night = full_night(pulls=1, findings=(lean(severity),))
    page = render(dataclasses.replace(night, verdict=severity, checks=failed))
    line = re.search(r'<tr><th scope="row">lean under load</th><td>(.*?)</td>', page)
    assert line[1] == f'<span class="state {severity}">{severity}</span>'


@pytest.mark.parametrize(("state", "said"), [("stay", False), ("step", True)])
def test_boost_that_is_not_known_is_told_of_a_step_only(state, said):
    decision = Decision(state, "At the target.", "Nothing.", 30.0, None, None, 3)
    page = render(dataclasses.replace(full_night(pulls=1), decision=decision))
    assert ("boost expected" in page) == said


def test_commands_stand_in_quotes_and_not_in_backticks():
    reason = "Something was mended: `pullaudit channels` shows it."
    page = render(dataclasses.replace(full_night(pulls=1), reasons=(reason,)))
    assert "‘pullaudit channels’ shows it" in page


def test_the_pulls_table_tells_air_fuel_ratios_where_the_logger_did():
    night = full_night(pulls=1, car=Car(name="Rowan"))
    log = night.logs[0]
    channels = tuple(
        dataclasses.replace(c, source_unit="AFR", scale=1 / 14.7) if c.name == "lambda" else c
        for c in log.log.channels
    )
    afr = dataclasses.replace(log, log=dataclasses.replace(log.log, channels=channels))
    page = render(dataclasses.replace(night, logs=(afr,), us_units=True))
    assert "0.83 (12.2)</td>" in page and "lambda (air-fuel)" in page
    assert "air-fuel" not in render(night)


def test_a_line_of_the_season_has_room_for_its_duty():
    nights = pl.DataFrame([{"date": "2025-05-03", "verdict": "clear", "night_id": "a"}])
    pulls = pl.DataFrame([{"night_id": "a", "duty_mean_pct": 37.4861}])
    lines = season_lines(nights, pulls)
    assert " 37.5 " in lines[2] and len(lines[2]) == len(lines[0])
