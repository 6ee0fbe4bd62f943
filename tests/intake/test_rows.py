"""The short cuts of reading give what the long way gives."""

from __future__ import annotations

import numpy as np
import pytest

from audit.intake.bytes.encoding import to_utf8
from audit.intake.read import read_raw
from audit.intake.text.keep import choose_lines
from audit.intake.text.layout import find_layout
from audit.intake.text.lines import find_lines
from audit.intake.text.rows import Stretches, in_one_go, in_stretches, plain_columns, read_rows

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


def rows_of(name: str) -> tuple[str, list[str]]:
    """A header and rows enough for several stretches, in one dialect."""
    plain = [
        [f"{i / 10:.1f}", str(1000 + i % 4000), f"{i % 97}.5", f"{i % 7}.25"] for i in range(30_000)
    ]
    if name == "quoted":
        return '"t","a","b","c"', [",".join(f'"{c}"' for c in row) for row in plain]
    if name == "semicolon":
        return "t;a;b;c", [";".join(row).replace(".", ",") for row in plain]
    if name == "dates":  # decimal commas beside dates with points
        rows = [";".join(row).replace(".", ",") for row in plain]
        return "t;a;b;c;day", [f"{row};20.11.2026" for row in rows]
    if name == "words":
        return "t,a,b,c", [
            f"{t},{a},{'n/a' if i % 2 else b},{c}" for i, (t, a, b, c) in enumerate(plain)
        ]
    if name == "units":
        return "t,a,b,c", [f"{t},{a} rpm,{b},{c}" for t, a, b, c in plain]
    return "t,a,b,c", [",".join(row) for row in plain]


DIALECTS = ["comma", "quoted", "semicolon", "dates", "words", "units"]


def layout_of(header: str, rows: list[str]):
    data = np.frombuffer("\n".join([header, *rows, ""]).encode(), dtype=np.uint8)
    return find_layout(find_lines(data))


@pytest.mark.parametrize("name", DIALECTS)
def test_the_fast_reader_takes_a_sound_table_whole_and_reads_what_the_long_way_reads(name):
    layout = layout_of(*rows_of(name))
    found = in_one_go(layout, plain_columns(layout))
    assert found is not None
    slow = in_stretches(layout, {}, choose_lines(layout))
    assert found.frame.equals(slow.frame) and not slow.stray.any()
    assert found.frame.schema == slow.frame.schema


@pytest.mark.parametrize("name", DIALECTS)
@pytest.mark.parametrize("damage", ["marker", "#VALUE!", '"', "12..5"])
def test_damage_costs_its_own_stretch_and_changes_nothing_else(name, damage, monkeypatch):
    header, rows = rows_of(name)
    mark = ";" if name in ("semicolon", "dates") else ","
    cells = rows[20_000].split(mark)
    rows[20_000] = mark.join([cells[0], damage, *cells[2:]]) if damage != "marker" else damage
    layout = layout_of(header, rows)
    seen = []
    as_text = Stretches.as_text
    monkeypatch.setattr(
        Stretches,
        "as_text",
        lambda s, b, n, tries: seen.append(n) or as_text(s, b, n, tries=tries),
    )
    found = read_rows(layout)
    assert sum(seen) < 10_000  # of 30,000 rows
    slow = in_stretches(layout, {}, choose_lines(layout))
    assert found.frame.equals(slow.frame)
    np.testing.assert_array_equal(found.stray, slow.stray)


def test_what_stands_in_a_second_table_is_not_told_of_the_first(tmp_path):
    rows = [f"{i / 10:.1f},{900 + i},35" for i in range(30)]
    text = "\n".join(
        ["time,rpm,map", *rows, "time,map,rpm", *rows[:9], "session two", *rows[9:], ""]
    )
    path = tmp_path / "a.csv"
    path.write_text(text)
    first, second = read_raw(path)
    assert first.frame.height == second.frame.height == 30
    assert not any("no row of data" in n.message for n in first.notes)
    assert [n.line for n in second.notes if "no row of data" in n.message] == [42]


def test_lines_that_are_no_rows_are_told_once(tmp_path):
    rows = [f"{i / 10:.1f},{900 + i},35" for i in range(30)]
    path = tmp_path / "a.csv"
    # one has too few cells, the other words where numbers should be
    path.write_text(
        "\n".join(["time,rpm,map", *rows[:9], "marker", *rows[9:19], "off,5,off", *rows[19:], ""])
    )
    (log,) = read_raw(path)
    (told,) = [n for n in log.notes if "no rows of data" in n.message]
    assert told.count == 2 and "line 11, 22" in told.message and log.frame.height == 30


@pytest.mark.parametrize("rows", [0, 40])
def test_a_cell_too_long_to_be_parted_off_is_read_all_the_same(tmp_path, rows):
    text = HEAD + ROWS + "\n20.0," + "x" * 300_000 + ",3\n"
    text += "".join(f"{20.1 + i / 10:.1f},{1000 + i},1\n" for i in range(rows))
    path = tmp_path / "a.csv"
    path.write_text(text)
    (log,) = read_raw(path)
    assert log.frame.height == 201 + rows and log.frame["Engine Speed (rpm)"].null_count() == 1
