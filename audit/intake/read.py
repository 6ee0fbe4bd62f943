"""From a path to the recordings in it: the one door of this package's bytes side."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.bytes.containers import Source, open_sources, refuse_other_formats, starts
from audit.intake.bytes.encoding import Bytes, to_utf8
from audit.intake.clock.clock import find_clock
from audit.intake.raw import RawLog, Rejected
from audit.intake.said import note, refused, rejected
from audit.intake.text.keep import CUT_OFF
from audit.intake.text.lines import find_lines
from audit.intake.text.table import parse_table
from audit.model import Note

MOST_TABLES = 50  # tables one after another in one file
PADDING = 16  # bytes of nothing at the end from which a file was never written to its end
_ODD = (pl.exceptions.PolarsError, pl.exceptions.PanicException, ValueError, OverflowError)


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
    path = source.path
    try:
        for done, table in enumerate(_tables(source), 2):
            yield _timed(table, source, path, rate_hz)
            path = f"{source.path} (part {done})"
    except UnreadableLog as error:
        yield rejected(path, source.sha256, error)
    except (*_ODD, MemoryError) as error:
        what = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        yield rejected(source.path, source.sha256, refused("parser", what=what))


def _tables(source: Source) -> Iterator[RawLog]:
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
        for table in _text_tables(text):
            coded = "" if encoding == "UTF-8" else f", {encoding}"
            yield table._replace(dialect=table.dialect + coded)


def _sheets(source: Source) -> Iterator[RawLog]:
    """The tables of a spreadsheet; a sheet without a log is passed by where another has one."""
    from audit.intake.formats import spreadsheet_texts

    found, first = False, None
    for name, text in spreadsheet_texts(source):
        try:
            for table in _text_tables(to_utf8(np.frombuffer(text, dtype=np.uint8))[0]):
                yield table._replace(dialect=f"spreadsheet, sheet '{name}'")
                found = True
        except UnreadableLog as error:
            first = first or type(error)(f"sheet '{name}': {error}")
    if not found and first is not None:
        raise first


def _text_tables(text: Bytes) -> Iterator[RawLog]:
    offset = 0
    for _ in range(MOST_TABLES):
        table = parse_table(text)
        notes = (replace(n, line=n.line + offset) if n.line else n for n in table.notes)
        yield table._replace(lines=table.lines + offset, notes=tuple(notes))
        if table.next_line is None:
            return
        text = text[int(find_lines(text).edges[table.next_line]) :]
        offset += table.next_line


def _timed(table: RawLog, source: Source, path: str, rate_hz: float | None) -> RawLog:
    torn = table.next_line is None and (source.cut_off or _torn(source))
    timed = find_clock(table, rate_hz=rate_hz, file_name=Path(source.path).name)
    notes = list(timed.notes)
    if source.remark:
        notes.insert(0, Note(source.remark + ".", code=CUT_OFF if source.cut_off else None))
    elif torn and not table.cut_off:
        notes.insert(0, note("blank_end", int(table.lines[-1]), code=CUT_OFF))
    end = float(timed.time[-1]) if len(timed.time) else None
    notes = [
        replace(n, start_s=end, end_s=end) if n.code == CUT_OFF and n.start_s is None else n
        for n in notes
    ]
    return timed._replace(
        path=path, sha256=source.sha256, notes=tuple(notes), cut_off=table.cut_off or torn
    )


def _torn(source: Source) -> bool:
    """Whether the file ends in bytes of nothing within a line: a power cut."""
    if len(source.data) <= PADDING or source.data[-PADDING:].any():
        return False
    written = source.data[-(1 << 16) :]
    return bool(written[written != 0][-1:].tobytes() not in (b"\n", b"\r", b""))
