"""Bad input: one sentence that names the file and the mend, never an exception."""

import os
import random
import zipfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from audit.intake.raw import RawLog, Rejected
from audit.intake.read import read_raw

ROWS = "".join(f"{i * 0.05:.2f},{900 + i},{35 + i % 3}\n" for i in range(100))
LOG = "time,rpm,map\n" + ROWS


def refused(path) -> Rejected:
    (out,) = read_raw(path)
    assert isinstance(out, Rejected), out
    assert str(path) in out.error and out.error.endswith(".") and "\n" not in out.error
    return out


@pytest.mark.parametrize(
    ("content", "words", "not_a_log"),
    [
        (b"", "empty", True),
        (b"\n\n \n", "blank lines", True),
        (b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 9, "picture", True),
        (b"\xff\xd8\xff\xe0" + bytes(500), "picture", True),
        (b"%PDF-1.7\n" + bytes(100), "PDF", True),
        (bytes(random.Random(1).randbytes(5000)), "binary", False),
        (b"time,rpm,map\n", "no row of data", False),
        (b"time,rpm,map\ns,1/min,kPa\n", "no row of data", False),
        (b"name,colour\nfoo,red\nbar,blue\nbaz,green\nqux,grey\n", "words", True),
        (b"Dear reader.\nThis is a letter, not a log.\nYours\n", "not a log", True),
        (b"<!DOCTYPE html><html></html>", "web page", False),
        (b'{"time": [1, 2]}', "JSON", False),
        (b"rpm,map\n900,35\n905,34\n890,36\n905,33\n880,35\n", "--rate HZ", False),
        (b"time,rpm,map\n" + b"0,0,0\n" * 30, "'time' stands still", False),
        (b"time\n0.1\n0.2\n0.3\n", "one column", False),
        (b"1," * 1_000_000, "line 1", False),
    ],
)
def test_refused_with_a_sentence(tmp_path, content, words, not_a_log):
    path = tmp_path / "night.csv"
    path.write_bytes(content)
    out = refused(path)
    assert words in out.error
    assert out.not_a_log is not_a_log


def test_a_missing_file_and_a_folder(tmp_path):
    assert "no such file" in refused(tmp_path / "none.csv").error
    assert "folder" in refused(tmp_path).error


def test_no_permission(tmp_path, monkeypatch):
    from pathlib import Path

    path = tmp_path / "locked.csv"
    path.write_text(LOG)

    def denied(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "read_bytes", denied)
    assert "permission" in refused(path).error


def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    assert "regular file" in refused(tmp_path / "pipe.csv").error


def test_a_spreadsheet_says_save_as_csv(tmp_path):
    path = tmp_path / "night.xlsx"
    with zipfile.ZipFile(path, "w") as book:
        book.writestr("[Content_Types].xml", "<x/>")
    assert "CSV" in refused(path).error


def test_one_row_is_a_log(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time,rpm\n0.0,900\n")
    (log,) = read_raw(path)
    assert log.frame.height == 1 and log.time.tolist() == [0.0]


def test_a_thousand_columns(tmp_path):
    path = tmp_path / "a.csv"
    names = ",".join(f"c{i} (kPa)" for i in range(999))
    rows = "".join(
        f"{i * 0.1:.1f}," + ",".join(f"{i + j}" for j in range(999)) + "\n" for i in range(20)
    )
    path.write_text(f"time,{names}\n{rows}")
    (log,) = read_raw(path)
    assert log.frame.shape == (20, 1000) and log.frame["c998 (kPa)"][3] == 3 + 998


@pytest.mark.parametrize("line", ["x" * 10_000_000, "1," * 5_000_000])
def test_a_line_of_ten_megabytes_is_skipped_and_told(tmp_path, line):
    path = tmp_path / "a.csv"
    path.write_text(
        "time,rpm,map\n" + ROWS[: ROWS.index("1.00,")] + line + "\n" + ROWS[ROWS.index("1.00,") :]
    )
    (log,) = read_raw(path)
    assert log.frame.height == 100
    assert any(n.line == 22 for n in log.notes)


def test_not_a_number_and_infinity_are_blank(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time,rpm,map\n0.0,900,inf\n0.1,NaN,35\n0.2,905,-inf\n")
    (log,) = read_raw(path)
    assert log.frame["rpm"].to_list() == [900.0, None, 905.0]
    assert log.frame["map"].to_list() == [None, 35.0, None]


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    cuts=st.lists(
        st.tuples(st.integers(0, len(LOG) - 1), st.integers(0, 40), st.binary(max_size=12)),
        min_size=1,
        max_size=6,
    )
)
def test_damaged_bytes_never_raise(tmp_path, cuts):
    data = bytearray(LOG.encode())
    for at, gone, new in cuts:
        data[at : at + gone] = new
    path = tmp_path / "a.csv"
    path.write_bytes(bytes(data))
    for out in read_raw(path):
        if isinstance(out, RawLog):
            assert len(out.time) == out.frame.height
            assert all(b > a for a, b in zip(out.time, out.time[1:], strict=False))
        else:
            assert out.error


def test_a_lone_quote_at_the_end_does_not_bring_the_parser_down(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        '"time","rpm","map"\n'
        + "".join(f'"{i * 0.05:.2f}","{900 + i}","35"\n' for i in range(80))
        + '4.00,900,"'
    )
    (log,) = read_raw(path)
    assert isinstance(log, RawLog)
    assert log.frame.height == 80
