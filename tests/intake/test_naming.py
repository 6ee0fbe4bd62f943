"""Headers in many styles and languages become the right channel, and near misses become none."""

from __future__ import annotations

import numpy as np
import pytest

from audit.intake.names.naming import LEAST_SCORE, header_scores, name_columns, patterns
from audit.intake.names.words import read_header, split
from audit.intake.raw import RawColumn
from audit.model import ColumnWord
from audit.tables import channel_rows, toml_table

NAMES = toml_table("examples.toml")
NONE = [
    "Boost Error",
    "Lambda error",
    "Lambda correction",
    "Lambda trim",
    "RPM limit",
    "RPMlimit",
    "Fuel pressure target",
    "Pressure ratio",
    "Gear ratio",
    "Exhaust back pressure",
    "Throttle target",
    "Intake cam",
    "Cam timing",
    "Transmission oil temp",
    "Engine load",
    "Catalyst temp",
    "Max boost",
    "Wastegate position",
    "Fuel level",
    "Oil level",
    "Coolant level",
    "Idle target",
    "AC pressure",
    "Evap pressure",
    "Fuel tank pressure",
    "Steering angle",
    "Brake pressure",
    "Tyre pressure",
    "Injector dead time",
    "Wheel slip",
    "Knock threshold",
    "Speed limiter",
    "Ethanol content",
    "Lateral G",
    "Temp",
    "COMMANDED_THROTTLE_ACTUATOR",
    "TIME_RUN_WITH_MIL_ON",
    "Crankcase pressure",
    "Gear shift",
    "Boost table index",
]


def named(header: str, unit: str = "") -> str | None:
    scores = header_scores(header, unit)
    return scores[0][0] if scores and scores[0][1] >= LEAST_SCORE else None


@pytest.mark.parametrize(("channel", "header"), [(c, h) for c, hs in NAMES.items() for h in hs])
def test_a_header_gets_its_channel(channel: str, header: str) -> None:
    assert named(header) == channel


@pytest.mark.parametrize("header", NONE)
def test_a_near_miss_is_no_channel(header: str) -> None:
    assert named(header) is None


def test_every_channel_of_the_table_has_a_pattern_and_an_example() -> None:
    assert {p.channel for p in patterns()} == set(channel_rows()) - {"time"} == set(NAMES)


def test_every_idea_in_a_pattern_has_words() -> None:
    table = toml_table("names.toml")
    known = set(table["ideas"])
    used = {idea for p in patterns() for idea in p.needs | p.also} | {
        i for s in table["short"].values() for i in s.split()
    }
    assert used | set(table["soft"]) | set(table["gauge"]) <= known


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ("CoolantTemp_C", ("coolant", "temp", "c")),
        ("AFRTarget", ("afr", "target")),
        ("RPMlimit", ("rpm", "limit")),
        ("boostPsi", ("boost", "psi")),
        ("ENGINE RPM", ("engine", "rpm")),
        ("tHROTTLE ( % )", ("throttle", "%")),
        ("Kühlmittel", ("kuhlmittel",)),
    ],
)
def test_headers_split_into_words(header: str, words: tuple[str, ...]) -> None:
    assert split(header) == words


@pytest.mark.parametrize(
    ("header", "ideas"),
    [
        ("coolanttemp", {"coolant", "temp"}),
        ("manif prs", {"manifold", "pressure"}),
        ("temperatu", {"temp"}),
        ("prssr", {"pressure"}),
        ("collant", {"coolant"}),
    ],
)
def test_glued_cut_squeezed_and_misspelt_words_are_read(header: str, ideas: set[str]) -> None:
    assert read_header(header).ideas == ideas


def test_one_assignment_for_the_whole_header() -> None:
    columns = [RawColumn(h) for h in ("Boost (psi)", "MAP (kPa)", "Lambda 2", "Lambda 1")]
    moving = np.linspace(0.7, 1.2, 50)
    names, _ = name_columns(
        columns, [np.linspace(-9, 14, 50), np.linspace(35, 195, 50), moving, moving], {}
    )
    assert [n.channel for n in names] == ["", "manifold_pressure", "", "lambda"]
    assert "'MAP (kPa)' is the better column" in names[0].why
    assert names[2].nearest == "lambda"


def test_values_veto_a_name() -> None:
    columns = [RawColumn("Lambda"), RawColumn("Wideband Lambda 2")]
    names, _ = name_columns(columns, [np.full(50, 4000.0), np.linspace(0.7, 1.2, 50)], {})
    assert [n.channel for n in names] == ["", "lambda"]


def test_the_car_files_word_wins_whatever_the_case() -> None:
    columns = [RawColumn("Analog 3 [V]"), RawColumn("MAP")]
    data = [np.linspace(30, 200, 50)] * 2
    names, notes = name_columns(columns, data, {"manifold_pressure": ColumnWord("analog3 V")})
    assert [n.channel for n in names] == ["manifold_pressure", ""]
    assert notes == []


def test_a_column_that_the_car_file_names_in_vain_is_said() -> None:
    _, notes = name_columns(
        [RawColumn("Boost psi")],
        [np.linspace(-9, 14, 50)],
        {"manifold_pressure": ColumnWord("Bost psi")},
    )
    assert "Bost psi" in notes[0].message and "Did you mean Boost psi" in notes[0].message


@pytest.mark.parametrize(
    ("header", "unit", "channel"),
    [
        ("manifold_abs", "psi", "manifold_pressure"),
        ("Oil", "psi", "oil_pressure"),
        ("Coolant", "°C", "coolant_temp"),
        ("Oil", "°F", "oil_temp"),
        ("manifold_abs", "", "manifold_pressure"),
        ("Boost", "bar", "manifold_pressure"),
    ],
)
def test_a_units_quantity_completes_a_short_name(header, unit, channel):
    assert header_scores(header, unit)[0][0] == channel


@pytest.mark.parametrize("header", ["Oil", "Exhaust manifold", "Manifold valve"])
def test_a_short_name_without_a_unit_stays_open(header):
    assert [c for c, points in header_scores(header, "") if points >= 0.45] == []


def test_a_header_that_says_engine_and_no_more_is_its_speed() -> None:
    assert header_scores("Engine", "")[0][0] == "engine_speed"
    assert header_scores("Engine Oil Temp", "")[0][0] == "oil_temp"
