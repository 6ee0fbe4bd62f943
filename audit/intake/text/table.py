"""The table's bytes to columns of numbers; what is no data is counted and told."""

from __future__ import annotations

import numpy as np
import polars as pl

from audit.intake.bytes.encoding import Bytes
from audit.intake.raw import RawColumn, RawLog
from audit.intake.said import note, refused
from audit.intake.text.header import describe_columns
from audit.intake.text.keep import next_table_in, what_is_odd
from audit.intake.text.layout import find_layout
from audit.intake.text.lines import find_lines, refuse_lost_ends, single_to_double_quotes
from audit.intake.text.rows import Rules, read_rows
from audit.model import Note

MOST_COLUMNS = 1500


def parse_table(data: Bytes) -> RawLog:
    """Read the first table in the text (UTF-8 bytes). Raises NotALog or UnreadableLog."""
    lines = find_lines(single_to_double_quotes(data))
    refuse_lost_ends(lines)
    layout = find_layout(lines)
    header = layout.header
    if layout.width > MOST_COLUMNS:
        raise refused("many_columns", line=layout.first + 1, width=layout.width, most=MOST_COLUMNS)
    kept, frame, rules, stray = read_rows(layout)
    if frame.height == 0:
        raise refused("no_rows")
    read = np.flatnonzero(kept.mask) + layout.first
    rows, odd, next_table = read[~stray], read[stray], kept.next_table
    begins = next_table_in(layout, odd)
    if begins is not None:  # other columns under the same number of names: a table of its own
        rows, odd, next_table = rows[rows < begins], odd[odd < begins], begins
        frame = frame.head(len(rows))
    odd = np.sort(np.concatenate((odd, kept.odd)))
    again, notes = what_is_odd(layout, odd[odd < (next_table or len(lines))].tolist())
    restarts = {int(i) for i in np.searchsorted(rows, again) if 0 < i < len(rows)}
    frame, columns = _named(frame, describe_columns(header, kept.width), rules)
    notes += kept.notes
    if again:
        notes.append(note("header_again", again[0] + 1, len(again), more=len(again) - 1))
    if header.made_up:
        notes.append(note("no_header", first=layout.first + 1, width=frame.width))
    return RawLog(
        frame,
        tuple(columns),
        rows + 1,
        layout.dialect.words,
        tuple(sorted(restarts)),
        (*notes, *_column_notes(frame, columns)),
        layout.preamble,
        decimal=layout.dialect.decimal,
        made_up_header=header.made_up,
        next_line=next_table,
        cut_off=kept.cut_off,
    )


def _named(
    frame: pl.DataFrame, columns: list[RawColumn], rules: Rules
) -> tuple[pl.DataFrame, list[RawColumn]]:
    """Unique column names; a column without a header and without a value goes."""
    seen: dict[str, int] = {}
    series, kept = [], []
    for i, (values, column) in enumerate(zip(frame.get_columns(), columns, strict=True)):
        if values.null_count() == len(values) and not column.header.strip():
            continue
        name = header = column.header.strip() or f"column {i + 1}"
        while name in seen:
            seen[header] += 1
            name = f"{header} ({seen[header]})"
        seen[name] = 1
        rule = rules.get(values.name)
        if rule is not None and rule.numeric and rule.unit and not column.unit:
            column = column._replace(unit=rule.unit, unit_from="cells")  # noqa: PLW2901
        told = column.name.strip() or header
        numeric = values.dtype == pl.Float64
        kept.append(column._replace(header=header, name=told, numeric=numeric))
        series.append(values.alias(name))
    return pl.DataFrame(series), kept


def _column_notes(frame: pl.DataFrame, columns: list[RawColumn]) -> list[Note]:
    notes = []
    if empty := [c.name for c in frame.get_columns() if c.null_count() == frame.height]:
        names = ", ".join(empty[:6]) + (" ..." if len(empty) > 6 else "")
        notes.append(note("no_values", count=len(empty), names=names))
    twice = [c.header for c, n in zip(columns, frame.columns, strict=True) if n != c.header]
    if twice:
        names = ", ".join(dict.fromkeys(twice[:12]))
        notes.append(note("same_name", count=len(twice), names=names, one=twice[0]))
    return notes
