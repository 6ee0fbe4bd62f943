"""Likely causes: every code has some, and combinations put theirs in front."""

from __future__ import annotations

from typing import Any

import pytest

from audit.checks.kit.causes import MOST, explain
from audit.checks.kit.registry import all_checks
from audit.model import Finding
from audit.tables import channel_rows, toml_table

CODES = sorted(
    {code for check in all_checks() for code in check.CODES}
    | {code for code in toml_table("causes.toml")["code"] if code.startswith("sensor.")}
)
RULES: list[dict[str, Any]] = toml_table("causes.toml")["rule"]


def told(
    code: str,
    *,
    measures: dict[str, float | None] | None = None,
    codes: tuple[str, ...] = (),
    missing: tuple[str, ...] = (),
    message: str = "",
) -> Finding:
    return explain(
        Finding(code, "hold", message), measures=measures or {}, codes=codes, missing=missing
    )


@pytest.mark.parametrize("code", CODES)
def test_every_code_has_two_causes_and_two_places_to_look(code: str) -> None:
    finding = told(code)
    assert len(finding.likely) >= 2
    assert len(finding.look_at) >= 2


def test_the_table_knows_no_other_codes() -> None:
    assert set(toml_table("causes.toml")["code"]) == set(CODES)
    assert {c for rule in RULES for c in rule["codes"]} <= set(CODES)


@pytest.mark.parametrize(
    "rule", RULES, ids=lambda r: f"{r['codes'][0]}:{next(iter(r['when'][0].values()))}"
)
def test_every_rule_is_sound_and_can_hold(rule: dict[str, Any]) -> None:
    """Its conditions name known codes and channels, and when they are met its causes come first."""
    measures: dict[str, float | None] = {}
    codes: list[str] = []
    missing: list[str] = []
    message = ""
    for condition in rule["when"]:
        match condition:
            case {"measure": name}:
                measures[name] = condition.get("at_least", condition.get("at_most"))
            case {"found": code}:
                codes += [code] * condition.get("times", 1)
            case {"missing": name}:
                missing.append(name)
            case {"message": word}:
                message = word
    assert set(codes) <= set(CODES)
    assert set(missing) <= set(channel_rows())
    assert rule["why"]
    for code in rule["codes"]:
        finding = told(
            code, measures=measures, codes=tuple(codes), missing=tuple(missing), message=message
        )
        before = told(code)
        assert set(rule["likely"]) <= set(finding.likely)
        assert set(rule["look_at"]) <= set(finding.look_at)
        assert (finding.likely, finding.look_at) != (before.likely, before.look_at)


@pytest.mark.parametrize(
    ("measures", "first"),
    [
        ({"fuel_pressure_drop_pct": 9.0, "injector_duty_max_pct": 70.0}, "fuel pump or filter"),
        ({"fuel_pressure_drop_pct": 1.0, "injector_duty_max_pct": 95.0}, "injectors too small"),
        ({"fuel_pressure_drop_pct": 1.0, "injector_duty_max_pct": 70.0}, "mixture table"),
    ],
)
def test_lean_is_told_apart_by_pressure_and_duty(
    measures: dict[str, float | None], first: str
) -> None:
    assert told("mixture.lean", measures=measures).likely[0].startswith(first)


def test_lean_that_cannot_be_told_apart_asks_for_fuel_pressure() -> None:
    assert "log fuel pressure" in told("mixture.lean", missing=("fuel_pressure",)).look_at[0]


def test_fade_with_a_hot_exhaust_is_back_pressure() -> None:
    assert (
        "back pressure"
        in told("boost.fade", measures={"exhaust_rise_c": 200.0, "exhaust_peak_c": 930.0}).likely[0]
    )
    assert (
        "back pressure"
        not in told(
            "boost.fade", measures={"exhaust_rise_c": 90.0, "exhaust_peak_c": 800.0}
        ).likely[0]
    )


def test_short_boost_with_much_metered_air_is_a_leak_after_the_meter() -> None:
    assert (
        "after the air meter"
        in told("boost.under_target", measures={"air_flow_excess_pct": 18.0}).likely[0]
    )


def test_spikes_on_several_channels_are_one_cause() -> None:
    assert "ground" in told("sensor.spike", codes=("sensor.spike",) * 3).likely[0]
    assert told("sensor.spike", codes=("sensor.spike",)).likely == told("sensor.spike").likely


def test_hot_charge_goes_before_timing_when_it_knocks() -> None:
    assert "hot intake air" in told("knock.retard", measures={"intake_peak_c": 60.0}).likely[0]
    assert "timing" in told("knock.retard", measures={"intake_peak_c": 35.0}).likely[0]


def test_an_unknown_measure_makes_no_rule_hold() -> None:
    assert (
        told("mixture.lean", measures={"fuel_pressure_drop_pct": None}).likely
        == told("mixture.lean").likely
    )


def test_causes_that_a_check_gave_stay_in_front_and_once() -> None:
    given = Finding(
        "heat.soak",
        "hold",
        "",
        likely=("standing in traffic", "too little time or air between pulls"),
    )
    likely = explain(given, measures={}, codes=(), missing=()).likely
    assert likely[0] == "standing in traffic"
    assert len(likely) == len(set(likely)) <= MOST


def test_an_unknown_condition_is_an_error() -> None:
    table = {
        "code": {},
        "rule": [{"codes": ["heat.soak"], "when": [{"moon": "full"}], "likely": [], "look_at": []}],
    }
    with pytest.raises(KeyError, match="unknown condition"):
        explain(Finding("heat.soak", "hold", ""), measures={}, codes=(), missing=(), table=table)


def test_a_code_without_a_row_stays_as_it_is() -> None:
    assert told("x.unknown").likely == ()
