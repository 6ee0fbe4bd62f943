"""The table's bytes to columns of numbers; what is no data is counted and told."""

from __future__ import annotations

import numpy as np
import polars as pl

from audit.intake.bytes.encoding import Bytes
from audit.intake.raw import RawColumn, RawLog
from audit.intake.said import note, refused
from audit.intake.text.cells import Rule
from audit.intake.text.header import describe_columns
from audit.intake.text.keep import looks_like_header, stray_notes
from audit.intake.text.layout import Layout, find_layout
from audit.intake.text.lines import find_lines, single_to_double_quotes, without_blank_end
from audit.intake.text.rows import Rows, read_rows
from audit.model import Note

MOST_COLUMNS = 1500


def parse_table(data: Bytes) -> RawLog:
    """Read the first table in the text (UTF-8 bytes). Raises NotALog or UnreadableLog."""
    layout = find_layout(find_lines(single_to_double_quotes(without_blank_end(data))))
    if layout.width > MOST_COLUMNS:
        raise refused("many_columns", line=layout.first + 1, width=layout.width, most=MOST_COLUMNS)
    rows = read_rows(layout)
    if rows.frame.height == 0:
        raise refused("no_rows")
    return _finished(layout, rows)


def _finished(layout: Layout, rows: Rows) -> RawLog:
    """Names, notes and the order of what was read; a header within it begins a table of its own."""
    kept, frame, stray = rows.kept, rows.frame, rows.stray
    lines, next_table = kept.lines, kept.next_table
    odd = lines[stray]
    for i in odd[:2000].tolist():
        after = int((lines > i).sum()) - int((odd > i).sum())
        if after >= 3 and looks_like_header(layout, i, layout.width):
            next_table = i  # other columns under the same number of names: a table of its own
            frame = frame.head(frame.height - after)
            stray, odd, lines = stray[odd < i], odd[odd < i], lines[lines < i]
            break
    lines = np.delete(lines, stray)
    again = [i for i in odd[:5000].tolist() if layout.lines.text(i).strip() in layout.header_lines]
    restarts = sorted((*kept.restarts, *again))
    headers = set(again)
    told = [i for i in odd.tolist() if i not in headers]
    notes = [*kept.notes, *stray_notes(layout, told)]
    if restarts:
        notes.append(note("header_again", restarts[0] + 1, len(restarts), more=len(restarts) - 1))
    frame, columns = _named(frame, describe_columns(layout.header, kept.width), rows.rules)
    notes += _column_notes(layout, frame, columns)
    again_at = sorted({int(r) for r in np.searchsorted(lines, restarts) if 0 < r < len(lines)})
    return RawLog(
        frame,
        tuple(columns),
        lines + 1,
        layout.dialect.words,
        tuple(again_at),
        tuple(notes),
        layout.preamble,
        decimal=layout.dialect.decimal,
        made_up_header=layout.header.made_up,
        next_line=next_table,
        cut_off=kept.cut_off,
    )


def _named(
    frame: pl.DataFrame, columns: list[RawColumn], rules: dict[str, Rule | None]
) -> tuple[pl.DataFrame, list[RawColumn]]:
    """Unique column names; a column without a header and without a value goes."""
    seen: dict[str, int] = {}
    series, kept = [], []
    for i, (values, column) in enumerate(zip(frame.get_columns(), columns, strict=True)):
        empty = values.null_count() == len(values)
        if empty and not column.header.strip():
            continue
        header = column.header.strip() or f"column {i + 1}"
        name = header
        while name in seen:
            seen[header] += 1
            name = f"{header} ({seen[header]})"
        seen[name] = 1
        rule = rules.get(values.name)
        unit = rule.unit if rule is not None and rule.numeric else ""
        told = column._replace(unit=unit, unit_from="cells") if unit and not column.unit else column
        numeric = values.dtype == pl.Float64
        kept.append(told._replace(header=header, name=told.name.strip() or header, numeric=numeric))
        series.append(values.alias(name))
    return pl.DataFrame(series), kept


def _column_notes(layout: Layout, frame: pl.DataFrame, columns: list[RawColumn]) -> list[Note]:
    notes = []
    if layout.header.made_up:
        notes.append(note("no_header", first=layout.first + 1, width=frame.width))
    nulls = frame.null_count().row(0, named=True)
    if empty := [name for name, count in nulls.items() if count == frame.height]:
        names = ", ".join(empty[:6]) + (" ..." if len(empty) > 6 else "")
        notes.append(note("no_values", count=len(empty), names=names))
    twice = [c.header for c, n in zip(columns, frame.columns, strict=True) if n != c.header]
    if twice:
        names = ", ".join(dict.fromkeys(twice[:12]))
        notes.append(note("same_name", count=len(twice), names=names, one=twice[0]))
    return notes
