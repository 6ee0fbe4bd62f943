"""What is broken is named, and mended from what is whole."""

import dataclasses
import shutil

import numpy as np
import polars as pl
import pytest

from audit.archive.store.places import sha256_of
from audit.archive.store.store import Archive
from audit.archive.store.verify import verify
from audit.errors import ArchiveError
from audit.intake.parquet import read_log, write_log
from audit.model import FAIL, GOOD
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


def test_a_log_whose_clock_runs_back_is_found_though_its_hash_is_right(kept):
    """Every byte as it was written; but what was written is no log."""
    path = a_kept_log(kept)
    log = read_log(path)
    turned = dataclasses.replace(log, frame=log.frame.reverse())
    write_log(turned, path.with_name("turned.parquet"))
    path.unlink()
    right = path.with_name("turned.parquet")
    right.rename(right.with_name(f"{sha256_of(right)}.parquet"))
    assert any("time does not increase" in p.what for p in verify(kept.places.root))


@pytest.mark.parametrize(("flag", "kept"), [(FAIL, True), (GOOD, False)])
def test_an_impossible_sample_is_kept_as_evidence_but_never_believed(tmp_path, flag, kept):
    night = a_night(1)
    (audit,) = night.logs
    log = dataclasses.replace(
        audit.log,
        frame=audit.log.frame.with_columns(
            manifold_pressure=pl.Series([9000.0, *audit.log.values("manifold_pressure")[1:]])
        ),
    )
    flags = np.ones(log.rows, np.uint8)
    flags[0] = flag
    sanity = dataclasses.replace(
        audit.sanity, samples={**audit.sanity.samples, "manifold_pressure": flags}
    )
    changed = dataclasses.replace(audit, log=log, sanity=sanity)
    night = dataclasses.replace(night, logs=(changed,))
    archive = Archive(tmp_path)
    if kept:
        archive.add(night)
        assert verify(tmp_path) == []
    else:
        with pytest.raises(ArchiveError, match="manifold_pressure: outside 0 to 700 kPa"):
            archive.add(night)


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
