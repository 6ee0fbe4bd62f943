"""A table as read: names, notes and the order of its rows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from audit.intake.raw import RawColumn
from audit.intake.text.cells import Rule
from audit.intake.text.header import describe_columns
from audit.intake.text.keep import looks_like_header, stray_notes
from audit.intake.text.layout import Layout
from audit.intake.text.lines import Ints
from audit.intake.text.rows import Rows
from audit.model import Note


@dataclass(frozen=True, eq=False)
class Table:
    """A table as read, before its clock is understood. lines: 1-based source line of each row."""

    frame: pl.DataFrame
    columns: tuple[RawColumn, ...]
    lines: Ints
    words: str
    restarts: tuple[int, ...] = ()  # rows that follow a repeated header
    notes: tuple[Note, ...] = ()
    preamble: tuple[str, ...] = ()
    decimal: str = "."
    made_up_header: bool = False
    next_line: int | None = None  # where another table with other columns begins, 0-based
    cut_off: bool = False  # its last line was torn, and left out


def finish(layout: Layout, rows: Rows) -> Table:
    """Names, notes and the order of what was read; a header within it begins a table of its own."""
    kept, frame, stray = rows.kept, rows.frame, rows.stray
    lines, next_table = kept.lines, kept.next_table
    notes, restarts = list(kept.notes), list(kept.restarts)
    if len(stray):
        odd = lines[stray]
        for i in odd[:2000].tolist():
            rows_after = int((lines > i).sum()) - int((odd > i).sum())
            if rows_after >= 3 and looks_like_header(layout, i):
                next_table = i  # other columns under the same number of names: a table of its own
                frame = frame.head(frame.height - rows_after)
                stray, odd, lines = stray[odd < i], odd[odd < i], lines[lines < i]
                break
        lines = np.delete(lines, stray)
        again = [
            int(i) for i in odd[:5000] if layout.lines.text(int(i)).strip() in layout.header_lines
        ]
        restarts = sorted(restarts + again)
        known = set(again)
        notes += stray_notes(layout, [int(i) for i in odd if int(i) not in known])
    if restarts:
        notes.append(
            Note(
                f"the header comes again at line {restarts[0] + 1}"
                + (f" and {len(restarts) - 1} more times" if len(restarts) > 1 else "")
                + ": the logger was started anew in the same file.",
                line=restarts[0] + 1,
                count=len(restarts),
            )
        )
    columns = describe_columns(layout.header, kept.width)
    frame, columns = _named(frame, columns, rows.rules)
    notes += _column_notes(layout, frame, columns)
    again_at = sorted({int(r) for r in np.searchsorted(lines, restarts) if 0 < r < len(lines)})
    return Table(
        frame,
        tuple(columns),
        lines + 1,
        layout.dialect.words,
        tuple(again_at),
        tuple(notes),
        layout.preamble,
        layout.dialect.decimal,
        layout.header.made_up,
        next_table,
        kept.cut_off,
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
        told = replace(column, unit=unit, unit_from="cells") if unit and not column.unit else column
        numeric = values.dtype == pl.Float64
        kept.append(replace(told, header=header, name=told.name.strip() or header, numeric=numeric))
        series.append(values.alias(name))
    return pl.DataFrame(series), kept


def _column_notes(layout: Layout, frame: pl.DataFrame, columns: list[RawColumn]) -> list[Note]:
    notes = []
    if layout.header.made_up:
        notes.append(
            Note(
                f"no header above line {layout.first + 1}: the columns are called 'column 1' to "
                f"'column {frame.width}'. Say which is which in the car file under [channels], or "
                "export the log with its header."
            )
        )
    empty = [
        n
        for n, count in zip(frame.columns, frame.null_count().row(0), strict=True)
        if count == frame.height
    ]
    if empty:
        notes.append(
            Note(
                (
                    f"{len(empty)} columns hold no value: "
                    f"{', '.join(empty[:6])}{' ...' if len(empty) > 6 else ''}."
                ),
                count=len(empty),
            )
        )
    twice = [c.header for c, n in zip(columns, frame.columns, strict=True) if n != c.header]
    if twice:
        notes.append(
            Note(
                (
                    f"columns of the same name: {', '.join(dict.fromkeys(twice[:12]))}; the later "
                    f"ones are kept as '{twice[0]} (2)' and so on."
                ),
                count=len(twice),
            )
        )
    return notes
