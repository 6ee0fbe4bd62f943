"""A few cars by the advice alone; `python tests/evenings/play.py` prints the figures over many."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from audit.archive.step.decide import AS_IT_WAS

from .cars import Car, make_car, run_night
from .play import Play, play_car
from .program import Program

ROOT = Path(__file__).resolve().parents[2]


def played(kind: str, nights: int, **told: object) -> Play:
    car: Car = make_car(3, kind, 41)
    quick = replace(car.rig, rate_hz=10.0, extras=())
    return play_car(ROOT, replace(car, rig=quick, pulls=2, **told), nights)


def test_a_backwards_valve_is_named_at_its_second_duty_though_its_target_is_far() -> None:
    play = played("backwards", 6, target_told="constant")
    assert play.end == "named" and play.named_backwards
    assert len(set(play.duties)) == 2


def test_a_dead_valve_is_named_by_a_quarter_of_its_duty() -> None:
    play = played("dead", 7, target_told="constant", duty_told="logged")
    assert play.end == "named" and play.named_dead
    assert max(play.duties) <= 25.0


@pytest.mark.parametrize("kind", ["early", "late"])
def test_following_the_advice_reaches_the_target_and_never_the_limit(kind: str) -> None:
    play = played(kind, 12, target_told="file", duty_told="logged")
    assert play.end == "reached" and play.over_by_kpa <= 0.0 and not play.refusals


def test_a_logged_target_that_is_far_yet_holds_no_one_up() -> None:
    play = played("linear", 3, target_told="constant", duty_told="by_call")
    assert not play.refusals and play.verdicts == ["clear"] * len(play.verdicts)
    assert len(play.duties) == 3 and play.duties[-1] > play.duties[0]


def test_an_older_nights_decision_stands_on_nights_up_to_it_and_says_so(tmp_path: Path) -> None:
    car = make_car(3, "linear", 41)
    car = replace(car, rig=replace(car.rig, rate_hz=10.0, extras=()), pulls=2, duty_told="logged")
    program = Program(ROOT)

    def screened(number: int) -> dict[str, Any]:
        """What is said of a night, the newest one or not."""
        where, day = tmp_path / f"night_{number}", f"2025-04-{1 + 4 * number:02d}"
        if not where.exists():
            where.mkdir()
            run_night(car, 10.0 + 5.0 * number, day, number, where)
        args = ("--archive", str(tmp_path / "kept"), "--date", day, "--json", "-")
        return dict(program.document("screen", str(where), *args)["decision"])

    as_newest = [screened(number) for number in range(3)][1]
    older = screened(1)
    assert older.pop("why") == f"{as_newest.pop('why')} {AS_IT_WAS}"
    assert older == as_newest
