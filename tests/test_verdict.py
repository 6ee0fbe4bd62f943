"""Findings and missing evidence to a verdict."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from audit.model import REQUIRED_CHECKS, CheckResult, Finding, LogAudit
from audit.night.verdict import decide, worst_result

PASS = {name: CheckResult(name, "pass", 95.0) for name in REQUIRED_CHECKS}


def pull(index=1, findings=(), **changed):
    return SimpleNamespace(
        pull=SimpleNamespace(index=index), checks={**PASS, **changed}, findings=findings
    )


def night(*pulls, findings=(), night_findings=()):
    log = LogAudit("night/a.csv", "0", "read", findings=findings, pulls=pulls)
    return decide(
        [log],
        {n: CheckResult(n, "not_evaluated", None, "because") for n in REQUIRED_CHECKS},
        night_findings,
    )


def unjudged(name, cause):
    return {name: CheckResult(name, "not_evaluated", None, "the reason", cause)}


def test_all_evaluated_and_nothing_found_is_clear():
    verdict, reasons = night(pull())
    assert verdict == "clear"
    assert "1 pull" in reasons[0]


def test_a_watch_finding_stays_clear_and_is_said():
    verdict, reasons = night(pull(findings=(Finding("heat.intake", "watch", "Warm."),)))
    assert verdict == "clear"
    assert any("Warm." in r for r in reasons)
    assert reasons[0].endswith("no reason to hold; 1 thing to watch.")


def test_the_headline_counts_the_kinds_of_things_to_watch():
    warm, lean = (Finding(f"a.{c}", "watch", "Odd.") for c in "bc")
    said = [night(pull(findings=found))[1][0] for found in ((), (warm,), (warm, lean, lean))]
    assert said[0].endswith(": no reason to hold.")
    assert said[1].endswith("; 1 thing to watch.")
    assert said[2].endswith("; 2 things to watch.")


@pytest.mark.parametrize(("limit", "worst"), [(14.0, 29.0), (40.0, 18.0)])
def test_of_several_of_a_kind_the_furthest_past_its_limit_is_told(limit, worst):
    """Over an upper limit the highest, under a lower one the lowest; wherever it stands."""
    sizes = (19.0, 29.0, 18.0)
    pulls = [
        pull(i, (Finding("a.b", "hold", f"It was {v:g}.", value=v, limit=limit, unit="kPa"),))
        for i, v in enumerate(sizes, 1)
    ]
    reasons = night(*pulls)[1]
    at = sizes.index(worst) + 1
    assert reasons == (f"a.csv, pull {at}: It was {worst:g}. (and 2 more like it)",)


def test_a_greater_figure_of_a_lower_severity_or_another_unit_does_not_lead():
    found = Finding("a.b", "stop", "It was 7.", value=7.0, limit=6.0, unit="°")
    others = (replace(found, severity="hold", value=9.0), replace(found, unit="V", value=9.0))
    assert not any(other.worse_than(found) for other in others)
    assert replace(found, value=7.5).worse_than(found)


def test_that_no_log_was_read_is_said_before_what_is_wrong_with_each():
    bad = LogAudit("night/a.csv", "0", "rejected", error="night/a.csv: binary data.")
    _, reasons = decide([bad], {}, ())
    assert [r.split(",")[0] for r in reasons] == ["No log could be read", "a.csv could not be read"]


@pytest.mark.parametrize("severity", ["hold", "stop"])
def test_the_verdict_is_the_worst_finding(severity):
    verdict, reasons = night(
        pull(findings=(Finding("a.b", severity, "Bad."),)),
        findings=(Finding("c.d", "watch", "Odd."),),
    )
    assert verdict == severity
    assert "Bad." in reasons[0]


def test_a_finding_of_the_whole_night_counts():
    assert (
        night(pull(), night_findings=(Finding("control.reversed", "hold", "Swapped."),))[0]
        == "hold"
    )


@pytest.mark.parametrize("name", REQUIRED_CHECKS)
@pytest.mark.parametrize("cause", ["missing", "not_believed", "too_slow", "crashed"])
def test_a_required_check_without_evidence_in_one_pull_holds(name, cause):
    verdict, reasons = night(pull(), pull(2, **unjudged(name, cause)))
    assert verdict == "hold"
    assert "the reason" in reasons[0]


def test_one_pull_too_short_to_judge_does_not_hold_but_all_do():
    short = pull(2, **unjudged("oscillation", "too_short"))
    assert night(pull(), short)[0] == "clear"
    assert night(short)[0] == "hold"


def test_a_check_that_is_not_required_may_be_missing():
    assert night(pull(**unjudged("knock", "missing")))[0] == "clear"


def test_no_pull_holds():
    verdict, reasons = night()
    assert verdict == "hold"
    assert "No wide-open pull" in reasons[0]


def test_a_log_that_could_not_be_read_holds_but_a_picture_does_not():
    good = LogAudit("a.csv", "0", "read", pulls=(pull(),))
    torn = LogAudit("b.csv", "1", "rejected", error="b.csv: torn")
    picture = LogAudit("c.csv", "2", "rejected", error="c.csv: a picture", not_a_log=True)
    assert decide([good, torn], PASS, ())[0] == "hold"
    assert decide([good, picture], PASS, ())[0] == "clear"


def test_the_worst_result_of_a_check_is_kept_and_unjudged_pulls_do_not_hide_it():
    results = [
        CheckResult("x", "pass", 90.0),
        CheckResult("x", "fail", 30.0),
        CheckResult("x", "not_evaluated", None),
    ]
    assert worst_result("x", results).status == "fail"
    assert worst_result("x", results).score == 30.0


def test_missing_evidence_is_worse_than_a_pass_but_a_short_pull_is_not():
    good, gone = (
        CheckResult("x", "pass", 90.0),
        CheckResult("x", "not_evaluated", None, "why", "missing"),
    )
    short = CheckResult("x", "not_evaluated", None, "why", "too_short")
    assert worst_result("x", [good, gone]).status == "not_evaluated"
    assert worst_result("x", [good, short]).status == "pass"
    assert worst_result("x", [short, short]).status == "not_evaluated"


def test_what_a_finding_has_said_is_not_said_again():
    gone = [
        Finding("sensor.missing", "hold", f"{name} is not in the log.")
        for name in ("Lambda", "Boost")
    ]
    _, reasons = night(findings=tuple(gone))
    assert sum("Lambda is not in the log." in r for r in reasons) == 1
    assert sum("Boost is not in the log." in r for r in reasons) == 1


@pytest.mark.parametrize(
    ("count", "said"), [(1, ""), (2, ", and in 1 more"), (4, ", and in 3 more")]
)
def test_in_how_many_more_pulls_a_check_could_not_be_judged_is_said(count, said):
    lost = unjudged("oscillation", "too_slow")
    reasons = night(*(pull(i, **lost) for i in range(1, count + 1)))[1]
    assert reasons == (f"Oscillation could not be judged (a.csv, pull 1{said}): the reason.",)


@pytest.mark.parametrize(
    ("code", "severity", "told"),
    [("sensor.missing", "hold", True), ("sensor.slow", "hold", True), ("sensor.missing", "note", False),
     ("sensor.spike", "hold", False), ("sensor.spike", "note", False)],
)  # fmt: skip
def test_without_a_pull_what_is_missing_in_each_log_is_said(code, severity, told):
    logs = [LogAudit("n/b.csv", "0", "read", findings=(Finding(code, severity, "No boost."),))]
    reasons = decide(logs, {}, ())[1]
    assert reasons.count("b.csv: No boost.") == int(told or severity == "hold")  # a hold for itself
    assert sum("No wide-open pull was found in b.csv, so" in r for r in reasons) == 1


@pytest.mark.parametrize(("count", "names"), [(1, "a0.csv"), (3, "a0.csv, a1.csv, a2.csv"), (4, "a0.csv, a1.csv, a2.csv, …")])  # fmt: skip
def test_of_logs_without_a_pull_the_first_three_are_named(count, names):
    logs = [LogAudit(f"n/a{i}.csv", str(i), "read") for i in range(count)]
    assert decide(logs, {}, ())[1][0].startswith(f"No wide-open pull was found in {names}, so")


@pytest.mark.parametrize(("pulls", "said"), [(1, "1 pull:"), (2, "2 pulls:")])
def test_the_headline_counts_the_pulls(pulls, said):
    assert said in night(*(pull(i) for i in range(pulls)))[1][0]


def test_alike_findings_are_counted_beyond_the_first():
    warm = Finding("a.b", "watch", "Warm.")
    for count, more in ((1, ""), (2, " (and 1 more like it)"), (3, " (and 2 more like it)")):
        assert night(pull(findings=(warm,) * count))[1][1] == f"a.csv, pull 1: Warm.{more}"
