"""Which logs are one night, and whose."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from audit.errors import CarFileError
from audit.model import LogAudit
from audit.night.days import dated
from audit.service.watch.cars import car_of
from audit.service.watch.ledger import Entry, File
from audit.service.watch.nights import entry_of, grouped, named

HOUR = 3600.0
EVENING = dt.datetime(2025, 5, 3, 21, 0, tzinfo=dt.UTC).timestamp()


def at(hours: float, name: str = "x", long_s: float = 60.0) -> Entry:
    return Entry(
        "alder", f"{name}{hours}", EVENING + hours * HOUR, EVENING + hours * HOUR + long_s, "", name
    )


def test_logs_within_four_hours_are_one_night_even_past_midnight():
    nights = grouped([at(3.5), at(0), at(7.4)])
    assert [len(n) for n in nights] == [3]
    assert nights[0][0].day == "2025-05-03"


def test_more_than_four_hours_between_begin_a_new_night():
    assert [len(n) for n in grouped([at(0), at(4.1)])] == [1, 1]
    assert [len(n) for n in grouped([at(0), at(3.9)])] == [2]


def test_the_gap_counts_from_the_end_of_the_longest_log():
    assert [len(n) for n in grouped([at(0, long_s=5 * HOUR), at(1), at(8)])] == [3]


def test_two_nights_that_begin_on_one_day_have_two_names():
    assert list(named(grouped([at(-20), at(-8)]))) == ["2025-05-03", "2025-05-03_130000"]


@pytest.mark.parametrize(
    ("name", "iso", "whole_day"),
    [
        ("2025-05-03_healthy", "2025-05-03T00:00:00", True),
        ("log_20250503.csv", "2025-05-03T00:00:00", True),
        ("20250503_194500.csv", "2025-05-03T19:45:00", False),
        ("2025-05-03 19-45.csv", "2025-05-03T19:45:00", False),
    ],
)
def test_dates_in_names(name, iso, whole_day):
    moment = dt.datetime.fromisoformat(iso).replace(tzinfo=dt.UTC)
    assert dated(name) == (moment, whole_day)


@pytest.mark.parametrize(
    "name", ["run_1.csv", "2025-13-03", "serial 120250503", "20250231.csv", "run 202505031.csv"]
)
def test_names_without_a_date(name):
    assert dated(name) is None


def test_a_date_in_a_folder_counts_before_the_files_own_time(tmp_path):
    path = tmp_path / "alder" / "2025-05-03" / "run.csv"
    entry = entry_of(LogAudit(str(path), "a" * 64, "read"), File(path), below=tmp_path)
    assert entry.day == "2025-05-03"


def test_logs_of_one_dated_day_are_one_night_and_the_next_day_another(tmp_path):
    def entry(day: str, name: str) -> Entry:
        path = tmp_path / day / name
        return entry_of(LogAudit(str(path), name, "read"), File(path), below=tmp_path)

    nights = grouped([entry("2025-05-03", "a"), entry("2025-05-03", "b"), entry("2025-05-04", "c")])
    assert [[e.log_id for e in n] for n in nights] == [["a", "b"], ["c"]]


def car_file(path: Path, name: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(f'name = "{name}"\n', encoding="utf-8")
    return path


def test_a_log_belongs_to_the_car_file_of_its_folder_else_to_the_folder(tmp_path):
    car_file(tmp_path / "one" / "car.toml", "the blue one")
    assert car_of(tmp_path, tmp_path / "one" / "may" / "run.csv").name == "the blue one"
    assert car_of(tmp_path, tmp_path / "two" / "may" / "run.csv").name == "two"
    assert car_of(tmp_path, tmp_path / "run.csv").name == "unnamed car"


def test_a_rule_of_the_inbox_comes_first(tmp_path):
    car_file(tmp_path / "cars" / "red.toml", "the red one")
    (tmp_path / "inbox.toml").write_text(
        '[[car]]\nlogs = "red_*"\nfile = "cars/red.toml"\n', encoding="utf-8"
    )
    assert car_of(tmp_path, tmp_path / "red_1.csv").name == "the red one"
    assert car_of(tmp_path, tmp_path / "blue_1.csv").name == "unnamed car"


def test_a_car_file_is_read_again_when_it_changes(tmp_path):
    file = car_file(tmp_path / "one" / "car.toml", "first")
    assert car_of(tmp_path, tmp_path / "one" / "a.csv").name == "first"
    car_file(file, "second name")
    assert car_of(tmp_path, tmp_path / "one" / "a.csv").name == "second name"


@pytest.mark.parametrize(
    "text", ["[[car]]\nlogs = 3\nfile = 'x'\n", "[[car]\n", "color = 1\n", "[[car]]\nlogs = 'a'\n"]
)
def test_a_wrong_rule_is_told_with_its_file(tmp_path, text):
    (tmp_path / "inbox.toml").write_text(text, encoding="utf-8")
    with pytest.raises(CarFileError, match=r"inbox\.toml"):
        car_of(tmp_path, tmp_path / "a.csv")
