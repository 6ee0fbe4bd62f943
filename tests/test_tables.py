"""The tables hold together: every code judged, sourced and explained; levels in order."""

from __future__ import annotations

import pytest

from audit.checks.kit.registry import all_checks, check_of
from audit.model import Limit
from audit.tables import channel_rows, limits, threshold_rows, toml_table

CODES = """
boost.overshoot boost.over_limit boost.creep boost.sensor_ceiling boost.under_target boost.fade boost.late
boost.oscillation control.no_response control.reversed control.saturated mixture.lean mixture.lean_spike mixture.rich
mixture.drifts_lean fuel.pressure_drop fuel.injector_limit heat.intake heat.soak heat.coolant heat.cold knock.retard
knock.count electrical.voltage oil.pressure traction.wheelspin
""".split()
SENSOR_CODES = """
sensor.missing sensor.range sensor.rail sensor.flat_line sensor.spike sensor.rate_of_change sensor.dropout sensor.gap
sensor.clock sensor.disagree sensor.unit_doubt sensor.slow
""".split()
CHECKS = {
    "boost_overshoot",
    "boost_delivery",
    "oscillation",
    "boost_control",
    "lean_under_load",
    "fuel_supply",
    "heat_soak",
    "knock",
    "electrical",
    "lubrication",
    "traction",
}


def test_every_check_is_there():
    assert {c.NAME for c in all_checks()} == CHECKS


@pytest.mark.parametrize("code", CODES)
def test_each_code_has_a_check_and_a_limit(code):
    assert check_of(code) in CHECKS
    assert limits().rows(code)


@pytest.mark.parametrize("code", CODES + SENSOR_CODES)
def test_each_code_has_causes(code):
    row = toml_table("causes.toml")["code"][code]
    assert len(row["likely"]) >= 2
    assert len(row["look_at"]) >= 2


@pytest.mark.parametrize("row", threshold_rows(), ids=lambda r: f"{r['code']}-{r['measure']}")
def test_each_limit_has_unit_reason_source_and_order(row):
    assert row["unit"]
    assert len(row["why"]) > 10
    assert row["source"]
    levels = [row[k] for k in ("best", "watch", "hold", "stop") if k in row]
    assert levels == sorted(levels, reverse=row.get("below", False))


def test_each_channel_has_a_range_around_what_is_usual():
    for row in channel_rows().values():
        assert row.range[0] < row.range[1]
        if row.usual:
            assert row.range[0] <= row.usual[0] < row.usual[1] <= row.range[1]


LIMIT = Limit("x", "m", "kPa", best=0.0, watch=10.0, hold=20.0, stop=30.0)


@pytest.mark.parametrize(
    ("value", "score", "severity"),
    [
        (0, 100, None),
        (-5, 100, None),
        (5, 85, None),
        (10, 70, "watch"),
        (9.999, 70.003, None),
        (15, 55, "watch"),
        (20, 40, "hold"),
        (25, 25, "hold"),
        (30, 10, "stop"),
        (35, 0, "stop"),
    ],
)
def test_scores_fall_through_70_and_40(value, score, severity):
    assert LIMIT.score(value) == pytest.approx(score, abs=1e-6)
    assert LIMIT.severity(value) == severity


def test_a_limit_on_small_values_is_turned_round():
    low = Limit("x", "m", "V", best=13.5, watch=13.0, hold=12.2, stop=11.0, below=True)
    assert low.score(14) == 100
    assert low.score(13.0) == 70
    assert low.score(12.2) == 40
    assert low.severity(12.2) == "hold"
    assert low.severity(13.01) is None


def test_nothing_measured_has_no_score():
    assert LIMIT.score(None) is None
    assert LIMIT.severity(float("nan")) is None
