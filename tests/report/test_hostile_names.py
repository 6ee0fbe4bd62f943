"""Names from logs, files and cars: set apart from the text around them, and made visible."""

from __future__ import annotations

import re

import pytest

from audit.model import Car, Finding
from audit.report.html import json_for_html, render
from audit.report.names import isolated, visible, without_positions
from tests.report.nights import full_night

TURNED = "run_\u202e14.1.csv"  # a right-to-left override: what follows is read backwards
LATITUDE = Finding(
    "sensor.range", "watch", "Latitude 51.123456 is outside 0 to 50.", "latitude", 24.0, 25.0
)


# Unicode 15.1, UAX #9, section 2: the explicit directional embeddings, overrides and isolates
@pytest.mark.parametrize(
    "sign", ["\u202a", "\u202b", "\u202d", "\u202e", "\u2066", "\u2067", "\u2069", "\u200f"]
)
def test_signs_that_turn_text_never_reach_a_page(sign):
    page = render(full_night(pulls=1, name=f"run{sign}1.csv", car=Car(name=f"Ro{sign}wan")))
    assert sign not in page and f"⟨U+{ord(sign):04X}⟩" in page


def test_letters_of_any_script_stay_as_they_are():
    assert visible("מנוע_1.csv é 柳") == "מנוע_1.csv é 柳"


def test_a_name_in_a_sentence_is_isolated():
    night = full_night(pulls=1, name="מנוע.csv")
    assert (
        str(isolated("מנוע.csv, pull 1: 14.1 psi", night))
        == "<bdi>מנוע.csv</bdi>, pull 1: 14.1 psi"
    )


def test_control_signs_in_the_numbers_for_the_script_are_visible():
    assert "\\u202e" not in json_for_html({"a": TURNED}) and "U+202E" in json_for_html(
        {"a": TURNED}
    )


def test_a_long_name_is_cut_in_sentences():
    name = "a" * 90 + ".csv"
    assert len(str(isolated(f"{name}: 14.1 psi", full_night(pulls=1, name=name)))) < 80


def test_where_the_car_was_is_in_no_sentence():
    page = render(full_night(pulls=1, findings=(LATITUDE,)))
    assert not re.search(r"51\.12|outside 0 to 50", page) and "Latitude … is outside" in page
    assert without_positions("Boost 51.1 kPa.", [LATITUDE]) == "Boost 51.1 kPa."


def test_where_the_car_was_is_in_no_message_either():
    """Nor is a sign that turns or colours what stands beside it on a terminal."""
    import dataclasses

    from audit.model import Decision
    from audit.report.message import message

    night = full_night(pulls=1, findings=(LATITUDE,), car=Car(name="Ro\u202ewan\x1b[31m"))
    why = f"run.csv, pull 1: {LATITUDE.message}"
    decision = Decision("no_step", why, why, None, None, None, None)
    night = dataclasses.replace(night, verdict="hold", reasons=(why,), decision=decision)
    text = "\n".join(message(night))
    assert "Latitude … is outside" in text and not re.search(r"51\.12|0 to 50", text)
    assert "\x1b" not in text and "\u202e" not in text and "⟨U+001B⟩" in text


def test_a_terminal_is_not_coloured_by_a_name():
    from audit.report.terminal import render as lines

    text = "\n".join(lines(full_night(pulls=1, name="run\x1b[31m.csv", findings=(LATITUDE,))))
    assert "\x1b" not in text and "run⟨U+001B⟩[31m.csv" in text
