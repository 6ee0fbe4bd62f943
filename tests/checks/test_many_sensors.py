"""Every sensor of a quantity is judged, the worst counts; parts of a check come together; a guessed unit never stops."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest

from audit.checks.kit.base import worst_of_each
from audit.checks.kit.registry import all_checks
from audit.checks.kit.run import (
    joined,
    obstacle,
    other_sensors,
    run_across,
    run_pull,
    run_whole_log,
    seen_by,
)
from audit.model import FAIL, GOOD, Car, CheckResult, Finding, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
BY_NAME = {check.NAME: check for check in all_checks()}

# A fault that only the further sensor shows: channel, its bad values, check, code, severity.
ONLY_THE_SECOND = [
    ("lambda_2", 0.90, "lean_under_load", "mixture.lean", "hold"),
    ("intake_air_temp_2", 66.0, "heat_soak", "heat.intake", "hold"),
    ("coolant_temp_2", 117.0, "heat_soak", "heat.coolant", "stop"),
    ("exhaust_gas_temp_2", 960.0, "heat_soak", "heat.exhaust", "hold"),
    ("battery_voltage_2", 12.0, "electrical", "electrical.voltage", "hold"),
    ("oil_pressure_2", 150.0, "lubrication", "oil.pressure", "stop"),
    ("fuel_pressure_2", 300.0, "fuel_supply", "fuel.pressure_drop", "stop"),
    ("injector_duty_2", 99.0, "fuel_supply", "fuel.injector_limit", "stop"),
    (
        "knock_retard_6",
        lambda t: np.where((t > 3) & (t < 4), 4.0, 0.0),
        "knock",
        "knock.retard",
        "hold",
    ),
]


@pytest.mark.parametrize(("channel", "value", "name", "code", "severity"), ONLY_THE_SECOND)
def test_what_only_a_further_sensor_shows_is_found_under_its_name(
    make_pull: Make, table: Limits, channel: str, value: object, name: str, code: str, severity: str
) -> None:
    if channel == "fuel_pressure_2":  # a rail that follows the manifold, and then falls away
        value = lambda t: np.where(t < 0, 260.0, np.where(t < 3, 396.0, 310.0))  # noqa: E731
    pull = make_pull(
        channels={
            channel: value,
            "exhaust_gas_temp": 800.0,
            "fuel_pressure": lambda t: np.where(t < 0, 260.0, 396.0),
        },
        noise={"lambda_2": 0.004, "lambda": 0.004},
    )
    measures, results = run_pull(pull, table)
    found = {f.code: f for f in results[name].findings}
    assert found[code].severity == severity
    assert found[code].channel == channel
    assert channel.replace("_", " ") in found[code].message
    assert results[name].status == "fail"
    assert measures


def test_the_worst_sensor_s_measures_count(make_pull: Make, table: Limits) -> None:
    first = make_pull(channels={"intake_air_temp": 32.0, "intake_air_temp_2": 55.0})
    second = make_pull(channels={"intake_air_temp": 55.0, "intake_air_temp_2": 32.0})
    for pull in (first, second):
        assert run_pull(pull, table)[0]["intake_peak_c"] == pytest.approx(55.0, abs=0.1)


def test_a_healthy_second_sensor_changes_nothing(make_pull: Make, table: Limits) -> None:
    one = run_pull(make_pull(), table)
    both = {"lambda_2": lambda t: 0.79 + 0.004 * np.sin(9 * t), "knock_retard_2": 0.0}
    two = run_pull(make_pull(channels=both), table)
    assert {n: r.status for n, r in one[1].items()} == {n: r.status for n, r in two[1].items()}


def test_a_second_sensor_not_believed_is_missing_evidence(make_pull: Make, table: Limits) -> None:
    bad = lambda t: np.where(t > 1, FAIL, GOOD)  # noqa: E731
    pull = make_pull(channels={"lambda_2": 0.79}, flags={"lambda_2": bad})
    result = run_pull(pull, table)[1]["lean_under_load"]
    assert (result.status, result.cause) == ("not_evaluated", "not_believed")
    assert "lambda 2" in result.why
    blank = make_pull(channels={"lambda_2": lambda t: np.where(t > -0.5, np.nan, 0.79)})
    assert run_pull(blank, table)[1]["lean_under_load"].status == "not_evaluated"


def test_a_log_with_one_sensor_of_each_costs_no_further_run(make_pull: Make) -> None:
    pull = make_pull()
    assert all(other_sensors(check, pull.log) == () for check in all_checks())


def test_through_a_further_sensor_every_read_is_its_own(make_pull: Make) -> None:
    pull = make_pull(channels={"lambda_2": 0.9, "lambda_3": 1.0}, noise={})
    view = seen_by(pull, "lambda_3")
    assert view.believed("lambda").value.mean() == pytest.approx(1.0)
    assert view.believed("lambda_3").value.mean() == pytest.approx(0.79)
    assert view.believed("lambda_2").value.mean() == pytest.approx(0.9)
    assert view.log.by_name["lambda"].source == "lambda_3"
    assert pull.believed("lambda").value.mean() == pytest.approx(0.79)


def test_a_hot_second_coolant_outside_pulls_is_found(make_pull: Make, table: Limits) -> None:
    pull = make_pull(duration=60.0, lead_s=60.0, channels={"coolant_temp_2": 110.0})
    found = run_whole_log(pull.log, pull.sanity, Car(), table)["heat_soak"].findings
    assert [(f.code, f.severity, f.channel) for f in found] == [
        ("heat.coolant", "hold", "coolant_temp_2")
    ]


def doubtful(pull: Pull, channel: str) -> Pull:
    channels = tuple(dataclasses.replace(c, doubtful=c.name == channel) for c in pull.log.channels)
    return dataclasses.replace(pull, log=dataclasses.replace(pull.log, channels=channels))


@pytest.mark.parametrize(
    ("channel", "fault", "name"),
    [
        ("coolant_temp", {"coolant_temp": 181.0}, "heat_soak"),
        ("lambda", {"lambda": 1.05}, "lean_under_load"),
        ("manifold_pressure", {"lambda": 1.05}, "lean_under_load"),  # what the load rests on
        ("oil_pressure", {"oil_pressure": 60.0}, "lubrication"),
    ],
)
def test_a_finding_on_a_guessed_unit_holds_and_never_stops(
    make_pull: Make, table: Limits, channel: str, fault: dict[str, float], name: str
) -> None:
    pull = make_pull(channels=fault)
    sure = run_pull(pull, table)[1][name].findings
    assert "stop" in {f.severity for f in sure}
    unsure = run_pull(doubtful(pull, channel), table)[1][name].findings
    assert {f.severity for f in unsure} <= {"watch", "hold"} and unsure
    assert any("guess" in f.message for f in unsure)


def test_a_guessed_unit_caps_what_the_night_shows_and_what_lies_outside_pulls(
    make_pull: Make, table: Limits
) -> None:
    pull = doubtful(make_pull(duration=60.0, channels={"coolant_temp": 181.0}), "coolant_temp")
    found = run_whole_log(pull.log, pull.sanity, Car(), table)["heat_soak"].findings
    assert [f.severity for f in found] == ["hold"]
    assert run_across([pull], [{}], table)  # nothing to cap is no fault


def test_parts_of_a_check_come_together_by_the_worst() -> None:
    lean = Finding("mixture.lean", "watch", "a")
    worse = Finding("mixture.lean", "hold", "b")
    other = Finding("mixture.rich", "watch", "c")
    good = CheckResult("x", "pass", 95.0)
    watch = CheckResult("x", "watch", 65.0, findings=(lean, other))
    hold = CheckResult("x", "fail", 30.0, findings=(worse,))
    missing = CheckResult("x", "not_evaluated", None, "no channel", "missing")
    lost = CheckResult("x", "not_evaluated", None, "flagged", "not_believed")
    assert joined([good, missing]).status == "pass"
    assert joined([missing, missing]).cause == "missing"
    short = missing._replace(cause="too_short", why="boost was up too short a time")
    assert joined([missing, short]).why == short.why
    assert joined([watch, lost]).status == "not_evaluated"
    assert joined([watch, lost]).findings == (lean, other)
    together = joined([watch, hold, good])
    assert (together.status, together.score) == ("fail", 30.0)
    assert together.findings == (worse, other)
    assert joined([hold, lost]).status == "fail"


def test_of_each_code_the_first_of_the_worst_is_kept() -> None:
    def made(code: str, severity: str, message: str) -> Finding:
        return Finding(code, severity, message)

    every = [
        made("knock.retard", "watch", "a"),
        made("heat.soak", "watch", "b"),
        made("knock.retard", "hold", "c"),
        made("knock.retard", "hold", "d"),
        made("heat.soak", "note", "e"),
    ]
    assert [(f.code, f.message) for f in worst_of_each(every)] == [
        ("knock.retard", "c"),
        ("heat.soak", "b"),
    ]


def test_samples_that_are_there_and_not_believed_are_told_from_none(make_pull: Make) -> None:
    """Half of the rows blank, the rest flagged: the sensor spoke, and nobody believes it."""

    def flagged(t: np.ndarray) -> np.ndarray:
        return np.full(t.size, FAIL)

    def half(t: np.ndarray) -> np.ndarray:
        return np.where(np.arange(t.size) % 2 == 0, 14.0, np.nan)

    pull = make_pull(channels={"battery_voltage": half}, flags={"battery_voltage": flagged})
    cause, why = obstacle(BY_NAME["electrical"], pull)
    assert cause == "not_believed"
    assert "can be believed" in why
