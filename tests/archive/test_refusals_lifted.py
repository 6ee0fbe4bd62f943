"""What a refusal says lifts it: its own words are read and followed, and the next answer is another."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import polars as pl
import pytest

from audit.archive.step.response import Response
from audit.archive.store.journal import JournalNote
from audit.archive.trend.trends import trends_of
from audit.archive.watched import touched_by
from tests.archive.sheets import CAR, WIGGLE, Sheet

RISES = lambda d: 48.0 + 1.6 * d  # noqa: E731
UP = (5, 10, 15, 20, 25, 30)


def said(answer: Response) -> str:
    return f"{answer.step.sentence} {answer.step.log_next}"


def noted(sheet: Sheet, answer: Response) -> JournalNote:
    """The first note that it asks for, on the day after the last night."""
    text = re.search(r'note(?: CAR|,)? "([^"]+)"', said(answer))
    assert text
    touches = touched_by(text[1])
    assert touches is not None  # words that the journal knows
    day = f"2026-03-{len(sheet.nights) + 1:02d}"
    return JournalNote("n", CAR.name, day, text[1], touches)


def logged(sheet: Sheet, answer: Response, **measures: object) -> None:
    """Two pulls at the duty that it asks for."""
    text = re.search(r"(?:at|to|fixed) (\d+(?:\.\d+)?) % duty", answer.step.log_next)
    duty = float(text[1]) if text else 0.0
    assert text or "unplugged" in said(answer)
    sheet.night(duty, duty, **measures)


SCENES: dict[str, tuple[Callable[[], Sheet], str]] = {
    "hold": (lambda: Sheet(RISES).steps(*UP).night(35, 35, verdict="hold"), "last_night"),
    "hold at first": (lambda: Sheet(RISES).night(5, 5, verdict="hold"), "last_night"),
    "nothing": (lambda: Sheet(RISES), "no_pulls"),
    "moving": (lambda: Sheet(RISES).steps(5, 10, duty_at_peak_pct=60.0), "no_pulls"),
    "one pull": (lambda: Sheet(RISES).night(5), "too_few"),
    "one duty": (lambda: Sheet(RISES).night(5, 5), "too_few"),
    "spring": (lambda: Sheet(lambda d: 50.0 + 40.0 * (d > 1)).night(5, 5), "base_run"),
    "fell": (lambda: Sheet(lambda d: 50.0 - 0.6 * d).steps(5, 10), "fell"),
}


@pytest.mark.parametrize("name", SCENES)
def test_logging_what_it_asks_for_lifts_a_refusal(name: str) -> None:
    made, binds = SCENES[name]
    sheet = made()
    answer = sheet.ask()
    assert answer.step.binds == binds
    for _ in range(5):
        logged(sheet, answer)
        answer = sheet.ask()
        if answer.step.binds != binds:
            break
    assert answer.step.binds != binds and answer.decision is not None
    assert answer.decision.state != "no_step" or answer.step.binds == "reversed"


@pytest.mark.parametrize(
    ("boost", "duties", "binds"),
    [
        (lambda d: 50.0, (5, 15, 25), "no_response"),
        (lambda d: 90.0, (0, 0), "over_spring"),
        (lambda d: 50.0 + 0.21 * d, (5, 15, 25), "unproven"),
        (lambda d: 90.0 - d, (5, 10, 10, 5), "reversed"),
    ],
)
def test_the_note_it_asks_for_lifts_a_refusal(
    boost: Callable[[float], float], duties: tuple[float, ...], binds: str
) -> None:
    sheet = Sheet(boost).steps(*duties)
    car = replace(CAR, spring_kpa=None) if binds == "reversed" else CAR
    answer = sheet.ask(car)
    assert answer.step.binds == binds
    note = noted(sheet, answer)
    if note.touches:  # the valve was turned round, so what follows is another car
        sheet.boost = RISES
        sheet.steps(5, 10)
    answer = sheet.ask(car, notes=(note,))
    assert answer.step.binds != binds and answer.step.duty is not None
    assert answer.decision is not None and answer.decision.state != "no_step"


@pytest.mark.parametrize(
    ("car", "mended"),
    [
        (replace(CAR, target_kpa=None), CAR),
        (replace(CAR, spring_kpa=20.0), replace(CAR, spring_kpa=50.0)),
    ],
)
def test_the_key_of_the_car_file_that_it_names_lifts_a_refusal(car: object, mended: object) -> None:
    sheet = Sheet(lambda d: 50.0).night(0, 0).night(0, 0)
    key = "boost.target_kpa" if car.target_kpa is None else "boost.spring_kpa"  # type: ignore[attr-defined]
    answer = sheet.ask(car)  # type: ignore[arg-type]
    assert answer.step.action == "refuse" and key in said(answer)
    assert sheet.ask(mended).step.binds != answer.step.binds  # type: ignore[arg-type]


def test_the_duty_said_and_the_setting_said_lift_their_refusals() -> None:
    sheet = Sheet(RISES).steps(5, 10, duty_mean_pct=None)
    assert "--duty" in sheet.ask().step.log_next
    assert Sheet(RISES).steps(5, 10).ask().step.action == "up"  # the same with the duty said
    sheet = Sheet(RISES).steps(5, 10, setting="dyno")
    assert "--setting" in sheet.ask(setting="street").step.log_next
    assert sheet.ask(setting="dyno").step.action == "up"


def test_another_gear_that_was_held_is_lifted_by_the_pulls_it_asks_for() -> None:
    sheet = Sheet(RISES).steps(5, 10, gear=4).night(5, 5, 10, 10, verdict="hold")
    sheet.night(10, 10, gear=4)
    third = next(g.step for g in sheet.ask().gears if g.gear == 3)
    assert third.binds == "no_clear_night" and "lowest duty" in third.log_next
    sheet.night(5, 5)
    assert sheet.ask().step.action == "up"


def test_heat_that_binds_is_lifted_by_the_cooler_evening_it_asks_for() -> None:
    sheet = Sheet(RISES).steps(5, 10, 15, ambient_c=38.0, intake_peak_c=58.0)
    answer = sheet.ask()
    assert (answer.step.binds, answer.step.action) == ("intake_peak_c", "stay")
    assert "cooler evening" in answer.step.log_next
    logged(sheet, answer, ambient_c=12.0, intake_peak_c=32.0)
    assert sheet.ask().step.action == "up"


def test_a_near_limit_is_lifted_by_the_evenings_it_asks_for_or_said_to_be_the_end() -> None:
    sheet = Sheet(RISES).steps(5, 10, 15, pulls=2)
    car = replace(CAR, boost_limit_kpa=81.0)
    answer = sheet.ask(car)
    for _ in range(4):
        if not (answer.step.binds == "limit" and answer.step.log_next):
            break
        logged(sheet, answer)
        answer = sheet.ask(car)
    assert answer.step.action == "up" or answer.step.log_next == ""


def climbed(boost: Callable[[float], float], duties: tuple[float, ...], fallen: int = 0) -> Any:
    """What the trends say of boost at its duty after a night of two pulls at each; the last
    `fallen` nights 20 kPa under.
    """
    rows = [
        {
            "date": f"2026-03-{night + 1:02d}",
            "log_id": f"{night}",
            "index": pull + 1,
            "gear": 3,
            "start_s": 0.0,
            "end_s": 5.0,
            "ambient_c": 20.0,
            "barometric_kpa": 100.0,
            "duty_mean_pct": duty,
            "duty_at_peak_pct": duty,
            "boost_settled_kpa": boost(duty)
            + WIGGLE[(night + pull) % 4]
            - (20.0 if night >= len(duties) - fallen else 0.0),
        }
        for night, duty in enumerate(duties)
        for pull in range(2)
    ]
    pulls = pl.DataFrame(rows)

    def found(notes: tuple[JournalNote, ...] = ()) -> str:
        made = trends_of(pulls, pulls.select("date", "log_id"), car=CAR, notes=notes)
        return " ".join(f.message for f in made.findings if f.code == "boost.under_target")

    return found


def test_a_climb_along_a_curve_that_bends_twice_is_no_fall_over_the_nights() -> None:
    """Flat, steep, flat again: at a duty never driven before there is no boost to fall from."""
    s_shape = lambda d: 70.0 + 65.0 / (1.0 + np.exp((38.0 - d) / 6.0))  # noqa: E731
    up = (0.0, 5.0, 15.0, 25.0, 25.0, 32.5, 37.5, 42.5, 47.5, 52.0, 55.5, 58.5, 62.5, 65.5)
    for nights in range(9, len(up) + 1):
        assert climbed(s_shape, up[:nights])() == ""
    assert "lower" in climbed(s_shape, (*up, *(65.5,) * 8), fallen=4)()


def test_the_note_that_a_fall_over_the_nights_asks_for_lifts_it() -> None:
    found = climbed(RISES, (20.0,) * 16, fallen=4)
    text = re.search(r'note "([^"]+)"', found())
    assert text and touched_by(text[1]) == ("boost_at_duty",)
    note = JournalNote("n", CAR.name, "2026-03-13", text[1], touched_by(text[1]) or ())
    assert found((note,)) == ""
    assert touched_by("solenoid tested") == ()
