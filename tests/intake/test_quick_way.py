"""The short cuts of reading give what the long way gives."""

from __future__ import annotations

import numpy as np
import pytest

from audit.intake.bytes.encoding import to_utf8
from audit.intake.read import read_raw

ROWS = "\n".join(f"{i / 10:.1f},{1000 + i},{i % 7}" for i in range(200))
HEAD = "Time (s),Engine Speed (rpm),Gear\n"


def table(tmp_path, data: bytes):
    path = tmp_path / "a.csv"
    path.write_bytes(data)
    (log,) = read_raw(path)
    return log


@pytest.mark.parametrize("end", ["", "\n", "\n\n\n", "\r\n\r\n", "\n" * 5000])
def test_empty_lines_at_the_end_change_nothing(tmp_path, end):
    plain, other = (table(tmp_path, (HEAD + ROWS + e).encode()) for e in ("\n", end))
    assert other.frame.equals(plain.frame)
    assert [n.text for n in other.notes] == [n.text for n in plain.notes]


def test_a_column_of_long_numbers_that_ends_in_words_is_told_at_once(tmp_path):
    rows = "\n".join(f"{i / 10:.1f},{'1234567890' * 3},{i}" for i in range(60))
    log = table(tmp_path, (HEAD + rows + "\n6.0,off,60\n").encode())
    assert log.frame.height == 61


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (b"a,b\n1,2\n", "UTF-8"),
        ("a,°C\n1,2\n".encode(), "UTF-8"),
        ("a,°C\n1,λ\n".encode(), "UTF-8"),
        ("a,°C\n1,2\n".encode("cp1252"), "Latin-1"),
        (b"a,\xc2\xb0C\n1,\xb0\n", "Latin-1"),
    ],
)
def test_the_encoding_is_told_by_what_is_no_ascii(data, encoding):
    assert to_utf8(np.frombuffer(data, dtype=np.uint8))[1] == encoding
