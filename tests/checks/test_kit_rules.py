"""The kit of the checks on made checks and figures: what is judged, what is missing, what several sensors make together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from audit.checks.kit.base import (
    Across,
    Judged,
    Measured,
    cannot,
    gathered,
    judge_figure,
    judge_row,
    judge_rows,
    worst_of_each,
)
from audit.checks.kit.causes import MOST, explain
from audit.checks.kit.registry import all_checks, check_of
from audit.checks.kit.run import (
    LEAST_SPAN,
    guarded,
    joined,
    obstacle,
    other_sensors,
    run_between,
    run_check,
    run_pull,
    run_whole_log,
    status_of,
    swapped,
)
from audit.model import FAIL, GOOD, CheckResult, Finding, Limit, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
ROW = Limit("a.b", "x_kpa", "kPa", 2.0, 7.0, 14.0, 30.0)
LOW = Limit("a.c", "y_v", "V", 14.0, 13.0, 12.0, None, below=True)


def sheet(value: float | None, row: Limit = ROW, **more: Any) -> Measured:
    return Measured(values={row.measure: value}, **more)


@pytest.mark.parametrize(
    ("value", "severity", "limit"),
    [(6.9, None, None), (7.0, "watch", 7.0), (14.0, "hold", 14.0), (30.0, "stop", 30.0)],
)
def test_a_row_is_reached_at_its_level(value: float, severity: str | None, limit: float) -> None:
    score, finding = judge_row(
        ROW, sheet(value, at={"x_kpa": (1.0, 2.0)}, channels={"x_kpa": "lambda"})
    )
    assert score == ROW.score(value)
    assert (finding is None) == (severity is None)
    if finding is not None:
        assert (finding.severity, finding.limit, finding.value) == (severity, limit, value)
        assert (finding.start_s, finding.end_s, finding.channel) == (1.0, 2.0, "lambda")
        assert (
            f"x kpa: {value:.3g} kPa, at or above the {severity} limit of {limit:g} kPa."
            in finding.message
        )


def test_of_a_low_limit_the_sentence_says_below() -> None:
    _, finding = judge_row(
        LOW, sheet(11.9, LOW, texts={"y_v": "Volts fell."}, said={"y_v": "It was 14 V"})
    )
    assert finding is not None and finding.start_s is None
    assert finding.message == "Volts fell, at or below the hold limit of 12 V. It was 14 V."
    ratio = replace(ROW, unit="1", hold=0.8451, watch=0.8, stop=None)
    _, told = judge_row(ratio, sheet(0.9))
    assert told is not None and "hold limit of 0.845." in told.message


def test_nothing_measured_is_nothing_judged() -> None:
    assert judge_row(ROW, sheet(None)) == (None, None)


@pytest.mark.parametrize(
    ("value", "room", "severity"),
    [(13.0, 0.9, "watch"), (13.0, 1.1, "hold"), (6.0, 8.1, "hold"), (6.0, 0.9, None), (31.0, 5.0, "stop"),
     (15.0, 20.0, "hold"), (13.0, -2.0, "watch")],
)  # fmt: skip
def test_a_hold_limit_within_the_room_of_a_figure_holds(
    value: float, room: float, severity: str | None
) -> None:
    _, finding = judge_row(ROW, sheet(value, room={"x_kpa": room}))
    assert (finding.severity if finding else None) == severity
    if finding and severity == "hold" and value < 14.0:
        assert finding.limit == 14.0
        assert f"may be off by {room:.1f} kPa for its ambient pressure" in finding.message
    elif finding:
        assert "ambient" not in finding.message


def test_the_room_of_a_low_limit_lies_below_and_without_a_hold_the_stop_counts() -> None:
    low = replace(LOW, watch=None)
    assert judge_row(low, sheet(12.5, low, room={"y_v": 0.6}))[1] is not None
    assert judge_row(low, sheet(12.5, low, room={"y_v": 0.4}))[1] is None
    only = replace(ROW, watch=None, hold=None)
    _, finding = judge_row(only, sheet(29.0, room={"x_kpa": 1.5}))
    assert finding is not None and (finding.severity, finding.limit) == ("hold", 30.0)


def test_the_worst_of_each_code_is_kept_the_first_of_equals() -> None:
    a, b, c = (Finding("a", s, m) for s, m in (("watch", "1"), ("hold", "2"), ("hold", "3")))
    other = Finding("b", "note", "4")
    assert worst_of_each([a, b, other, c]) == (b, other)


def test_rows_of_a_code_are_judged_together() -> None:
    table = SimpleNamespace(
        rows=lambda code: (ROW, replace(ROW, measure="z")) if code == "a.b" else ()
    )
    found = judge_rows(("a.b", "a.d"), Measured(values={"x_kpa": 8.0, "z": 15.0}), table)  # type: ignore[arg-type]
    assert [f.severity for f in found.findings] == ["hold"]
    assert found.score == ROW.score(15.0)
    assert judge_rows(("a.d",), Measured(), table) == Judged(None, ())  # type: ignore[arg-type]


def test_judgements_over_pulls_are_gathered() -> None:
    finding = Finding("a", "hold", "x")
    found = gathered(
        [((60.0, None), (0,)), ((30.0, finding), (1, 2)), ((None, None), (3,))], "nothing"
    )
    assert (found.score, found.findings) == (30.0, ((finding, (1, 2)),))
    assert gathered([], "nothing", "missing") == Across(unable=("missing", "nothing"))
    assert gathered([], "nothing").unable == ("too_short", "nothing")
    assert cannot("missing", "why").unable == ("missing", "why")


def test_a_figure_alone_and_what_is_put_keeps_what_was_said() -> None:
    _, finding = judge_figure(ROW, 8.0, "Eight", "lambda", at=(1.0, 2.0), said="So")
    assert (
        finding is not None
        and finding.message.startswith("Eight, at")
        and finding.message.endswith("So.")
    )
    s = Measured()
    s.put("x", 1.0, said="a")
    s.put("x", 2.0, said="b", under=70.0)
    assert (s.values, s.said, s.under) == ({"x": 2.0}, {"x": "a; b"}, {"x": 70.0})
    assert s.of("lambda").channels == {"x": "lambda"}
    assert s.of({"x": "boost"}, unable=("a", "b")).unable == ("a", "b")
    assert s.of("lambda").unable == ("a", "b")


@pytest.mark.parametrize(
    ("score", "severities", "status"),
    [(90.0, [], "pass"), (90.0, ["note"], "pass"), (60.0, ["watch", "note"], "watch"), (30.0, ["watch", "hold"], "fail"),
     (5.0, ["stop"], "fail"), (None, [], "not_evaluated"), (None, ["watch"], "watch"), (None, ["note"], "not_evaluated")],
)  # fmt: skip
def test_a_status_is_that_of_the_worst_finding(
    score: float | None, severities: list[str], status: str
) -> None:
    assert status_of(score, [Finding("a", s, "x") for s in severities]) == status


BY_NAME = {check.NAME: check for check in all_checks()}
LEAN = BY_NAME["lean_under_load"]


@pytest.mark.parametrize(("rate", "slow"), [(0.97, True), (0.99, False)])
def test_a_rate_two_percent_short_of_its_need_is_too_slow(
    make_pull: Make, rate: float, slow: bool
) -> None:
    """Lambda and boost are needed once a second."""
    check = next(
        c for c in all_checks() if c.NAME == "lean_under_load" and "mixture.lean" in c.CODES
    )
    pull = make_pull(rate=20.0)
    channels = tuple(
        replace(c, rate_hz=rate if c.name == "lambda" else 20.0) for c in pull.log.channels
    )
    pull = replace(pull, log=replace(pull.log, channels=channels))
    told = obstacle(check, pull)
    assert (told is not None and told[0] == "too_slow") == slow


@pytest.mark.parametrize(
    ("share", "believed"), [(LEAST_SPAN + 0.02, True), (LEAST_SPAN - 0.04, False)]
)
@pytest.mark.parametrize("spread", [True, False])
def test_a_channel_is_believed_that_shows_seven_tenths_of_a_pull(
    make_pull: Make, share: float, believed: bool, spread: bool
) -> None:
    def flags(t: np.ndarray) -> np.ndarray:
        if spread:
            rng = np.random.default_rng(3)
            return np.where(rng.random(t.size) < share, GOOD, FAIL)
        return np.where((t >= 0) & (t <= share * 6.0), GOOD, FAIL)

    pull = make_pull(rate=200.0 if spread else 20.0, flags={"battery_voltage": flags})
    told = obstacle(BY_NAME["electrical"], pull)
    assert (told is None) == believed
    if told is not None:
        assert told[0] == "not_believed"
        assert int(told[1].split()[1]) == pytest.approx(100 * share, abs=2)


def test_why_a_channel_has_nothing_in_the_pull(make_pull: Make) -> None:
    check = BY_NAME["electrical"]
    assert obstacle(check, make_pull(channels={"battery_voltage": None})) == (
        "missing", "the log has no battery voltage",
    )  # fmt: skip
    none = make_pull(flags={"battery_voltage": lambda t: np.full(t.shape, FAIL)})
    assert obstacle(check, none) == (
        "not_believed",
        "no battery voltage sample in the pull can be believed",
    )
    gone = make_pull(channels={"battery_voltage": lambda t: np.where(t < -0.5, 13.9, np.nan)})
    assert obstacle(check, gone) == ("not_believed", "battery voltage has no sample in the pull")
    rare = make_pull(rate=10.0, every={"battery_voltage": 100}, duration=6.0, lead_s=3.0)
    told = obstacle(check, rare)
    assert told is not None and told[0] == "too_slow"
    empty = make_pull(channels={"battery_voltage": lambda t: np.full(t.shape, np.nan)})
    told = obstacle(check, empty)
    assert told is not None and told[0] == "missing"


def test_either_of_two_channels_will_do(make_pull: Make) -> None:
    check = BY_NAME["knock"]
    assert any("|" in need for need in check.DECLARED.needs)
    names = next(need for need in check.DECLARED.needs if "|" in need).split("|")
    other = {"knock_retard": None, "knock_count": 0.0}
    assert obstacle(check, make_pull(channels=other)) is None
    neither = obstacle(
        check, make_pull(channels={**other, "knock_count": None, "knock_level": None})
    )
    assert (
        neither is not None and neither[0] == "missing" and names[0].replace("_", " ") in neither[1]
    )


def test_only_further_sensors_of_what_a_check_reads_and_does_not_name_itself(
    make_pull: Make,
) -> None:
    pull = make_pull(
        channels={"lambda_2": 0.79, "coolant_temp_2": 88.0, "manifold_pressure_2": 190.0}
    )
    by_code = {code: c for c in all_checks() for code in c.CODES}
    assert other_sensors(by_code["mixture.lean"], pull.log) == ("lambda_2", "manifold_pressure_2")
    assert other_sensors(by_code["mixture.banks_differ"], pull.log) == ("manifold_pressure_2",)
    assert other_sensors(by_code["electrical.voltage"], pull.log) == ()
    log, sanity = swapped(pull.log, pull.sanity, "lambda_2")
    assert log.values("lambda").mean() == pytest.approx(0.79, abs=0.01)
    assert set(log.by_name) == set(pull.log.by_name) and set(sanity.samples) == set(
        pull.sanity.samples
    )


def test_parts_come_together_to_the_worst() -> None:
    def part(status: str, score: float | None, cause: str = "", why: str = "") -> CheckResult:
        return CheckResult("x", status, score, why, cause)

    assert joined([part("pass", 90.0), part("fail", 30.0)]).status == "fail"
    assert joined([part("pass", 90.0), part("watch", 60.0)]).score == 60.0
    lost = joined([part("pass", 90.0), part("not_evaluated", None, "not_believed", "lost")])
    assert (lost.status, lost.cause) == ("not_evaluated", "not_believed")
    lacking = joined([part("pass", 90.0), part("not_evaluated", None, "missing", "not logged")])
    assert (lacking.status, lacking.score) == ("pass", 90.0)
    crashed = joined([part("pass", 90.0), part("not_evaluated", None, "crashed", "x")])
    assert crashed.status == "not_evaluated"


def test_a_check_that_crashes_is_missing_evidence(
    make_pull: Make, table: Limits, monkeypatch: Any
) -> None:
    check = BY_NAME["electrical"]

    def broken(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(check, "measure", broken)
    _, result = run_check(check, make_pull(), table)
    assert (result.status, result.cause) == ("not_evaluated", "crashed")
    assert guarded("x", lambda: 1, 2) == 1
    assert guarded("x", broken, 2) == 2


def test_a_score_is_no_better_than_its_worst_finding(
    make_pull: Make, table: Limits, monkeypatch: Any
) -> None:
    check = BY_NAME["electrical"]
    for severity, score in (("watch", 70.0), ("hold", 40.0), ("stop", 10.0)):
        monkeypatch.setattr(
            check,
            "judge",
            lambda *_, s=severity: Judged(95.0, (Finding("electrical.voltage", s, "x"),)),
        )
        assert run_check(check, make_pull(), table)[1].score == score
    monkeypatch.setattr(check, "judge", lambda *_: Judged(55.0, ()))
    assert run_check(check, make_pull(), table)[1].score == 55.0


def test_what_is_guessed_never_stops(make_pull: Make, table: Limits) -> None:
    pull = make_pull(channels={"coolant_temp": 118.0})
    check = next(c for c in all_checks() if "heat.coolant" in c.CODES)
    assert {f.severity for f in run_check(check, pull, table)[1].findings} == {"stop"}
    channels = tuple(replace(c, doubtful=c.name == "coolant_temp") for c in pull.log.channels)
    guess = replace(pull, log=replace(pull.log, channels=channels))
    found = run_check(check, guess, table)[1].findings
    assert {f.severity for f in found} == {"hold"} and "is a guess" in found[0].message
    other = tuple(replace(c, doubtful=c.name == "battery_voltage") for c in pull.log.channels)
    assert {
        f.severity
        for f in run_check(check, replace(pull, log=replace(pull.log, channels=other)), table)[
            1
        ].findings
    } == {"stop"}


def test_outside_the_pulls_only_some_codes_speak_and_none_stops(
    make_pull: Make, table: Limits
) -> None:
    bad = make_pull(
        channels={
            "lambda": 1.02,
            "coolant_temp": 118.0,
            "boost": lambda t: np.where(t < 0, -40, 80.0),
        }
    )
    codes = {f.code: f.severity for r in run_pull(bad, table)[1].values() for f in r.findings}
    assert codes["mixture.lean"] == "stop" and codes["heat.coolant"] == "stop"
    found = run_between([bad, bad], table)
    assert {f.code: f.severity for f in found} == {"mixture.lean": "hold"}
    assert found[0].message.endswith("in a short stab.")
    assert run_between([], table) == ()


def test_a_code_has_its_check_and_sensors_are_their_own() -> None:
    assert check_of("sensor.spike") == "sensors"
    assert check_of("knock.retard") == "knock"
    assert check_of("no.such") is None
    names = [c.NAME for c in all_checks()]
    assert names == sorted(names)


TABLE = {
    "code": {"a.b": {"likely": ["usual", "again"], "look_at": ["here"]}},
    "rule": [
        {"codes": ["a.b"], "when": [{"measure": "m", "at_least": 50, "at_most": 60}], "likely": ["hot"], "look_at": []},
        {"codes": ["a.b"], "when": [{"found": "c.d", "times": 2}], "likely": ["twice"], "look_at": []},
        {"codes": ["a.b"], "when": [{"not_found": "e.f"}, {"missing": "fuel"}], "likely": ["blind"], "look_at": ["f"]},
        {"codes": ["a.b"], "when": [{"message": "SPRING"}, {"logged": "fuel"}], "likely": ["again"], "look_at": []},
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("given", "likely"),
    [
        ({}, ("usual", "again")),
        ({"measures": {"m": 50.0}}, ("hot", "usual", "again")),
        ({"measures": {"m": 60.0}}, ("hot", "usual", "again")),
        ({"measures": {"m": 49.9}}, ("usual", "again")),
        ({"measures": {"m": 60.1}}, ("usual", "again")),
        ({"measures": {"m": None}}, ("usual", "again")),
        ({"codes": ["c.d"]}, ("usual", "again")),
        ({"codes": ["c.d", "c.d"]}, ("twice", "usual", "again")),
        ({"missing": ["fuel"]}, ("blind", "usual", "again")),
        ({"missing": ["fuel"], "codes": ["e.f"]}, ("usual", "again")),
        ({"text": "its spring"}, ("again", "usual")),
        ({"text": "its spring", "missing": ["fuel"]}, ("blind", "usual", "again")),
    ],
)
def test_rules_put_their_causes_in_front_once_each(
    given: dict[str, Any], likely: tuple[str, ...]
) -> None:
    finding = Finding("a.b", "hold", given.pop("text", "x"))
    found = explain(
        finding, **{"measures": {}, "codes": [], "missing": [], "table": TABLE, **given}
    )
    assert found.likely == likely


def test_no_more_causes_than_somebody_reads() -> None:
    many = Finding("a.b", "hold", "x", likely=tuple("abcdefgh"))
    found = explain(many, measures={}, codes=[], missing=[], table=TABLE)
    assert found.likely == tuple("abcdef") and MOST == 6
    other = explain(Finding("z", "hold", "x"), measures={}, codes=[], missing=["fuel"], table=TABLE)
    assert other.likely == ()


def test_a_stop_is_worse_than_a_hold_of_a_lower_score() -> None:
    def result(severity: str, score: float) -> CheckResult:
        return CheckResult("x", "fail", score, findings=(Finding(f"a.{severity}", severity, "x"),))

    assert joined([result("hold", 3.0), result("stop", 9.0)]).score == 9.0
    assert joined([result("stop", 9.0), result("hold", 3.0)]).score == 9.0


@pytest.mark.parametrize(("rate", "cause"), [(0.155, "too_slow"), (0.18, "not_believed")])
def test_a_channel_that_comes_less_than_once_a_pull_is_too_slow_for_it(
    make_pull: Make, rate: float, cause: str
) -> None:
    """Six seconds: once in them are 0.167 a second."""
    gone = make_pull(channels={"battery_voltage": lambda t: np.where(t < -0.5, 13.9, np.nan)})
    channels = tuple(
        replace(c, rate_hz=rate if c.name == "battery_voltage" else 20.0) for c in gone.log.channels
    )
    pull = replace(gone, log=replace(gone.log, channels=channels))
    told = obstacle(BY_NAME["electrical"], pull)
    assert told is not None and told[0] == cause


@pytest.mark.parametrize("order", [(0.95, 0.88), (0.88, 0.95)])
def test_the_figures_are_those_of_the_worst_sensor_wherever_it_stands(
    make_pull: Make, table: Limits, order: tuple[float, float]
) -> None:
    second, third = order
    channels = {"lambda": 0.79, "lambda_2": second, "lambda_3": third}
    pull = make_pull(channels=channels, noise=dict.fromkeys(channels, 0.004))
    check = next(c for c in all_checks() if "mixture.lean" in c.CODES)
    figures, _ = run_check(check, pull, table)
    assert figures["lean_lambda"] == pytest.approx(0.95, abs=0.01)


@pytest.mark.parametrize(("coolant", "status"), [(85.0, "pass"), (118.0, "fail")])
def test_a_whole_log_is_judged_where_nothing_was_found_too(
    make_pull: Make, table: Limits, coolant: float, status: str
) -> None:
    pull = make_pull(channels={"coolant_temp": coolant}, lead_s=90.0, tail_s=60.0, rate=5.0)
    found = run_whole_log(pull.log, pull.sanity, pull.car, table)
    assert found["heat_soak"].status == status
    assert {f.code for f in found["heat_soak"].findings} == (
        set() if status == "pass" else {"heat.coolant"}
    )
    assert "engine_speed" not in found  # the car file allows none: it could not be judged


def test_a_second_sensor_of_a_whole_log_is_judged_and_named(make_pull: Make, table: Limits) -> None:
    pull = make_pull(
        channels={"coolant_temp": 85.0, "coolant_temp_2": 118.0}, lead_s=90.0, tail_s=60.0, rate=5.0
    )
    (finding,) = run_whole_log(pull.log, pull.sanity, pull.car, table)["heat_soak"].findings
    assert finding.channel == "coolant_temp_2"
    assert finding.message.endswith(
        'This is the reading of coolant temp 2, column "coolant_temp_2".'
    )


def test_what_could_not_be_judged_has_not_passed(
    make_pull: Make, table: Limits, monkeypatch: Any
) -> None:
    check = BY_NAME["electrical"]
    monkeypatch.setattr(check, "measure", lambda *_: cannot("missing", "the reason"))
    monkeypatch.setattr(check, "judge", lambda *_: Judged(95.0, ()))
    _, result = run_check(check, make_pull(), table)
    assert (result.status, result.score) == ("not_evaluated", None)
    assert (result.cause, result.why) == ("missing", "the reason")


def test_a_check_with_nothing_to_judge_says_so_and_names_a_code_without_a_limit(
    make_pull: Make, table: Limits, monkeypatch: Any
) -> None:
    check = BY_NAME["electrical"]
    monkeypatch.setattr(check, "judge", lambda *_: Judged(None, ()))
    _, result = run_check(check, make_pull(), table)
    assert (result.status, result.score, result.cause) == ("not_evaluated", None, "missing")
    assert result.why == "nothing in the pull to judge"
    monkeypatch.setattr(check, "CODES", ("electrical.voltage", "electrical.new"))
    _, result = run_check(check, make_pull(), table)
    assert result.why.endswith("schemas/thresholds.toml has no row for electrical.new")


@pytest.mark.parametrize(("until", "believed"), [(4.2, True), (3.2, False)])
def test_a_slow_channels_last_sample_stands_for_an_interval_too(
    make_pull: Make, until: float, believed: bool
) -> None:
    """Once a second in 6 s: five samples reach over 5 s, four over 4 s; seven tenths are 4.2 s."""
    pull = make_pull(
        every={"coolant_temp": 20, "intake_air_temp": 20},
        flags={"intake_air_temp": lambda t: np.where((t >= 0) & (t <= until), GOOD, FAIL)},
    )
    told = obstacle(next(c for c in all_checks() if "heat.intake" in c.CODES), pull)
    assert (told is None) == believed
