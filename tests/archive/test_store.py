"""Keeping nights: once, whole, readable."""

import datetime as dt
import os
import shutil
from types import SimpleNamespace

import polars as pl
import pytest

from audit.archive.store import tables
from audit.archive.store.rows import car_from_json, car_to_json
from audit.archive.store.store import Archive, date_of
from audit.archive.store.verify import verify
from audit.errors import ArchiveError, UsageError
from audit.model import Car, ColumnWord
from tests.archive.nights import CAR, a_log, a_night


def test_a_night_is_kept_with_its_logs_pulls_and_findings(tmp_path):
    archive = Archive(tmp_path / "a")
    added = archive.add(a_night(1, 2, rejected=True))
    assert len(added.new_logs) == 3
    assert added.known_logs == ()
    assert archive.nights().height == 1
    assert archive.logs()["status"].to_list().count("read") == 2
    assert archive.pulls().height == 4
    assert archive.findings().group_by("level").len().sort("level").rows() == [
        ("log", 2),
        ("night", 1),
        ("pull", 4),
    ]
    assert archive.pulls()["boost_peak_kpa"].min() == 92.0
    assert verify(tmp_path / "a") == []


def test_the_same_logs_again_add_nothing(tmp_path):
    archive = Archive(tmp_path)
    first = archive.add(a_night(1, 2))
    again = archive.add(a_night(2, 1))
    assert again.night_id is None
    assert set(again.known_logs) == set(first.new_logs)
    assert archive.nights().height == 1


def test_a_night_with_one_new_log_adds_only_that(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1))
    added = archive.add(a_night(1, 2))
    assert len(added.new_logs) == 1
    assert archive.logs().height == 2
    assert archive.pulls().height == 4


def test_the_same_log_under_another_car_is_kept_for_it(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(1))
    archive.add(a_night(1, car=Car(name="Quince/../..")))
    assert archive.cars() == ["Alder", "Quince/../.."]
    assert verify(tmp_path) == []
    assert not list(tmp_path.parent.glob("date=*"))


def test_a_log_comes_back_as_it_was(tmp_path):
    archive = Archive(tmp_path)
    archive.add(a_night(3))
    kept = archive.read_log(archive.logs()["file"][0])
    assert kept.frame.select("time", "engine_speed", "Tyre note").equals(
        a_log(3).frame.select("time", "engine_speed", "Tyre note")
    )
    assert kept.sha256 == a_log(3).sha256


@pytest.mark.parametrize(
    ("given", "clock", "day"),
    [
        ("2026-01-02", "2026-03-01", "2026-01-02"),
        (None, "2026-03-01", "2026-03-01"),
        (None, None, None),
    ],
)
def test_the_date_is_the_one_given_or_the_clocks_or_today(tmp_path, given, clock, day):
    archive = Archive(tmp_path)
    archive.add(a_night(1, day=clock), date=given)
    today = dt.datetime.now().astimezone().date().isoformat()
    assert archive.nights()["date"].to_list() == [day or today]


@pytest.mark.parametrize(
    ("path", "day"),
    [
        ("inbox/2025-05-03_evening/run_1.csv", "2025-05-03"),
        ("2025-01-01/run 2025-05-04.csv", "2025-05-04"),
        ("run_12025-05-041.csv", None),
    ],
)
def test_a_day_in_the_path_dates_a_night_without_a_clock(path, day):
    audit = SimpleNamespace(path=path, status="read", log=SimpleNamespace(wall_start=None))
    today = dt.datetime.now().astimezone().date().isoformat()
    assert date_of(SimpleNamespace(logs=(audit,))) == (day or today)


def test_a_wrong_date_is_told(tmp_path):
    with pytest.raises(UsageError, match="not a day"):
        Archive(tmp_path).add(a_night(1), date="last week")


def test_reading_where_there_is_none_is_told(tmp_path):
    with pytest.raises(ArchiveError, match="no archive there"):
        Archive(tmp_path / "none").nights()


def test_an_unknown_car_is_told_with_those_near(tmp_path):
    Archive(tmp_path).add(a_night(1))
    with pytest.raises(UsageError, match="Did you mean Alder"):
        Archive(tmp_path).car("Aldr")


def test_a_newer_archive_is_refused(tmp_path):
    Archive(tmp_path).add(a_night(1))
    (tmp_path / "archive.json").write_text('{"format": 99}')
    with pytest.raises(ArchiveError, match="newer pullaudit"):
        Archive(tmp_path).add(a_night(2))


def test_the_car_file_is_kept_whole():
    car = Car(
        name="A",
        target_by_gear_kpa={2: 80.0},
        channels={"lambda": ColumnWord("AFR 1", "AFR")},
        gear_ratios=(3.1, 1.9),
    )
    assert car_from_json(car_to_json(car)) == car


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_a_read_only_folder_is_told(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(ArchiveError, match="no permission"):
            Archive(tmp_path / "a").add(a_night(1))
    finally:
        tmp_path.chmod(0o700)


@pytest.mark.parametrize("step", ["write_log", "record", "move", "delta"])
def test_a_disk_full_at_any_step_leaves_all_or_nothing(tmp_path, monkeypatch, step):
    archive = Archive(tmp_path)
    archive.add(a_night(1))

    def full(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    target = {
        "write_log": "audit.intake.parquet.write_log",
        "record": "audit.archive.store.store.write_whole",
        "move": "audit.archive.store.store.move",
        "delta": "deltalake.write_deltalake",
    }[step]
    with monkeypatch.context() as patched:
        patched.setattr(target, full)
        with pytest.raises(ArchiveError, match="no space is left"):
            archive.add(a_night(2, 3))
    assert archive.nights().height in (1, 2)
    assert verify(tmp_path) == []
    archive.add(a_night(2, 3))
    assert archive.nights().height == 2
    assert archive.pulls().height == 6
    assert verify(tmp_path) == []


def test_many_small_nights_are_put_together(tmp_path, monkeypatch):
    monkeypatch.setattr(tables, "SMALL_FILES", 5)
    archive = Archive(tmp_path)
    for seed in range(12):
        archive.add(a_night(seed))
    assert len(tables.files_of(archive.places, "pull")) < 6
    assert archive.pulls().height == 24
    assert verify(tmp_path) == []


def test_an_archive_may_be_moved(tmp_path):
    Archive(tmp_path / "here").add(a_night(1))
    shutil.move(tmp_path / "here", tmp_path / "there")
    assert Archive(tmp_path / "there").pulls().height == 2
    assert verify(tmp_path / "there") == []


def test_duckdb_and_polars_read_the_tables_without_us(tmp_path):
    duckdb = pytest.importorskip("duckdb")
    archive = Archive(tmp_path)
    archive.add(a_night(1, 2))
    files = tables.files_of(archive.places, "pull")
    counted = duckdb.sql(
        f"select count(*), max(boost_peak_kpa) from read_parquet({files!r})"
    ).fetchall()
    assert counted == [(4, 94.0)]
    lazy = pl.scan_delta(str(tmp_path / "tables")).filter(pl.col("kind") == "pull")
    assert lazy.collect().height == 4
    assert CAR.name == "Alder"
