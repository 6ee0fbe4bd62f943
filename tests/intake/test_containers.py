"""Zip, gzip, Parquet and MDF: told by content, bombs and stray paths refused."""

import gzip
import hashlib
import zipfile

import polars as pl
import pytest

from audit.intake.bytes import containers
from audit.intake.raw import RawLog, Rejected
from audit.intake.read import read_raw

LOG = (
    "time,rpm,map\n" + "".join(f"{i * 0.05:.2f},{900 + i},{35 + i % 3}\n" for i in range(100))
).encode()


def test_gzip_under_any_name(tmp_path):
    (tmp_path / "night.csv").write_bytes(gzip.compress(LOG))
    (log,) = read_raw(tmp_path / "night.csv")
    assert log.frame.height == 100 and log.sha256 == hashlib.sha256(LOG).hexdigest()


def test_a_cut_gzip_gives_what_is_there_and_says_so(tmp_path):
    (tmp_path / "night.gz").write_bytes(gzip.compress(LOG)[:-60])
    (log,) = read_raw(tmp_path / "night.gz")
    assert 10 < log.frame.height < 100 and any("cut off" in n.message for n in log.notes)


def test_a_zip_gives_one_entry_a_log(tmp_path):
    path = tmp_path / "night.zip"
    with zipfile.ZipFile(path, "w") as z:
        z.writestr("a.csv", LOG)
        z.writestr("sub/b.csv", LOG.replace(b",", b";"))
        z.writestr("__MACOSX/a.csv", b"x")
        z.writestr("photo.png", b"\x89PNG\r\n\x1a\n" + bytes(50))
    first, second, picture = read_raw(path)
    assert first.path == f"{path}/a.csv" and first.sha256 == hashlib.sha256(LOG).hexdigest()
    assert second.path == f"{path}/sub/b.csv" and second.frame.equals(first.frame)
    assert isinstance(picture, Rejected) and picture.not_a_log


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("../evil.csv", "out of the archive"),
        ("/etc/evil.csv", "out of the archive"),
        ("C:\\evil.csv", "out of the archive"),
    ],
)
def test_paths_that_leave_the_archive_are_refused(tmp_path, name, words):
    with zipfile.ZipFile(tmp_path / "n.zip", "w") as z:
        z.writestr(name, LOG)
    (out,) = read_raw(tmp_path / "n.zip")
    assert isinstance(out, Rejected) and words in out.error


def test_nested_archives_are_refused(tmp_path):
    with zipfile.ZipFile(tmp_path / "n.zip", "w") as z:
        z.writestr("inner.gz", gzip.compress(LOG))
    (out,) = read_raw(tmp_path / "n.zip")
    assert "inside an archive" in out.error


@pytest.mark.parametrize("kind", ["zip", "gzip"])
def test_bombs_are_refused(tmp_path, monkeypatch, kind):
    monkeypatch.setattr(containers, "RATIO_FREE", 1 << 20)
    path = tmp_path / "bomb"
    if kind == "zip":
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as z:
            z.writestr("a.csv", b"0" * (20 << 20))
    else:
        path.write_bytes(gzip.compress(b"0" * (20 << 20)))
    (out,) = read_raw(path)
    assert "bomb" in out.error


def test_too_large_to_unpack_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(containers, "MAX_BYTES", 1000)
    (tmp_path / "a.gz").write_bytes(gzip.compress(LOG))
    assert isinstance(read_raw(tmp_path / "a.gz")[0], Rejected)


def test_any_parquet_reads(tmp_path):
    frame = pl.DataFrame(
        {"time": [0.0, 0.1, 0.2], "RPM (rpm)": [900, 905, 910], "state": ["a", "b", "c"]}
    )
    frame.write_parquet(tmp_path / "p.parquet")
    (log,) = read_raw(tmp_path / "p.parquet")
    assert isinstance(log, RawLog)
    assert (
        log.frame["RPM (rpm)"].to_list() == [900.0, 905.0, 910.0] and log.columns[1].unit == "rpm"
    )
    assert log.frame["state"].to_list() == ["a", "b", "c"]


def test_a_torn_parquet_is_refused(tmp_path):
    (tmp_path / "p.parquet").write_bytes(b"PAR1" + bytes(100))
    assert "damaged Parquet" in read_raw(tmp_path / "p.parquet")[0].error


def test_mdf_without_its_reader_says_how_to_get_it(tmp_path, monkeypatch):
    import importlib.util

    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    (tmp_path / "m.mf4").write_bytes(b"MDF     4.10    " + bytes(200))
    assert "pip install 'pullaudit[mdf]'" in read_raw(tmp_path / "m.mf4")[0].error


def test_an_mdf_file_reads_all_groups_on_one_clock(tmp_path):
    asammdf = pytest.importorskip("asammdf")
    import numpy as np

    fast, slow = np.arange(100) * 0.05, np.arange(10) * 0.5
    with asammdf.MDF(version="4.10") as mdf:
        mdf.append([asammdf.Signal(900 + fast * 10, fast, name="rpm", unit="rpm")])
        mdf.append([asammdf.Signal(80 + slow, slow, name="coolant", unit="°C")])
        mdf.save(tmp_path / "m.mf4")
    (log,) = read_raw(tmp_path / "m.mf4")
    assert [c.unit for c in log.columns] == ["s", "rpm", "°C"]
    assert log.frame["coolant"].drop_nulls().to_list() == [80 + t for t in slow]
    np.testing.assert_allclose(log.time, fast)
