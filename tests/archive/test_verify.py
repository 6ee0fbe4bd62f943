"""What is broken is named, and mended from what is whole."""

import shutil

import pytest

from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.errors import ArchiveError
from tests.archive.nights import a_night


@pytest.fixture
def kept(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1, 2))
    archive.add(a_night(3, day="2026-03-08"))
    archive.journal.add("Alder", "fitted new injectors", date="2026-03-05")
    return archive


def kinds(path):
    return {p.kind for p in verify(path)}


def a_kept_log(archive):
    return next(archive.places.logs.rglob("*.parquet"))


def test_no_archive_is_told(tmp_path):
    with pytest.raises(ArchiveError, match="no archive"):
        verify(tmp_path / "none")


def test_a_changed_byte_of_a_log_is_found_and_set_aside(kept):
    log = a_kept_log(kept)
    body = bytearray(log.read_bytes())
    body[len(body) // 2] ^= 1
    log.write_bytes(bytes(body))
    (problem,) = verify(kept.places.root)
    assert problem.kind == "log"
    assert "do not match its hash" in problem.what
    assert all(p.repaired for p in verify(kept.places.root, repair=True))
    assert verify(kept.places.root) == []
    assert list(kept.places.set_aside.rglob(log.name))


def test_a_log_that_was_set_aside_can_be_added_anew(kept):
    a_kept_log(kept).unlink()
    verify(kept.places.root, repair=True)
    assert kept.logs().height == 2
    kept.add(a_night(1, 2))
    kept.add(a_night(3, day="2026-03-08"))
    assert kept.logs().height == 3
    assert kept.pulls().height == 6
    assert verify(kept.places.root) == []


def test_a_torn_record_is_made_again_from_the_tables(kept):
    before = kept.findings().sort("night_id", "message", "index")
    record = next(kept.places.records.rglob("night-*.json.gz"))
    record.write_bytes(record.read_bytes()[:50])
    assert kinds(kept.places.root) == {"record"}
    assert all(p.repaired for p in verify(kept.places.root, repair=True))
    assert verify(kept.places.root) == []
    assert kept.findings().sort("night_id", "message", "index").equals(before)


def test_torn_tables_are_made_again_from_the_records(kept):
    before = kept.pulls().sort("log_id", "index")
    last = max((kept.places.tables / "_delta_log").glob("*.json"))
    last.write_bytes(b"")
    assert "tables" in kinds(kept.places.root)
    assert all(p.repaired for p in verify(kept.places.root, repair=True))
    assert verify(kept.places.root) == []
    assert kept.pulls().sort("log_id", "index").equals(before)
    assert kept.journal.of("Alder")[0].text == "fitted new injectors"


def test_a_missing_data_file_of_the_tables_is_found(kept):
    next(kept.places.tables.rglob("*.parquet")).unlink()
    assert "tables" in kinds(kept.places.root)
    verify(kept.places.root, repair=True)
    assert verify(kept.places.root) == []


def test_lost_tables_are_made_again(kept):
    shutil.rmtree(kept.places.tables)
    assert "tables" in kinds(kept.places.root)
    verify(kept.places.root, repair=True)
    assert kept.nights().height == 2
    assert verify(kept.places.root) == []


def test_with_tables_and_records_lost_the_logs_are_screened_anew(kept, monkeypatch):
    seen = {a.sha256: a for n in (a_night(1, 2), a_night(3)) for a in n.logs}
    monkeypatch.setattr("audit.night.screen.audit_log", lambda log, car: seen[log.sha256])
    shutil.rmtree(kept.places.tables)
    shutil.rmtree(kept.places.records)
    kept.places.records.mkdir()
    assert kinds(kept.places.root) == {"orphan"}
    assert all(p.repaired for p in verify(kept.places.root, repair=True))
    assert kept.logs().height == 3
    assert kept.nights()["date"].to_list() == ["2026-03-01", "2026-03-08"]
    assert verify(kept.places.root) == []


def test_doubled_rows_are_found_and_undone(kept):
    from audit.archive.store import tables
    from audit.archive.store.record import read_record

    record = read_record(next(kept.places.records.rglob("night-*.json.gz")))
    tables.append(kept.places, record.rows)
    assert kinds(kept.places.root) == {"tables"}
    verify(kept.places.root, repair=True)
    assert kept.nights().height == 2
    assert verify(kept.places.root) == []


def test_a_lost_format_number_is_written_anew(kept):
    kept.places.format_file.write_text("{")
    assert kinds(kept.places.root) == {"format"}
    verify(kept.places.root, repair=True)
    assert verify(kept.places.root) == []


def test_a_stranger_among_the_logs_is_named(kept):
    (kept.places.logs / "car=Alder" / "date=2026-03-01" / "abc.parquet").write_text("no log")
    assert kinds(kept.places.root) == {"orphan"}
    verify(kept.places.root, repair=True)
    assert verify(kept.places.root) == []


def test_verifying_changes_nothing(kept):
    def state():
        return {
            p: p.stat().st_mtime_ns
            for p in kept.places.root.rglob("*")
            if p.is_file() and p.name != "lock"
        }

    before = state()
    verify(kept.places.root)
    assert state() == before


def test_a_commit_that_was_torn_after_it_was_read_is_found(kept):
    assert kept.nights().height == 2
    first = min((kept.places.tables / "_delta_log").glob("*.json"))
    first.write_bytes(b"")
    assert "tables" in kinds(kept.places.root)
    assert all(p.repaired for p in verify(kept.places.root, repair=True))
    assert kept.nights().height == 2
