"""A night in full: the decision as it was told, the duty as it was typed, columns as the table has them."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import polars as pl
import pytest

from audit.archive.step.decide import in_history, with_decision
from audit.archive.store.rescreen import rescreen
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.errors import ArchiveError
from audit.intake.schema import check_frame, faults_at_door, faults_of
from audit.model import Finding, Night
from audit.night.screen import with_findings
from audit.request import Request, run
from tests.archive.nights import CAR, a_night, an_audit
from tests.service.made_logs import good_log

DAY = "2026-03-01"


@pytest.fixture
def source(tmp_path):
    """A log without a duty of its own."""
    file = tmp_path / "a.csv"
    file.write_bytes(good_log(1))
    return file


def kept_decision(archive: Archive) -> dict:
    return json.loads(archive.nights()["decision"][-1])


def test_the_decision_is_kept_as_it_is_told(tmp_path, source):
    told = run(Request(paths=(source,), archive=tmp_path / "a", date=DAY)).night
    archive = Archive(tmp_path / "a")
    assert kept_decision(archive) == told.decision.plain()
    assert told.decision.state in ("step", "stay", "no_step")
    rescreen(archive, every=True, decide=with_decision)
    assert kept_decision(archive)["state"] == told.decision.state
    assert verify(archive.root) == []


def test_a_kept_night_that_turns_worse_gives_no_step(archive):
    archive.add(a_night(1, 2), date=DAY, history=in_history)
    worse = dataclasses.replace(a_night(1), verdict="stop", reasons=("it knocks",))
    archive.add(worse, date=DAY, history=in_history)
    assert archive.nights()["verdict"].to_list() == ["stop"]
    assert kept_decision(archive)["state"] == "no_step"
    assert kept_decision(archive)["why"] == "it knocks"


def duties(archive: Archive) -> list[float | None]:
    return archive.pulls()["duty_mean_pct"].to_list()


def test_a_typed_duty_survives_judging_anew(tmp_path, source):
    run(Request(paths=(source,), archive=tmp_path / "a", date=DAY, duty={"": 35.0}))
    archive = Archive(tmp_path / "a")
    assert archive.logs()["duty_typed_pct"].to_list() == [35.0]
    before = duties(archive)
    assert before
    assert all(d == pytest.approx(35.0) for d in before)
    rescreen(archive, every=True)
    assert archive.nights()["revision"].to_list() == [1]
    assert duties(archive) == before


def test_a_duty_that_is_typed_later_joins_the_kept_log_and_stays(tmp_path, source):
    for duty in ({}, {"": 35.0}, {}):
        run(Request(paths=(source,), archive=tmp_path / "a", date=DAY, duty=duty))
    archive = Archive(tmp_path / "a")
    assert archive.nights()["revision"].to_list() == [1]
    assert archive.logs()["duty_typed_pct"].to_list() == [35.0]
    rescreen(archive, every=True)
    assert all(d == pytest.approx(35.0) for d in duties(archive))
    assert {p.kind for p in verify(archive.root)} <= {"spare"}


def test_judged_anew_by_the_same_version_a_night_is_as_it_was(tmp_path):
    """What is found over several pulls stands at the log, and stays there."""
    night = Path(__file__).parents[2] / "sample_data" / "alder" / "2025-06-14_heat_soak"
    run(Request(paths=(night,), archive=tmp_path / "a"))
    archive = Archive(tmp_path / "a")

    def told() -> list[pl.DataFrame]:
        drop = ("revision", "revision_id", "judged_at")
        views = (archive.findings(), archive.logs(), archive.pulls(), archive.nights())
        return [view.drop(drop, strict=False) for view in views]

    before = told()
    assert ("log", "heat.soak") in before[0].select("level", "code").rows()
    rescreen(archive, every=True, decide=with_decision)
    assert all(a.equals(b) for a, b in zip(before, told(), strict=True))


def test_what_the_nights_before_said_still_holds_a_night_judged_anew(tmp_path, source):
    held = Finding("boost.fade", "hold", "Over the nights: less boost.")
    night = run(Request(paths=(source,))).night
    archive = Archive(tmp_path / "a")
    archive.add(night, date=DAY, history=lambda _, tonight, __: with_findings(tonight, [held]))
    before = archive.nights().select("verdict", "reasons", "checks").rows()
    assert night.verdict == "clear"
    assert before[0][0] == "hold"
    rescreen(archive, every=True)
    assert archive.nights().select("verdict", "reasons", "checks").rows() == before


def test_a_typed_duty_stays_with_its_kept_log_when_another_joins(tmp_path, source):
    other = tmp_path / "b.csv"
    other.write_bytes(good_log(2))
    run(Request(paths=(source,), archive=tmp_path / "a", date=DAY, duty={"": 35.0}))
    run(Request(paths=(source, other), archive=tmp_path / "a", date=DAY))
    archive = Archive(tmp_path / "a")
    logs = dict(archive.logs().select("path", "duty_typed_pct").iter_rows())
    assert logs == {str(source): 35.0, str(other): None}
    assert archive.nights()["revision"].to_list() == [1]


@pytest.mark.parametrize(
    ("answer", "date"), [(None, DAY), (False, DAY), (True, "2026-04-01")], ids=str
)
def test_another_date_for_kept_logs_is_asked(tmp_path, source, answer, date):
    asked = []

    def ask(question: str) -> bool:
        asked.append(question)
        return bool(answer)

    run(Request(paths=(source,), archive=tmp_path / "a", date=DAY))
    request = Request(paths=(source,), archive=tmp_path / "a", date="2026-04-01")
    again = run(dataclasses.replace(request, ask=None if answer is None else ask))
    archive = Archive(tmp_path / "a")
    assert archive.nights()["date"].to_list() == [date]
    assert archive.logs().height == 1
    assert len(asked) == (answer is not None)
    assert any("was not applied" in w for w in again.warnings) == (answer is not True)
    assert verify(archive.root) == []


def bad(audit, **columns):
    frame = audit.log.frame.with_columns(**columns)
    return dataclasses.replace(audit, log=dataclasses.replace(audit.log, frame=frame))


FAULTS = {
    "clock goes back": {"time": pl.col("time").reverse()},
    "clock has a gap": {"time": pl.when(pl.col("time") > 3).then(pl.col("time"))},
    "clock is not finite": {"time": pl.col("time") / 0},
    "another type": {"engine_speed": pl.lit("fast")},
    "out of its range": {"manifold_pressure": pl.lit(1e6)},
    "not a number": {"manifold_pressure": pl.lit(float("nan"))},
}


@pytest.mark.parametrize("columns", FAULTS.values(), ids=FAULTS)
def test_a_log_read_wrongly_is_told_at_the_door_and_nothing_is_kept(archive, columns):
    audit = bad(an_audit(1), **columns)
    assert faults_at_door(audit.log, audit.sanity) == faults_of(audit.log, audit.sanity) != []
    with pytest.raises(ArchiveError, match="read wrongly: column"):
        archive.add(Night(CAR, (an_audit(2), audit), "clear", (), {}), date=DAY)
    assert not archive.exists() or archive.nights().is_empty()


def test_the_door_and_pandera_say_the_same_of_sound_logs():
    """pandera is the outside judge of the quicker look."""
    for seed in range(5):
        audit = an_audit(seed)
        assert faults_at_door(audit.log, audit.sanity) == check_frame(audit.log.frame) == []
