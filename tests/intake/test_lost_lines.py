"""Line ends that are rare or lost, and packed files that no log can be: a sentence, in bounded time and memory."""

from __future__ import annotations

import gzip
import time
import zipfile
from pathlib import Path

import pytest

from audit.intake import read_logs
from audit.intake.raw import Rejected
from audit.model import Car, Log

HEAD = "Time (s),RPM,MAP (kPa),Lambda"
ROWS = [
    f"{i / 20:.2f},{900 + (i * 37) % 5000},{35 + (i * 11) % 150},{0.8 + (i % 40) / 100:.3f}"
    for i in range(3300)
]
BOUND_S = 2.0


def _read(path: Path) -> tuple[Log | Rejected, float]:
    begin = time.perf_counter()
    (one,) = read_logs(path, car=Car())
    return one, time.perf_counter() - begin


@pytest.mark.parametrize(
    "end", ["\x85", "\u2028", "\u2029", "\r", "\x1e", "\x0b", "\x0c"], ids=lambda e: f"{ord(e):x}"
)
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1"])
def test_rare_line_ends(tmp_path: Path, end: str, encoding: str) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(end.join([HEAD, *ROWS]).encode(encoding if ord(end) < 256 else "utf-8"))
    log, took = _read(path)
    assert isinstance(log, Log) and log.rows == 3300 and log.has("lambda")
    assert took < BOUND_S


@pytest.mark.parametrize("joint", ["", " ", ",", ";", "\t", "' '"])
@pytest.mark.parametrize("header", [True, False])
def test_lost_line_ends_are_told(tmp_path: Path, joint: str, header: bool) -> None:
    path = tmp_path / "night.csv"
    path.write_text((HEAD + "\n" if header else HEAD + joint) + joint.join(ROWS))
    out, took = _read(path)
    assert isinstance(out, Rejected) and took < BOUND_S
    assert f"line {2 if header else 1}" in out.error and "line breaks are lost" in out.error


@pytest.mark.parametrize("packed", ["gz", "zip"])
@pytest.mark.parametrize("unit", [b"0,", b"0", b"0,0,0,0\n", b"\n", b"\0", b" ", b'"', b"1.0,2\n"])
def test_a_bomb_is_given_up_early(tmp_path: Path, unit: bytes, packed: str) -> None:
    data = unit * (60_000_000 // len(unit))
    path = tmp_path / f"night.{packed}"
    if packed == "gz":
        path.write_bytes(gzip.compress(data, 9))
    else:
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("night.csv", data)
    assert path.stat().st_size < 150_000
    out, took = _read(path)
    assert isinstance(out, Rejected) and took < BOUND_S
    assert "bomb" in out.error or "line breaks are lost" in out.error or "binary" in out.error


def test_a_long_packed_log_is_still_read(tmp_path: Path) -> None:
    path = tmp_path / "night.csv.gz"
    rows = "".join(f"{i / 20:.2f},{900 + (i * 37) % 5000},35,0.8\n" for i in range(400_000))
    path.write_bytes(gzip.compress((HEAD + "\n" + rows).encode()))
    log, _ = _read(path)
    assert isinstance(log, Log) and log.rows == 400_000 and log.cut_off_s is None
