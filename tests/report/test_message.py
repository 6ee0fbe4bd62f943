"""The night for a message: eight short lines at most, with verdict, decision, figure and caution."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from audit.cli.screen import command
from audit.report import words
from tests.report.nights import full_night

SAMPLES = Path(__file__).parents[2] / "sample_data"


def lines(night: str, *words: str) -> list[str]:
    done = CliRunner().invoke(command, [str(SAMPLES / night), "--text", *words])
    return done.stdout.splitlines()


@pytest.mark.parametrize(
    "night",
    ["alder/2025-05-10_duty_steps", "alder/2025-05-24_overshoot", "alder/2025-06-14_heat_soak"],
)
def test_a_message_is_eight_short_lines_at_most_with_the_caution(night):
    told = lines(night)
    assert len(told) <= 8 and max(map(len, told)) <= 160
    assert told[-1].startswith("Not in a log") and "Closed course" in told[-1]


def test_it_names_car_date_verdict_decision_worst_figure_and_what_to_look_at():
    text = "\n".join(lines("alder/2025-05-24_overshoot"))
    for word in (
        "alder, 2025-05-24",
        "HOLD",
        "NO STEP",
        "3.0 psi",
        "limit of 2.0 psi",
        "Look first",
    ):
        assert word in text


def test_mixture_is_said_as_the_logger_gives_it_with_lambda_beside():
    text = "\n".join(lines("alder/2025-05-10_duty_steps"))
    assert "air-fuel ratio 12.0 (lambda 0.81)" in text
    metric = "\n".join(lines("alder/2025-05-10_duty_steps", "--units", "metric"))
    assert "leanest lambda 0.81" in metric


def test_what_lambda_moved_by_is_no_air_fuel_ratio(monkeypatch):
    """A slope times 14.7 is no mixture; the lambda at which it ended is one."""
    monkeypatch.setattr(words, "afr_factor", lambda _: 14.7)
    text = words.told(
        full_night(pulls=1), "Lambda climbed by 0.043 per 1000 rpm and ended near 0.887, over 0.04."
    )
    assert text == (
        "Lambda climbed by 0.043 per 1000 rpm and ended near 0.887 (air-fuel ratio 13.0), over 0.04."
    )
