"""A file that ends torn says so, with the moment of its last whole row."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from audit.intake import read_logs
from audit.intake.parquet import log_bytes, read_log
from audit.model import Car, Log

ROWS = [f"{i / 10:.1f},{1000 + 10 * i},{98.5 + i % 3:.1f}" for i in range(60)]
TEXT = "Time (s),Engine speed (rpm),MAP (kPa)\n" + "\n".join(ROWS) + "\n"


def _read(path: Path, data: bytes) -> Log:
    path.write_bytes(data)
    (log,) = read_logs(path, car=Car(name="any"))
    assert isinstance(log, Log)
    return log


@pytest.mark.parametrize("torn", ["5.9,1590,9", "5.9,15", "5.9,1590"])
def test_a_torn_last_line(tmp_path: Path, torn: str) -> None:
    whole = TEXT[: TEXT.rindex("5.9,")]
    log = _read(tmp_path / "log.csv", (whole + torn).encode())
    assert log.cut_off_s == pytest.approx(5.8)
    (note,) = [n for n in log.notes if n.code == "sensor.gap"]
    assert note.start_s == note.end_s == pytest.approx(5.8) and "cut off" in note.message


@pytest.mark.parametrize("end", ["\n", "", "\n\n", "\r\n"])
def test_a_whole_file_is_not_cut_off(tmp_path: Path, end: str) -> None:
    log = _read(tmp_path / "log.csv", (TEXT.rstrip("\n") + end).encode())
    assert log.cut_off_s is None and log.rows == 60
    assert not any(n.code == "sensor.gap" for n in log.notes)


def test_a_torn_gzip(tmp_path: Path) -> None:
    long = "Time (s),Engine speed (rpm),MAP (kPa)\n" + "".join(
        f"{i / 10:.1f},{1000 + (i * 7919) % 5000},{30 + (i * 104729) % 97}.5\n" for i in range(4000)
    )
    packed = gzip.compress(long.encode())
    log = _read(tmp_path / "log.csv.gz", packed[: len(packed) // 2])
    assert log.cut_off_s == pytest.approx(log.time[-1]) and 0 < log.rows < 4000
    assert any(n.code == "sensor.gap" and n.start_s == log.cut_off_s for n in log.notes)
    assert _read(tmp_path / "whole.csv.gz", packed).cut_off_s is None


def test_a_file_that_ends_in_nothing_within_a_line(tmp_path: Path) -> None:
    torn = TEXT[: TEXT.rindex("5.9,")] + "5.9,1590,99.1"
    assert _read(tmp_path / "a.csv", torn.encode() + b"\0" * 512).cut_off_s == pytest.approx(5.9)
    assert _read(tmp_path / "b.csv", TEXT.encode() + b"\0" * 512).cut_off_s is None


def test_it_outlives_the_archive(tmp_path: Path) -> None:
    log = _read(tmp_path / "log.csv", TEXT[:-3].encode())
    assert log.cut_off_s is not None
    (tmp_path / "log.parquet").write_bytes(log_bytes(log))
    assert read_log(tmp_path / "log.parquet").cut_off_s == log.cut_off_s
