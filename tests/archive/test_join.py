"""A night that the archive has a part of: the whole's verdict counts, and no better one stands beside it."""

from __future__ import annotations

import dataclasses

import pytest

from audit.archive.store import store
from audit.archive.store.rescreen import rescreen
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.model import LogAudit, Night
from audit.request import Request, run
from tests.archive.nights import CAR, a_night
from tests.service.made_logs import good_log

DAY = "2026-03-01"
TORN = LogAudit(
    "/logs/torn.zip", "f" * 64, "rejected", error="/logs/torn.zip: a damaged zip archive."
)


def night(*seeds: int, verdict: str = "clear", torn: bool = False) -> Night:
    made = a_night(*seeds)
    logs = (*made.logs, TORN) if torn else made.logs
    return dataclasses.replace(made, logs=logs, verdict=verdict, reasons=(f"it is {verdict}",))


def verdicts(archive: Archive) -> list[str]:
    return archive.nights()["verdict"].to_list()


@pytest.fixture
def archive(archive) -> Archive:
    archive.add(night(1), date=DAY)
    return archive


def test_a_late_log_joins_its_night_as_a_revision(archive):
    before = archive.nights()
    archive.add(night(1, 2, verdict="hold"), date=DAY)
    assert verdicts(archive) == ["hold"]
    assert archive.revisions().height == 2
    assert archive.nights()["night_id"].to_list() == before["night_id"].to_list()
    assert archive.nights()["added_at"].to_list() == before["added_at"].to_list()
    assert archive.logs().height == 2
    assert archive.pulls().height == 4
    assert verify(archive.root) == []


def test_the_whole_may_also_turn_out_better(archive):
    archive.add(night(1, 2, verdict="hold"), date=DAY)
    archive.add(night(1, 2, 3), date=DAY)
    assert verdicts(archive) == ["clear"]
    assert archive.logs().height == 3


def test_what_says_the_same_writes_nothing(archive):
    archive.add(night(1), date=DAY)
    assert archive.revisions().height == 1


def test_a_torn_log_is_kept_in_mind_and_let_go_when_it_is_replaced(archive):
    archive.add(night(1, verdict="hold", torn=True), date=DAY)
    assert sorted(archive.logs()["status"]) == ["read", "rejected"]
    archive.add(night(1, 2), date=DAY)
    assert "hold" in verdicts(archive)  # the torn one is still of the night
    archive.add(night(1, 2), date=DAY, instead_of=[TORN.sha256])
    assert archive.nights()["verdict"].to_list().count("hold") == 0
    assert verify(archive.root) == []


def test_two_kept_nights_that_a_log_between_makes_one_have_one_verdict(archive):
    archive.add(night(3), date=DAY)
    archive.add(night(1, 2, 3, verdict="stop"), date=DAY)
    assert verdicts(archive) == ["stop", "stop"]
    assert archive.logs().height == 3
    assert verify(archive.root) == []


def test_a_night_that_is_known_in_part_makes_no_other_better(archive):
    archive.add(night(1, 2, verdict="hold"), date=DAY)
    archive.add(night(2, 3), date=DAY)
    assert sorted(verdicts(archive)) == ["clear", "hold"]


def test_a_very_long_night_is_kept_in_parts(archive, monkeypatch):
    monkeypatch.setattr(store, "MOST_TOGETHER", 2)
    archive.add(night(1, 2), date=DAY)
    archive.add(night(1, 2, 3, verdict="hold"), date=DAY)
    assert verdicts(archive) == ["hold", "hold"]
    assert archive.logs().height == 3
    assert verify(archive.root) == []


def test_a_log_that_a_later_version_can_read_is_kept(archive):
    archive.add(night(1, verdict="hold", torn=True), date=DAY)
    made = a_night(5).logs[0]
    log = dataclasses.replace(made.log, sha256=TORN.sha256)
    read = dataclasses.replace(made, sha256=TORN.sha256, log=log)
    archive.add(dataclasses.replace(night(1), logs=(*a_night(1).logs, read)), date=DAY)
    assert verdicts(archive) == ["clear"]
    assert archive.logs()["status"].to_list() == ["read", "read"]
    assert verify(archive.root) == []


def test_no_night_is_made_better_by_a_part_of_it(archive):
    archive.add(night(1, 2, verdict="hold"), date=DAY)
    archive.add(night(1), date=DAY)
    assert verdicts(archive) == ["hold"]
    archive.add(night(1, verdict="stop"), date=DAY)
    assert verdicts(archive) == ["stop"]
    assert verify(archive.root) == []


def test_a_torn_log_alone_holds_the_nights_of_its_day(archive):
    alone = Night(CAR, (TORN,), "hold", ("torn.zip could not be read",), {})
    archive.add(alone, date="2026-03-02")
    assert verdicts(archive) == ["clear"]
    archive.add(alone, date=DAY)
    assert verdicts(archive) == ["hold"]
    assert verify(archive.root) == []


def test_what_is_no_log_holds_no_night_judged_anew(tmp_path):
    archive = Archive(tmp_path / "a")
    made = a_night(1)
    photo = dataclasses.replace(TORN, path="/logs/photo.jpg", not_a_log=True)
    archive.add(dataclasses.replace(made, logs=(*made.logs, photo)), date=DAY)
    assert sorted(archive.logs()["status"]) == ["not_a_log", "read"]
    rescreen(archive, every=True)
    assert "photo" not in " ".join(archive.nights()["reasons"][0])


@pytest.mark.parametrize("again", [True, False])
def test_screening_a_torn_log_of_a_kept_night_takes_the_clear_back(tmp_path, again):
    log, torn, folder = tmp_path / "a.csv", tmp_path / "b.zip", tmp_path / "archive"
    log.write_bytes(good_log(1))
    run(Request(paths=(log,), archive=folder, date=DAY))
    assert verdicts(Archive(folder)) == ["clear"]
    torn.write_bytes(b"PK\x03\x04" + b"0" * 400)
    run(Request(paths=(log, torn) if again else (torn,), archive=folder, date=DAY))
    assert verdicts(Archive(folder)) == ["hold"]


def test_the_same_recording_under_two_names_is_kept(tmp_path):
    for name in ("a.csv", "b.csv"):
        (tmp_path / name).write_bytes(good_log(1))
    run(
        Request(
            paths=(tmp_path / "a.csv", tmp_path / "b.csv"), archive=tmp_path / "archive", date=DAY
        )
    )
    assert Archive(tmp_path / "archive").logs()["file"].null_count() == 0
    assert Archive(tmp_path / "archive").pulls().height == 1
