"""The night's report on a phone: 46 columns hold it, with every pull's figures and the caution."""

from __future__ import annotations

import pytest

from audit.model import Finding
from audit.report.terminal import render
from audit.report.words import CAUTION
from tests.report.nights import full_night

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
