"""What the checks declare holds together: modules, codes, limits, causes, measures."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from audit.carfile import load_car
from audit.checks.kit.registry import all_checks
from audit.declared import (
    all_declared,
    declared,
    holding_channels,
    needed_channels,
    pull_channels,
    required,
)
from audit.model import REQUIRED_CHECKS, Car
from audit.night.screen import screen_log
from audit.tables import channel_rows, threshold_rows, toml_table

NIGHTS = sorted(p for p in (Path(__file__).parents[2] / "sample_data").glob("*/20*") if p.is_dir())
MEASURES = {m.name: m for row in all_declared() for m in row.measures}


def test_every_row_has_its_module_and_every_module_its_row():
    assert sorted(c.DECLARED.module for c in all_checks()) == sorted(
        row.module for row in all_declared()
    )


def test_a_module_without_a_row_says_what_to_add():
    with pytest.raises(KeyError, match='module = "heat.unheard_of"'):
        declared("audit.checks.heat.unheard_of")


def test_every_limit_belongs_to_a_declared_code_and_measure_in_its_unit():
    codes = {code for row in all_declared() for code in row.codes}
    for row in threshold_rows():
        assert row["code"] in codes
        measure = MEASURES[row["measure"]]
        assert measure.unit == row["unit"], measure.name
        assert measure.good == ("large" if row.get("below") else "small"), measure.name


def test_every_code_has_causes():
    known = set(toml_table("causes.toml")["code"])
    assert [c for row in all_declared() for c in row.codes if c not in known] == []


def test_a_measure_has_one_owner_and_what_its_limit_lies_on_is_known():
    """A measure, a channel, or what the car file says."""
    names = [m.name for row in all_declared() for m in row.measures]
    assert len(names) == len(set(names))
    others = [m.line.split()[-1] for m in MEASURES.values() if m.line not in ("", "itself")]
    said = {f.name for f in dataclasses.fields(Car)}
    assert others and set(others) <= {*names, *channel_rows(), *said}


def test_every_channel_named_is_one():
    for row in all_declared():
        for need in (*row.needs, *row.helped_by, *row.holds):
            for name in need.split("|"):
                assert name in ("boost", "lambda_2") or name in channel_rows(), row.module


@pytest.mark.parametrize("night", NIGHTS, ids=lambda p: p.name)
def test_what_the_sample_nights_measure_is_declared(night):
    car = load_car(night.parent / "car.toml")
    log = next(p for p in sorted(night.iterdir()) if p.suffix != ".toml")
    measured = {n for a in screen_log(log, car=car) for p in a.pulls for n in p.measures}
    assert measured
    assert measured <= set(MEASURES)


def test_what_a_night_cannot_be_cleared_without_follows_from_the_required_checks():
    # the four checks of the contract and what each reads; finding a pull comes first
    assert {row.name for row in required()} == set(REQUIRED_CHECKS)
    assert pull_channels() == (("engine_speed",), 1.0)
    wanted = ("engine_speed", "manifold_pressure", "lambda", "intake_air_temp")
    assert needed_channels() == wanted
    assert holding_channels() == {*wanted, "coolant_temp"}
