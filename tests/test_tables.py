"""The tables hold together: every code judged, sourced and explained; levels in order."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from audit.checks.kit.registry import all_checks, check_of
from audit.declared import all_declared
from audit.errors import CarFileError
from audit.model import Limit
from audit.tables import channel_rows, limits, threshold_rows, toml_table

EXAMPLE = {  # the guide's own check must hold to what is asked of every other
    name: tomllib.loads(
        (Path(__file__).parents[1] / "docs" / "new_check" / f"{name}.toml").read_text("utf-8")
    )
    for name in ("causes", "thresholds")
}
CAUSES = toml_table("causes.toml")["code"] | EXAMPLE["causes"]["code"]
CODES = [code for row in all_declared() for code in row.codes]
SENSOR_CODES = """
sensor.missing sensor.range sensor.rail sensor.flat_line sensor.spike sensor.rate_of_change sensor.dropout sensor.gap
sensor.clock sensor.disagree sensor.unit_doubt sensor.slow
""".split()


@pytest.mark.parametrize("code", CODES)
def test_each_code_has_a_check_and_a_limit(code):
    assert check_of(code) in {c.NAME for c in all_checks()}
    assert limits().rows(code)


@pytest.mark.parametrize("code", [*CODES, *SENSOR_CODES, *EXAMPLE["causes"]["code"]])
def test_each_code_has_causes(code):
    row = CAUSES[code]
    assert len(row["likely"]) >= 2
    assert len(row["look_at"]) >= 2


@pytest.mark.parametrize(
    "row",
    [*threshold_rows(), *EXAMPLE["thresholds"]["limit"]],
    ids=lambda r: f"{r['code']}-{r['measure']}",
)
def test_each_limit_has_unit_reason_source_and_order(row):
    assert row["unit"]
    assert len(row["why"]) > 10
    assert row["source"]
    given = [row[k] for k in ("best", "watch", "hold", "stop") if k in row]
    n = len(row.get("at", [0.0]))
    points = [[level[i] if isinstance(level, list) else level for level in given] for i in range(n)]
    for levels in points:
        assert levels == sorted(levels, reverse=row.get("below", False))
    assert all(len(level) == n for level in given if isinstance(level, list))


def test_each_channel_has_a_range_around_what_is_usual():
    for row in channel_rows().values():
        assert row.range[0] < row.range[1]
        if row.usual:
            assert row.range[0] <= row.usual[0] < row.usual[1] <= row.range[1]


def test_each_channel_is_drawn_or_left_out_on_purpose():
    drawn = {c for panel in toml_table("panels.toml")["panel"].values() for c in panel["channels"]}
    left_out = {"time", "latitude", "longitude", "manifold_pressure"}  # the last is drawn as boost
    assert set(channel_rows()) - drawn == left_out


def test_each_temperature_but_that_of_the_intake_tells_its_own_unit():
    """What the quantity falls back on is intake air: hot oil in °C would be taken for cool in °F."""
    known = toml_table("evidence.toml")
    hot = [c for c, row in channel_rows().items() if row.quantity == "temperature"]
    assert {c for c in hot if c not in known} == {"intake_air_temp"}


def test_what_a_limit_of_one_channel_must_see_is_believed_and_read_in_its_own_unit():
    """A level past what is usual of its channel would be no evidence; one past what tells its unit
    would speak for another unit."""
    seen = []
    for row in all_declared():
        channel = channel_rows().get(row.needs[0]) if len(row.needs) == 1 else None
        if channel is None or row.helped_by:
            continue
        for limit in (limit for code in row.codes for limit in limits().rows(code)):
            levels = [v for v in (limit.watch, limit.hold, limit.stop) if v is not None]
            if limit.unit != channel.unit or not channel.usual:
                continue
            assert channel.usual[0] < min(levels) <= max(levels) < channel.usual[1], limit.measure
            if channel.quantity == "temperature":
                high = [
                    r["high"]
                    for r in toml_table("evidence.toml")[row.needs[0]]["rows"]
                    if r["seen"] == "high"
                ]
                assert max(levels) <= max(high), limit.measure
            seen.append(limit.measure)
    assert {"exhaust_peak_c", "battery_min_v"} <= set(seen)


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


@pytest.mark.parametrize(
    ("fuel", "watch", "hold"),
    [
        ("petrol", 0.72, 0.68),
        ("gasoline", 0.72, 0.68),
        ("e85", 0.66, 0.62),
        ("ethanol", 0.66, 0.62),
        ("methanol", 0.58, 0.54),
        ("e50", 0.72 - 0.06 * 50 / 85, 0.68 - 0.06 * 50 / 85),
        ("e10", 0.72 - 0.06 * 10 / 85, 0.68 - 0.06 * 10 / 85),
        ("e30", 0.6988, 0.6588),
    ],
)
def test_rich_limits_go_by_fuel_and_by_line_between(fuel, watch, hold):
    row = limits(fuel=fuel).row("mixture.rich", "rich_lambda")
    assert (row.watch, row.hold) == pytest.approx((watch, hold), abs=1e-4)


@pytest.mark.parametrize(
    ("fuel", "levels"),
    [("petrol", (50, 60, 80)), ("e85", (60, 75, 95)), ("methanol", (60, 75, 95))],
)
def test_charge_temperature_goes_by_fuel(fuel, levels):
    row = limits(fuel=fuel).row("heat.intake", "intake_peak_c")
    assert (row.watch, row.hold, row.stop) == levels


def test_a_car_file_overrides_a_limit_by_boost_fuel_and_injection_too():
    own = {"mixture.lean": {"watch": 0.85, "hold": 0.86, "stop": 0.9}, "heat.intake": {"hold": 70}}
    table = limits(own, fuel="e85", injection="direct")
    row = table.row("mixture.lean", "lean_lambda")
    for boost in (20.0, 35.0, 100.0, 200.0):
        at = row.when(boost)
        assert (at.watch, at.hold, at.stop) == (0.85, 0.86, 0.9)
    heat = table.row("heat.intake", "intake_peak_c")
    assert (heat.watch, heat.hold, heat.stop) == (60, 70, 95)


def test_levels_out_of_order_at_one_boost_are_refused():
    with pytest.raises(CarFileError, match="comes before"):
        limits({"mixture.lean": {"hold": 0.80}})


def test_places_and_values_at_a_boost_are_each_others_inverse():
    row = limits().row("mixture.lean", "lean_lambda")
    value, boost = np.linspace(0.7, 1.1, 30), np.linspace(10, 200, 30)
    back = [row.value_at(p, b) for p, b in zip(row.places(value, boost), boost, strict=True)]
    assert back == pytest.approx(value)
    for v, b, p in zip(value, boost, row.places(value, boost), strict=True):
        said = row.when(b).severity(v)
        assert said == (None if p < 1 else "watch" if p < 2 else "hold" if p < 3 else "stop")
