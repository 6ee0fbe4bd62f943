"""The ledger: once is once, also after a crash."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from audit.errors import ArchiveError
from audit.service.watch import ledger as ledgers
from audit.service.watch.ledger import READ, SET_ASIDE, Entry, File, Ledger


def done(name: str = "a.csv", state: str = READ, sha: str = "1" * 64, car: str = "alder") -> File:
    reason = "because" if state == SET_ASIDE else ""
    return File(Path("/in") / name, 10, 99, car, sha, state, reason)


def test_what_is_finished_is_known_to_the_next_start(tmp_path):
    book = Ledger(tmp_path / "ledger.sqlite")
    assert book.outcome(done()) is None
    book.finish(
        [done()],
        entries=[Entry("alder", "x", 1.0, 2.0, "", "/in/a.csv")],
        night=("alder", "2025-05-03", "hold"),
    )
    book.close()
    again = Ledger(tmp_path / "ledger.sqlite")
    assert again.outcome(done("copy.csv")) == (READ, "", "/in/a.csv")
    assert again.outcome(done(car="birch")) is None
    assert again.places() == {"/in/a.csv": (10, 99)}
    assert again.entries("alder")[0].log_id == "x"
    assert again.night("alder", "2025-05-03") == "hold"


def test_an_event_is_told_once_a_key(tmp_path):
    book = Ledger(tmp_path / "l")
    assert book.finish([done()], event=("k", {"id": "k"}))
    assert not book.finish([done()], event=("k", {"id": "k"}))
    (event,) = book.events(ways=("command",), most=3, due_before=1.0)
    book.told(event, ["command"], again_at=None)
    assert book.events(ways=("command",), most=3, due_before=1.0) == []
    assert len(book.events(ways=("command", "webhook"), most=3, due_before=1.0)) == 1


def test_telling_is_given_up_after_some_tries(tmp_path):
    book = Ledger(tmp_path / "l")
    book.finish([done()], event=("k", {}))
    for _ in range(3):
        (event,) = book.events(ways=("webhook",), most=3, due_before=5.0)
        book.told(event, [], again_at=2.0)
    assert book.events(ways=("webhook",), most=3, due_before=5.0) == []


def test_attempts_count_until_an_end(tmp_path):
    book = Ledger(tmp_path / "l")
    book.begin([done()])
    book.begin([done("renamed.csv")])
    assert book.attempts(done()) == 2
    assert book.places() == {}
    book.finish([done()])
    assert book.attempts(done("renamed.csv")) == 0


def test_what_another_version_set_aside_is_tried_again(tmp_path, monkeypatch):
    book = Ledger(tmp_path / "l")
    book.finish([done(state=SET_ASIDE), done("b.csv", sha="2" * 64)])
    assert book.outcome(done()) is not None
    monkeypatch.setattr(ledgers, "__version__", "99")
    assert book.outcome(done()) is None
    assert set(book.places()) == {"/in/b.csv"}


def test_a_torn_ledger_is_kept_aside_and_begun_anew(tmp_path):
    file = tmp_path / "ledger.sqlite"
    file.write_bytes(b"no database at all " * 100)
    book = Ledger(file)
    assert book.counts() == (0, 0)
    assert (tmp_path / "ledger.sqlite.torn-1").exists()


def test_a_ledger_of_a_newer_version_is_refused(tmp_path):
    Ledger(tmp_path / "l").close()
    with sqlite3.connect(tmp_path / "l") as db:
        db.execute("insert into inbox_format values (99)")
    db.close()
    with pytest.raises(ArchiveError, match="newer"):
        Ledger(tmp_path / "l")


def test_a_ledger_of_the_earlier_format_keeps_what_is_to_be_told(tmp_path):
    book = Ledger(tmp_path / "l")
    book.finish([done()], event=("k", {"id": "k"}))
    book.db.rows("drop table inbox_file")
    book.db.rows("update inbox_format set format = 2")
    book.close()
    again = Ledger(tmp_path / "l")
    assert again.places() == {}
    assert not again.finish([done()], event=("k", {"id": "k"}))
    assert len(again.events(ways=("command",), most=3, due_before=1.0)) == 1
