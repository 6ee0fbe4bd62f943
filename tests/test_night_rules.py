"""The rules of a night on its smallest inputs: both sides of each figure, each order, each word that is given twice."""

from __future__ import annotations

import dataclasses
import datetime as dt
from types import SimpleNamespace

import numpy as np
import pytest

from audit.archive.step.step import Step
from audit.errors import UsageError
from audit.model import Car, CheckResult, Finding, LogAudit, Tear
from audit.night.assemble import sensors_result
from audit.night.days import date_of, dated, day_of
from audit.night.decision import decided, family, first_look, repeated, watched
from audit.night.evidence import torn, unseen
from audit.night.facts import facts_of
from audit.night.one_log import LEAD_S, slim, with_pulls
from audit.night.pool import WORTH_A_PROCESS, audit_each
from audit.night.screen import assemble, audit_log
from audit.night.typed import TYPED, by_path, typed_duty, unused, with_duty
from audit.night.verdict import worst_result
from audit.tables import limits_for
from tests.sanity.conftest import make_log

CAR = Car(boost_limit_kpa=130.0)


# ---- the verdict ----


def result(status="pass", score=90.0, cause="", why=""):
    return CheckResult("x", status, score, why, cause)


def test_of_several_results_a_fail_is_worse_than_a_watch_and_that_than_a_gap():
    order = [
        result("fail", 30.0),
        result("watch", 60.0),
        result("not_evaluated", None, "missing", "gone"),
        result("pass", 90.0),
    ]
    for i, worst in enumerate(order):
        assert worst_result("x", order[i:]).status == worst.status
        assert worst_result("x", order[i:][::-1]).status == worst.status


def test_of_alike_results_the_lower_score_counts_and_a_gap_has_none():
    found = worst_result(
        "x", [result(score=90.0), result(score=71.0, why="low"), result(score=80.0)]
    )
    assert (found.score, found.why) == (71.0, "low")
    gap = worst_result("x", [result(score=90.0), result("not_evaluated", None, "too_slow", "slow")])
    assert (gap.status, gap.score, gap.why, gap.cause) == (
        "not_evaluated",
        None,
        "slow",
        "too_slow",
    )
    none = worst_result("x", [])
    assert (none.status, none.cause, none.why) == ("not_evaluated", "missing", "no pull to judge")


def test_only_short_pulls_are_a_gap_of_their_own_cause():
    found = worst_result("x", [result("not_evaluated", None, "too_short", "short")] * 2)
    assert (found.cause, found.why) == ("too_short", "short")


@pytest.mark.parametrize(
    ("severities", "status", "score"),
    [((), "pass", 100.0), (("note",), "pass", 90.0), (("watch", "note"), "watch", 70.0),
     (("watch", "hold"), "fail", 40.0), (("stop", "hold"), "fail", 10.0)],
)  # fmt: skip
def test_the_sensors_are_as_good_as_their_worst_finding(severities, status, score):
    found = sensors_result([Finding("sensor.spike", s, "x") for s in severities])
    assert (found.status, found.score) == (status, score)


# ---- the decision ----


def test_families_are_of_a_code_or_of_its_first_word():
    assert family("knock.retard") == "knock"
    assert family("mixture.rich") == "mixture"
    assert family("boost.over_limit") == "boost against its limit"
    assert family("boost.under_target") == family("boost.over_target") == "boost against its target"
    assert family("boost.fade") is None
    assert family("sensor.spike") is None


def test_watches_are_counted_by_pull_and_a_whole_log_counts_for_two():
    found = watched(
        [
            ("knock.retard", "watch", 1),
            ("knock.count", "hold", 1),
            ("heat.intake", "watch", 1),
            ("heat.soak", "watch", 2),
            ("mixture.lean", "note", 1),
            ("fuel.cut", "watch", None),
            ("sensor.spike", "watch", 1),
        ]
    )
    assert found == {"knock": 1, "heat": 2, "fuel supply": 2}


def test_what_comes_twice_or_on_two_nights_running():
    assert repeated({"knock": 1}) == ""
    assert repeated({"knock": 2}) == "knock wants watching in two pulls or more"
    assert repeated({"knock": 1}, ["knock"]) == "knock wants watching on two nights running"
    assert repeated({"knock": 1}, ["heat"]) == ""
    both = repeated({"knock": 2, "heat": 1, "mixture": 3}, ["heat", "knock"])
    assert both == (
        "knock and mixture wants watching in two pulls or more and heat wants watching on two nights running"
    )


def test_the_first_look_is_the_worst_findings_and_a_note_has_none():
    found = [("watch", ["hose"]), ("hold", ["pump"]), ("stop", []), ("note", ["paint"])]
    assert first_look(found, "stop") == "pump"
    assert first_look(found[:1], "clear") == "hose"
    assert first_look(found[:1], "hold").startswith("What could not be read")
    assert first_look(found[3:], "clear").startswith("The car itself")
    assert first_look([("hold", ["first"]), ("hold", ["second"])], "hold") == "first"


UP = Step("up", 3, "Try 25 %.", "step", 20.0, 25.0, 90.0, 85.0, 95.0, log_next="two pulls")


def test_a_step_up_says_its_sentence_and_what_to_log():
    made = decided("clear", "", "x", step=UP)
    assert (made.state, made.why) == ("step", "Try 25 %. two pulls")
    assert made.expected_kpa == (85.0, 90.0, 95.0)
    part = dataclasses.replace(UP, low=None)
    assert decided("clear", "", "x", step=part).expected_kpa is None


@pytest.mark.parametrize("binds", ["reversed", "no_response", "over_spring", "last_night"])
def test_a_fault_gives_no_step_and_names_what_to_log_first(binds):
    step = dataclasses.replace(UP, action="refuse", binds=binds, sentence="Backwards.")
    made = decided("clear", "", "x", step=step)
    assert (made.state, made.why, made.first) == ("no_step", "Backwards.", "two pulls")
    silent = dataclasses.replace(step, log_next="")
    assert decided("clear", "", "x", step=silent).first == "x"


def test_a_repeated_watch_stays_unless_the_step_is_down():
    down = dataclasses.replace(UP, action="down", sentence="Back to 15 %.")
    assert decided("clear", "", "x", step=UP, again="knock").state == "stay"
    made = decided("clear", "", "x", step=down, again="knock")
    assert (made.state, made.why) == ("stay", "Back to 15 %. two pulls")
    assert decided("clear", "", "x", again="knock wants it").why.startswith("Knock wants it: stay")


@pytest.mark.parametrize(
    ("duty", "state", "next_"), [(20.2, "stay", 20.2), (20.3, "step", 20.3), (None, "step", None)]
)
def test_a_refusal_with_a_duty_well_above_the_present_one_is_a_step(duty, state, next_):
    step = dataclasses.replace(UP, action="refuse", binds="too_few", duty=duty, sentence="Too few.")
    made = decided("clear", "", "x", step=step)
    assert (made.state, made.duty_next_pct) == (state, next_)
    if duty == 20.2:
        assert made.why == "Too few. two pulls"
    if duty == 20.3:
        assert made.why == "two pulls"
    if duty is None:
        assert made.why.startswith("Nothing speaks against") and made.why.endswith("two pulls")


def test_a_refusal_without_what_to_log_says_why_without_its_lead():
    step = dataclasses.replace(
        UP,
        action="refuse",
        binds="no_target",
        duty=None,
        log_next="",
        sentence="No step up. No target.",
    )
    assert decided("clear", "", "x", step=step).why.endswith("known. No target.")


def test_duty_and_gear_come_from_the_step_and_else_from_the_night():
    made = decided("clear", "", "x", step=UP, duty_now=11.0, gear=5)
    assert (made.duty_now_pct, made.gear) == (20.0, 3)
    bare = dataclasses.replace(UP, gear=0, from_duty=None)
    made = decided("clear", "", "x", step=bare, duty_now=11.0, gear=5)
    assert (made.duty_now_pct, made.gear) == (11.0, 5)
    assert decided("hold", "why", "x", duty_now=11.0, gear=5).duty_now_pct == 11.0


# ---- days ----


@pytest.mark.parametrize(
    ("names", "day", "whole"),
    [
        (["2026-05-31_19-40_pull.csv"], dt.datetime(2026, 5, 31, 19, 40, tzinfo=dt.UTC), False),
        (["20260531"], dt.datetime(2026, 5, 31, tzinfo=dt.UTC), True),
        (["2026.05.31 a"], dt.datetime(2026, 5, 31, tzinfo=dt.UTC), True),
        (["2026-05-31T07:08:09"], dt.datetime(2026, 5, 31, 7, 8, 9, tzinfo=dt.UTC), False),
        (["2025-01-02", "2026-05-31.csv", "x"], dt.datetime(2026, 5, 31, tzinfo=dt.UTC), True),
    ],
)
def test_a_date_in_names(names, day, whole):
    assert dated(*names) == (day, whole)


@pytest.mark.parametrize(
    "name", ["2026-05_31", "12026-05-31", "2026-13-01", "2026-02-30", "1999-05-31", "pull"]
)
def test_what_is_no_date(name):
    assert dated(name) is None


def test_a_day_is_the_first_ten_letters_or_is_refused():
    assert day_of("2026-05-31T19:40") == "2026-05-31"
    with pytest.raises(UsageError, match="not a day"):
        day_of("31.05.2026")


def audit_at(path="x.csv", wall=None, **more):
    log = None if wall is None else SimpleNamespace(wall_start=wall)
    return LogAudit(path, "0", "read", log=log, **more)


def test_the_earliest_wall_clock_then_the_names_tell_the_day():
    night = SimpleNamespace(
        logs=[
            audit_at("2020-01-01.csv", "2026-05-31 23:50:00"),
            audit_at("b.csv", "2026-06-01 00:10:00"),
        ]
    )
    assert date_of(night) == "2026-05-31"
    night = SimpleNamespace(logs=[audit_at("2026-06-02.csv"), audit_at("2026-06-01/b.csv")])
    assert date_of(night) == "2026-06-01"
    picture = audit_at("2019-01-01.csv", not_a_log=True)
    assert date_of(SimpleNamespace(logs=[picture, audit_at("2026-06-02.csv")])) == "2026-06-02"


def test_else_the_files_own_day_and_else_today(tmp_path):
    import os

    file = tmp_path / "pull.csv"
    file.write_text("x")
    moment = dt.datetime(2024, 3, 5, 12).astimezone().timestamp()
    os.utime(file, (moment, moment))
    assert date_of(SimpleNamespace(logs=[audit_at(str(file))])) == "2024-03-05"
    today = dt.datetime.now().astimezone().date().isoformat()
    assert date_of(SimpleNamespace(logs=[audit_at("nowhere.csv")])) == today


# ---- duty that was typed ----


def test_a_files_own_word_stands_over_its_folders_and_that_over_all(tmp_path):
    inner = tmp_path / "a"
    inner.mkdir()
    files = [inner / "one.csv", inner / "two.csv", tmp_path / "three.csv"]
    for file in files:
        file.write_text("x")
    said = {"": 10.0, str(inner): 20.0, "two.csv": 30.0}
    found = by_path(said, files)
    assert [found[str(f)] for f in files] == [20.0, 30.0, 10.0]
    assert by_path({"two.csv": 30.0}, files) == {str(files[1]): 30.0}
    assert by_path({str(tmp_path): 5.0, str(inner): 7.0}, files) == {
        str(files[0]): 7.0, str(files[1]): 7.0, str(files[2]): 5.0,
    }  # fmt: skip


def test_a_word_for_no_file_or_two_is_refused(tmp_path):
    files = [tmp_path / "a" / "pull.csv", tmp_path / "b" / "pull.csv"]
    with pytest.raises(UsageError, match="2 logs have that name"):
        by_path({"pull.csv": 1.0}, files)
    with pytest.raises(UsageError, match="no log of tonight has that path"):
        by_path({"other.csv": 1.0}, files)


def test_a_typed_duty_is_a_channel_unless_the_log_has_its_own():
    log = make_log(20.0)
    assert with_duty(log, None) is log
    typed = with_duty(log, 35.0)
    assert (typed.values("wastegate_duty") == 35.0).all()
    channel = typed.by_name["wastegate_duty"]
    assert (channel.source, channel.rate_hz, channel.held) == (TYPED, 20.0, True)
    assert typed_duty(typed) == 35.0 and typed_duty(log) is None
    assert unused(typed) == ""
    again = with_duty(typed, 40.0)
    assert typed_duty(again) == 35.0
    assert "40 %" in unused(again)
    empty = dataclasses.replace(typed, frame=typed.frame.head(0))
    assert typed_duty(empty) is None


# ---- facts of a log ----


def test_pressure_at_rest_is_manifold_less_barometric():
    change = {"manifold_pressure": lambda t, v: np.where(t < 3.0, 101.5, v)}
    audit = audit_log(make_log(50.0, noise=0.0, change=change), CAR)
    facts = facts_of(audit)
    assert facts["map_at_rest_kpa"] == pytest.approx(2.5)
    assert facts["barometric_kpa"] == pytest.approx(audit.log.barometric.kpa)
    assert facts["ambient_c"] is None and facts["duty_typed_pct"] is None
    assert facts["rate_hz"] == pytest.approx(50.0)


@pytest.mark.parametrize(("rows", "known"), [(4, False), (5, True)])
def test_five_samples_at_rest_tell(rows, known):
    log = make_log(10.0, noise=0.0, drop_rows=lambda t: t < 2.95 - 0.1 * rows)
    speed = log.values("engine_speed")
    assert (speed < 50.0).sum() in (rows, rows + 1)
    log = dataclasses.replace(log, frame=log.frame.slice((speed < 50.0).sum() - rows))
    assert (facts_of(audit_log(log, CAR))["map_at_rest_kpa"] is not None) == known


def test_what_is_not_believed_is_no_fact_and_a_rejected_file_has_none():
    change = {"ambient_air_temp": lambda t, v: np.where(t < 30.0, 18.0, 22.0)}
    log = make_log(20.0, change=change)
    audit = audit_log(log, CAR)
    assert facts_of(audit)["ambient_c"] == pytest.approx(20.0, abs=2.1)
    flags = dict(audit.sanity.samples)
    flags["ambient_air_temp"] = np.where(log.time < 30.0, 3, 1).astype(np.uint8)
    doubted = dataclasses.replace(audit, sanity=dataclasses.replace(audit.sanity, samples=flags))
    assert facts_of(doubted)["ambient_c"] == pytest.approx(22.0)
    assert facts_of(LogAudit("x", "0", "rejected")) == {}
    told = dataclasses.replace(audit, facts={"rows": 3})
    assert facts_of(told) == {"rows": 3}


# ---- what is not there ----


def pull_of(**more):
    log, _sanity, pulls = with_pulls(make_log(**more), CAR, limits_for(CAR))
    return pulls[0]


def oil(t, v):
    return 250.0 + 40.0 * np.sin(7.0 * t)


def blanked(a, b):
    return lambda t, v: np.where((t > a) & (t < b), np.nan, oil(t, v))


@pytest.mark.parametrize(("hole", "told"), [(0.45, False), (0.55, True)])
@pytest.mark.parametrize("at", [30.2, 33.0, 35.95])
def test_half_a_second_of_a_quick_damage_channel_is_a_hole(hole, told, at):
    start, end = (at - hole, at) if at > 35.0 else (at, at + hole)
    pull = pull_of(rate=50.0, change={"oil_pressure": blanked(start, end)})
    found = unseen(pull)
    assert bool(found) == told
    if told:
        (one,) = found
        assert (one.code, one.severity, one.channel) == ("sensor.dropout", "hold", "oil_pressure")
        assert one.limit == pytest.approx(0.5)
        assert one.value == pytest.approx(one.end_s - one.start_s)
        assert one.value == pytest.approx(hole, abs=0.3)
        assert "has no sample" in one.message


@pytest.mark.parametrize(("rate", "hole", "told"), [(5.0, 0.5, False), (5.0, 0.9, True)])
def test_a_hole_is_wider_than_some_intervals_of_the_channel(rate, hole, told):
    """3.5 intervals of 0.2 s: 0.7 s from sample to sample."""
    pull = pull_of(rate=rate, change={"oil_pressure": blanked(32.9, 32.9 + hole)})
    assert bool(unseen(pull)) == told


@pytest.mark.parametrize(("share", "told"), [(0.25, False), (0.35, True)])
def test_of_a_slow_damage_channel_a_third_of_the_pull_is_a_hole(share, told):
    def gas(t, v):
        value = 800.0 + 20 * np.sin(t)
        return np.where((t > 32.0) & (t < 32.0 + share * 6.0), np.nan, value)

    pull = pull_of(rate=20.0, change={"exhaust_gas_temp": gas})
    assert bool(unseen(pull)) == told


def test_what_is_there_and_not_believed_says_so():
    def stuck(t, v):
        return np.where((t > 32.0) & (t < 33.0), 9000.0, oil(t, v))

    (one,) = unseen(pull_of(rate=50.0, change={"oil_pressure": stuck}))
    assert "cannot be believed" in one.message
    assert one.code in ("sensor.range", "sensor.dropout", "sensor.rail")
    assert (one.start_s, one.end_s) == pytest.approx((32.0, 33.0), abs=0.1)


@pytest.mark.parametrize(
    ("findings", "code"),
    [
        ([], "sensor.range"),
        ([("sensor.rail", "watch", 31.0, 32.5)], "sensor.rail"),
        ([("sensor.rail", "watch", 32.5, 40.0)], "sensor.rail"),
        ([("sensor.rail", "watch", None, None)], "sensor.rail"),
        ([("sensor.rail", "watch", 10.0, 31.0)], "sensor.range"),
        ([("sensor.rail", "watch", 34.0, 40.0)], "sensor.range"),
        ([("sensor.rail", "note", 32.2, 32.4), ("sensor.flat_line", "hold", 32.2, 32.4)], "sensor.flat_line"),
        ([("sensor.flat_line", "hold", 10.0, 11.0), ("sensor.rail", "note", 32.2, 32.4)], "sensor.rail"),
    ],
)  # fmt: skip
def test_what_is_not_believed_goes_by_the_worst_test_that_took_it_out_there(findings, code):
    pull = pull_of(
        rate=50.0,
        change={"oil_pressure": lambda t, v: np.where((t > 32) & (t < 33), 9000.0, oil(t, v))},
    )
    told = tuple(
        Finding(c, severity, "x", channel="oil_pressure", start_s=a, end_s=b)
        for c, severity, a, b in findings
    )
    other = (Finding("sensor.spike", "hold", "x", channel="lambda", start_s=32.2, end_s=32.4),)
    sanity = dataclasses.replace(pull.sanity, findings=(*other, *told))
    (one,) = unseen(dataclasses.replace(pull, sanity=sanity))
    assert one.code == code


@pytest.mark.parametrize(("share", "said"), [(0.4, "has no sample"), (0.6, "cannot be believed")])
def test_a_hole_that_is_mostly_blank_has_no_sample(share, said):
    def half(t, v):
        value = np.where((t > 32.0) & (t < 33.0), np.nan, oil(t, v))
        return np.where((t > 32.0) & (t < 32.0 + share), 9000.0, value)

    (one,) = unseen(pull_of(rate=50.0, change={"oil_pressure": half}))
    assert said in one.message


@pytest.mark.parametrize(("hole", "told"), [(0.87, True), (0.76, False)])
def test_a_hole_counts_by_the_rows_in_it(hole, told):
    """0.4 s of it without any row: what is left must be 0.8 of half a second."""
    pull = pull_of(
        rate=50.0,
        change={"oil_pressure": blanked(32.9, 32.9 + hole)},
        drop_rows=lambda t: (t > 33.0) & (t < 33.4),
    )
    assert bool(unseen(pull)) == told


def torn_night(tear, pull_changes=None, **span):
    """A torn stretch, and another log's whole pull."""
    log = make_log(
        20.0, change={"wastegate_duty": lambda t, v: np.full_like(t, 40.0), **(pull_changes or {})}
    )
    audit = audit_log(log, CAR)
    (pull,) = audit.pulls
    moved = dataclasses.replace(pull.pull, span=dataclasses.replace(pull.pull.span, **span))
    whole = dataclasses.replace(audit, tears=(), pulls=(dataclasses.replace(pull, pull=moved),))
    return torn([LogAudit("t.csv", "1", "read", tears=(tear,)), whole]), moved


TEAR = Tear(34.0, "cut off", 30.0, 34.0, 3000.0, 5000.0, gear=3, duty_pct=40.0)


@pytest.mark.parametrize(
    ("change", "span", "shown"),
    [
        ({}, {}, True),
        ({"gear": 4}, {}, False),
        ({"duty_pct": 42.5}, {}, False),
        ({"duty_pct": 41.5}, {}, True),
        ({"duty_pct": None}, {}, False),
        ({}, {"ended_by": "gap"}, False),
        ({}, {"ended_by": "shift"}, True),
        ({}, {"rpm_start": 3140.0}, True),
        ({}, {"rpm_start": 3160.0}, False),
        ({}, {"rpm_end": 4860.0}, True),
        ({}, {"rpm_end": 4840.0}, False),
    ],
)
def test_a_whole_pull_of_the_same_gear_and_duty_shows_what_a_torn_one_lost(change, span, shown):
    found, _ = torn_night(TEAR._replace(**change), **{"gear": 3, **span})
    (i, index, finding) = found[0]
    assert (i, index, finding.code) == (0, None, "sensor.gap")
    assert finding.severity == ("note" if shown else "hold")
    assert ("shows the whole" in finding.message) and ("no other pull" in finding.message) != shown


def test_without_gears_a_pull_that_climbs_alike_shows_it():
    speed = 3800.0 / 6.0  # rpm a second
    for factor, shown in ((0.6, False), (0.7, True), (1.4, True), (1.6, False)):
        tear = TEAR._replace(gear=None, start_s=30.0, end_s=30.0 + factor * 2000.0 / speed)
        found, _ = torn_night(tear, gear=None)
        assert (found[0][2].severity == "note") == shown, factor


def test_a_tear_stands_at_its_pull():
    found, _ = torn_night(TEAR._replace(pulls=(2, 3)), gear=3)
    assert found[0][:2] == (0, 2)


# ---- slim logs, order, processes ----


def test_a_slim_log_keeps_four_seconds_round_each_pull_and_its_figures():
    audit = audit_log(make_log(20.0), CAR)
    thin = slim(audit)
    assert thin.log.rows == 0 and facts_of(thin) == facts_of(audit)
    before, after = audit.pulls[0].pull, thin.pulls[0].pull
    t = after.log.time
    assert t[0] == pytest.approx(before.start_s - LEAD_S, abs=0.051)
    assert t[-1] == pytest.approx(before.end_s + LEAD_S, abs=0.051)
    a, b = before.believed("lambda"), after.believed("lambda")
    assert np.array_equal(a.t, b.t) and np.array_equal(a.value, b.value)
    assert after.log.time[after.span.start] == before.start_s
    assert after.span.stop - after.span.start == before.span.stop - before.span.start


def test_logs_with_wall_clocks_stand_in_their_order_and_one_without_leaves_them():
    def at(name, wall):
        log = dataclasses.replace(
            make_log(10.0, seed=len(name)), path=name, sha256=name, wall_start=wall
        )
        return audit_log(log, CAR)

    late, early = at("late.csv", "2026-05-31T22:00:00"), at("early.csv", "2026-05-31T21:00:00")
    assert [a.path for a in assemble([late, early], car=CAR).logs] == ["early.csv", "late.csv"]
    bare = at("bare.csv", None)
    assert [a.path for a in assemble([late, bare, early], car=CAR).logs] == [
        "late.csv", "bare.csv", "early.csv",
    ]  # fmt: skip


def test_the_same_recording_is_judged_once():
    one = audit_log(make_log(10.0), CAR)
    two = dataclasses.replace(one, path="copy.csv")
    night = assemble([one, two], car=CAR)
    assert [a.status for a in night.logs] == ["read", "rejected"]
    assert night.logs[1].not_a_log and "same recording as made.csv" in night.logs[1].error


def test_units_are_us_by_the_car_file_and_else_by_any_log():
    log = dataclasses.replace(make_log(10.0), us_units=True)
    us, metric = (
        audit_log(log, CAR),
        audit_log(dataclasses.replace(log, us_units=False, sha256="1" * 64), CAR),
    )
    assert assemble([metric, us], car=CAR).us_units
    assert not assemble([metric], car=CAR).us_units
    assert assemble([metric], car=dataclasses.replace(CAR, units="us")).us_units
    assert not assemble([us], car=dataclasses.replace(CAR, units="metric")).us_units


def test_little_to_read_stays_in_this_process(tmp_path, monkeypatch):
    """And many large files do not."""
    from audit.night import pool

    asked = []
    monkeypatch.setattr(
        pool, "Crew", lambda n: asked.append(n) or SimpleNamespace(rest=lambda: None)
    )
    monkeypatch.setattr(pool, "_spread", lambda audit, paths, crew: iter(()))
    monkeypatch.setattr(pool, "audit_one", lambda source, **_: [source])
    monkeypatch.setattr(pool.os, "cpu_count", lambda: 4)
    big = tmp_path / "big.csv"
    with big.open("wb") as out:
        out.truncate(WORTH_A_PROCESS // 4)
    small = tmp_path / "small.csv"
    with small.open("wb") as out:
        out.truncate(WORTH_A_PROCESS // 4 - 1)

    def processes(paths, workers=None):
        asked.clear()
        done = list(audit_each(paths, car=CAR, workers=workers))
        assert bool(done) != bool(asked)
        return asked[0] if asked else 1

    assert processes([small] * 4) == 1
    assert processes([big] * 3) == 1
    assert processes([big] * 8) == 2
    assert processes([big] * 40) == 4
    assert processes([small] * 3, workers=2) == 2
    assert processes([small] * 3, workers=9) == 3
    assert processes([small], workers=0) == 1
    assert processes([tmp_path / "gone.csv"] * 8) == 1


def test_what_two_logs_show_together_is_a_finding_of_the_night():
    """1.8 degrees in a pull are none; in two pulls they are a watch, of both logs or, in one log, of that."""

    def retard(t, v):
        return np.where((t > 33.0) & (t < 34.0), 1.8, 0.0)

    def log(seed):
        made = make_log(20.0, seed=seed, change={"knock_retard": retard})
        return audit_log(dataclasses.replace(made, path=f"{seed}.csv", sha256=f"{seed}" * 64), CAR)

    night = assemble([log(1), log(2)], car=CAR)
    assert [(f.code, f.severity) for f in night.findings if f.code.startswith("knock")] == [
        ("knock.retard", "watch")
    ]
    assert not [f for a in night.logs for f in a.findings if f.code.startswith("knock")]
    assert assemble([log(1)], car=CAR).findings == ()


def test_how_much_of_a_channel_is_good_in_the_pull_is_said():
    """One second of six is blank."""
    (one,) = unseen(pull_of(rate=50.0, change={"oil_pressure": blanked(32.0, 33.0)}))
    share = int(one.message.split("(")[1].split(" %")[0])
    assert share == pytest.approx(100 * 5.0 / 6.0, abs=1.5)


def test_where_too_few_samples_are_good_the_whole_pull_is_named_and_else_its_hole():
    def thinned(every):
        return lambda t, v: np.where(
            ((t > 32.0) & (t < 32.8)) | (np.arange(len(t)) % every > 0), np.nan, oil(t, v)
        )

    pull = pull_of(rate=50.0, change={"oil_pressure": thinned(3)})
    channels = tuple(
        dataclasses.replace(c, rate_hz=50.0) if c.name == "oil_pressure" else c
        for c in pull.log.channels
    )
    pull = dataclasses.replace(pull, log=dataclasses.replace(pull.log, channels=channels))
    (one,) = unseen(pull)
    assert (one.start_s, one.end_s) == (pull.start_s, pull.end_s)
    (hole,) = unseen(pull_of(rate=50.0, change={"oil_pressure": thinned(1)}))
    assert (hole.start_s, hole.end_s) == pytest.approx((32.0, 32.8), abs=0.05)
