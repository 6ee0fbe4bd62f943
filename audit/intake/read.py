"""From a path to the recordings in it: the one door of this package's bytes side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.bytes.containers import (
    Source,
    open_sources,
    refuse_other_formats,
    rejected,
    starts,
)
from audit.intake.bytes.encoding import Bytes, to_utf8
from audit.intake.clock.clock import find_clock
from audit.intake.raw import RawLog, Rejected
from audit.intake.text.keep import CUT_OFF
from audit.intake.text.parse import parse_table
from audit.intake.text.table import Table
from audit.model import Note

MOST_TABLES = 50  # tables one after another in one file
PADDING = 16  # bytes of nothing at the end from which a file was never written to its end


def read_raw(path: Path, *, rate_hz: float | None = None) -> list[RawLog | Rejected]:
    """Each recording behind a path (several for a zip), read or rejected with a sentence. Never
    raises for bad content.

    rate_hz: rows a second, used for a log without a time column.
    """
    out: list[RawLog | Rejected] = []
    for source in open_sources(path):
        if isinstance(source, Rejected):
            out.append(source)
        else:
            out.extend(_read_source(source, rate_hz))
    return out


def _read_source(source: Source, rate_hz: float | None) -> Iterator[RawLog | Rejected]:
    done = 0
    try:
        for table in _tables(source):
            path = source.path if done == 0 else f"{source.path} (part {done + 1})"
            yield _timed(table, source, path, rate_hz)
            done += 1
    except UnreadableLog as error:
        yield rejected(
            source.path if done == 0 else f"{source.path} (part {done + 1})", source.sha256, error
        )
    except (
        pl.exceptions.PolarsError,
        pl.exceptions.PanicException,
        ValueError,
        OverflowError,
        MemoryError,
    ) as error:
        what = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        yield rejected(
            source.path,
            source.sha256,
            UnreadableLog(f"its table cannot be read ({what}). Export it again as plain CSV"),
        )


def _tables(source: Source) -> Iterator[Table]:
    if starts(source.data, b"PAR1"):
        from audit.intake.formats import read_parquet

        yield read_parquet(source)
    elif starts(source.data, b"MDF     ") or starts(source.data, b"UnFinMF "):
        from audit.intake.formats import read_mdf

        yield read_mdf(source)
    elif starts(source.data, b"PK\x03\x04"):
        yield from _sheets(source)
    else:
        refuse_other_formats(source.data)
        text, encoding = to_utf8(source.data)
        yield from _text_tables(text, encoding)


def _sheets(source: Source) -> Iterator[Table]:
    """The tables of a spreadsheet; a sheet without a log in it is passed by where another has
    one.
    """
    from audit.intake.formats import spreadsheet_texts

    found, first = False, None
    for name, text in spreadsheet_texts(source):
        try:
            utf8, _ = to_utf8(np.frombuffer(text, dtype=np.uint8))
            for table in _text_tables(utf8, "UTF-8"):
                yield replace(table, words=f"spreadsheet, sheet '{name}'")
                found = True
        except UnreadableLog as error:
            first = first or type(error)(f"sheet '{name}': {error}")
    if not found and first is not None:
        raise first


def _text_tables(text: Bytes, encoding: str) -> Iterator[Table]:
    offset = 0
    for _ in range(MOST_TABLES):
        table = parse_table(text)
        words = table.words if encoding == "UTF-8" else f"{table.words}, {encoding}"
        notes = tuple(_moved(note, offset) for note in table.notes)
        yield replace(table, words=words, lines=table.lines + offset, notes=notes)
        if table.next_line is None:
            return
        from audit.intake.text.lines import find_lines

        text = text[int(find_lines(text).starts[table.next_line]) :]
        offset += table.next_line


def _moved(note: Note, offset: int) -> Note:
    return note if note.line is None or not offset else replace(note, line=note.line + offset)


def _timed(table: Table, source: Source, path: str, rate_hz: float | None) -> RawLog:
    timed = find_clock(table, rate_hz=rate_hz, file_name=Path(source.path).name)
    notes = [*table.notes, *timed.notes]
    cut_off = table.cut_off or (table.next_line is None and _torn(source))
    if source.remark:
        notes.insert(0, Note(source.remark + ".", code=CUT_OFF if source.cut_off else None))
    elif cut_off and not table.cut_off:
        last = int(table.lines[-1])
        notes.insert(
            0,
            Note(
                f"the file is cut off after line {last}: blank from there on.", last, code=CUT_OFF
            ),
        )
    end = float(timed.time[-1]) if len(timed.time) else None
    return RawLog(
        path,
        source.sha256,
        timed.frame,
        table.columns,
        timed.time,
        timed.clock,
        tuple(_at_the_end(note, end) for note in notes),
        table.preamble,
        table.words,
        cut_off,
    )


def _torn(source: Source) -> bool:
    """Whether the stream ends before its end, or the file in bytes of nothing within a line: a
    power cut.
    """
    if source.cut_off or len(source.data) <= PADDING or source.data[-PADDING:].any():
        return source.cut_off
    written = source.data[-(1 << 16) :]
    return bool(written[written != 0][-1:].tobytes() not in (b"\n", b"\r", b""))


def _at_the_end(note: Note, end_s: float | None) -> Note:
    """A note of a torn end, with the moment of the last row that was read."""
    if note.code != CUT_OFF or note.start_s is not None:
        return note
    return replace(note, start_s=end_s, end_s=end_s)
