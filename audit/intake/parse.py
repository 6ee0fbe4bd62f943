"""The table's bytes to columns of numbers, by polars' own CSV parser; what is no data is counted and told."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.cells import Rule, decimal_of_table, finite, learn, no_numbers, to_numbers
from audit.intake.encoding import Bytes
from audit.intake.header import describe_columns
from audit.intake.keep import Kept, choose_lines, last_cell_is_short, stray_notes
from audit.intake.layout import Layout, find_layout
from audit.intake.lines import Ints, find_lines
from audit.intake.raw import RawColumn
from audit.model import Note

SAMPLE_ROWS = 400
BLOCK = 1 << 26  # bytes parsed at once

Schema = dict[str, pl.DataType]


@dataclass(frozen=True, eq=False)
class Table:
    """A table as read, before its clock is understood. lines: 1-based source line of each row."""

    frame: pl.DataFrame
    columns: tuple[RawColumn, ...]
    lines: Ints
    restarts: tuple[int, ...]  # rows that follow a repeated header
    notes: tuple[Note, ...]
    preamble: tuple[str, ...]
    words: str
    decimal: str = "."
    made_up_header: bool = False
    next_line: int | None = None  # where another table with other columns begins, 0-based


def parse_table(data: Bytes) -> Table:
    """Read the first table in the text (UTF-8 bytes). Raises NotALog or UnreadableLog."""
    layout = find_layout(find_lines(data))
    names = [f"c{i}" for i in range(layout.width)]
    plan = _plan(layout, names)
    quick = _quick(layout, names, plan)
    if quick is not None:
        kept = Kept(lines=np.arange(layout.first, len(layout.lines)), width=layout.width)
        frame, dropped = quick, pl.Series([], dtype=pl.UInt32)
        rules = plan.rules
    else:
        kept = choose_lines(layout)
        names = [f"c{i}" for i in range(kept.width)]
        frame, rules, dropped = _slow(layout, kept, names, plan)
    if frame.height == 0:
        raise UnreadableLog("a header but no row of data below it. Copy the log from the logger again")
    return _finish(layout, kept, frame, rules, dropped)


# --- the plan: what each column seems to be, from a sample ------------------------------------------

@dataclass(frozen=True, slots=True)
class _Plan:
    clean: dict[str, bool]  # parses as it stands
    rules: dict[str, Rule | None]
    decimal: str


def _plan(layout: Layout, names: list[str]) -> _Plan:
    sample = _sample_frame(layout, names)
    columns = [sample[n].str.strip_chars() for n in names]
    decimal = layout.dialect.decimal
    clean: dict[str, bool] = {}
    messy = []
    for name, cells in zip(names, columns, strict=True):
        text = cells.str.replace(",", ".", literal=True) if decimal == "," else cells
        clean[name] = text.cast(pl.Float64, strict=False).null_count() == cells.null_count()
        if decimal == "," and clean[name] and cells.str.contains(".", literal=True).any():
            clean[name] = False
        if not clean[name]:
            messy.append(cells)
    if decimal == "," or messy:
        decimal = decimal_of_table(columns if decimal == "," else messy, decimal)
    rules = {n: (Rule(True, decimal) if clean[n] else learn(c, decimal)) for n, c in zip(names, columns, strict=True)}
    return _Plan(clean, rules, decimal)


def _sample_frame(layout: Layout, names: list[str]) -> pl.DataFrame:
    """Up to SAMPLE_ROWS rows as text: the head, and blocks spread over the rest."""
    lines, total = layout.lines, len(layout.lines) - layout.first
    if total <= SAMPLE_ROWS:
        spans = [(layout.first, len(lines))]
    else:
        at = np.linspace(layout.first + SAMPLE_ROWS // 2, len(lines) - 50, 4).astype(int).tolist()
        spans = [(layout.first, layout.first + SAMPLE_ROWS // 2)] + [(a, a + 50) for a in at]
    parts = []
    for a, b in spans:
        counts = lines.delimiters(a, b, layout.delimiter, quotes=layout.dialect.quotes)
        likely = np.abs(counts - (layout.width - 1)) <= max(1, layout.width // 3)
        parts.append(_masked(layout, a, b, likely))
    body = b"".join(p if p.endswith(b"\n") else p + b"\n" for p in parts if p)
    schema = _texts(names)
    try:
        return _read_csv(body, schema, layout, ragged=True, quoted=layout.dialect.quotes)
    except pl.exceptions.PolarsError:
        return _read_csv(body, schema, layout, ragged=True, quoted=False)


def _masked(layout: Layout, first: int, to: int, keep: np.ndarray) -> bytes:
    block = layout.lines.slice(first, to)
    if keep.all():
        return block.tobytes()
    begin = int(layout.lines.starts[first])
    lengths = np.diff(np.minimum(layout.lines.stops[first:to] + 1 - begin, len(block)), prepend=0)
    return block[np.repeat(keep, lengths)].tobytes()


def _texts(names: list[str]) -> Schema:
    return dict.fromkeys(names, pl.String())


def _read_csv(body: bytes, schema: Schema, layout: Layout, *, ragged: bool, quoted: bool) -> pl.DataFrame:
    if not body.strip(b"\r\n"):
        return pl.DataFrame(schema=schema)
    return pl.read_csv(
        body, has_header=False, schema=schema, separator=chr(layout.delimiter), quote_char='"' if quoted else None,
        decimal_comma=layout.dialect.decimal == "," and layout.delimiter != ord(","),
        extra_columns="ignore" if ragged else "raise", missing_columns="insert" if ragged else "raise",
    )


# --- the whole file ---------------------------------------------------------------------------------

def _quick(layout: Layout, names: list[str], plan: _Plan) -> pl.DataFrame | None:
    """The table read in one go, when every line is a row and clean columns parse as they stand; else None."""
    schema: Schema = {n: (pl.Float64() if plan.clean[n] else pl.String()) for n in names}
    frames = []
    for a, b in layout.lines.blocks(layout.first, BLOCK):
        block = layout.lines.slice(a, b)
        if layout.dialect.quotes:
            counts = layout.lines.delimiters(a, b, layout.delimiter, quotes=True)
            if not (counts == layout.width - 1).all():
                return None
        elif int(np.count_nonzero(block == layout.delimiter)) != (b - a) * (layout.width - 1):
            return None
        if plan.decimal == "," and any(plan.clean.values()) and bool((block == 46).any()):
            return None
        try:
            frame = _read_csv(block.tobytes(), schema, layout, ragged=False, quoted=layout.dialect.quotes)
        except pl.exceptions.PolarsError:
            return None
        if frame.height != b - a:
            return None
        frames.append(frame)
    if layout.lines.ends_open and last_cell_is_short(layout, len(layout.lines) - 1 - layout.first):
        return None
    whole = pl.concat(frames, rechunk=False) if len(frames) > 1 else frames[0]
    columns = [finite(whole[n]) if plan.clean[n] else _by_rule(whole[n], plan) for n in names]
    return pl.DataFrame(columns)


def _by_rule(text: pl.Series, plan: _Plan) -> pl.Series:
    """A column that does not parse as it stands, in a table that is sound otherwise."""
    rule = plan.rules[text.name]
    cells = _blank_to_null(text.str.strip_chars())
    if rule is None:
        rule = plan.rules[text.name] = learn(cells.drop_nulls().head(SAMPLE_ROWS), plan.decimal)
    if rule is None:
        return pl.Series(text.name, [None] * len(text), dtype=pl.Float64)
    return to_numbers(cells, rule).alias(text.name) if rule.numeric else cells


def _slow(
    layout: Layout, kept: Kept, names: list[str], plan: _Plan
) -> tuple[pl.DataFrame, dict[str, Rule | None], pl.Series]:
    """Every column as text, then to numbers by its rule; and the rows (by position) that hold no numbers."""
    rules = {n: plan.rules.get(n) for n in names}
    frames, strays, at = [], [], 0
    for a, b in layout.lines.blocks(layout.first, BLOCK):
        body = _masked(layout, a, b, kept.mask[a - layout.first : b - layout.first])
        text = _read_csv(body, _texts(names), layout, ragged=True, quoted=layout.dialect.quotes and kept.quotes)
        expected = int(kept.mask[a - layout.first : b - layout.first].sum())
        if text.height != expected:
            text = _read_csv(body, _texts(names), layout, ragged=True, quoted=False)
        for name in names:
            if rules[name] is None:
                rules[name] = learn(text[name].drop_nulls().head(SAMPLE_ROWS), plan.decimal)
        frame, stray = _convert(text, rules)
        strays.append(stray.cast(pl.UInt32) + at)
        at += frame.height
        frames.append(frame.filter(~pl.Series(np.isin(np.arange(frame.height), stray.to_numpy()))) if len(stray) else frame)
    if not frames:
        return pl.DataFrame(schema=_texts(names)), rules, pl.Series([], dtype=pl.UInt32)
    whole = pl.concat(frames, how="vertical_relaxed", rechunk=False) if len(frames) > 1 else frames[0]
    return whole, rules, pl.concat(strays)


def _convert(text: pl.DataFrame, rules: dict[str, Rule | None]) -> tuple[pl.DataFrame, pl.Series]:
    """Numbers where a rule says so; and the positions of rows that are words where numbers should be."""
    columns, full, bad = [], np.zeros(text.height, dtype=np.int32), np.zeros(text.height, dtype=np.int32)
    words = np.zeros(text.height, dtype=np.int32)
    for name, rule in rules.items():
        cells = text[name].str.strip_chars().str.strip_chars('"').str.strip_chars()
        cells = _blank_to_null(cells)
        if rule is None:
            columns.append(pl.Series(name, [None] * text.height, dtype=pl.Float64) if cells.null_count() == len(cells) else cells)
        elif rule.numeric:
            values = to_numbers(cells, rule).alias(name)
            columns.append(values)
            full += cells.is_not_null().to_numpy()
            bad += no_numbers(cells, values).to_numpy()
        else:
            columns.append(cells)
            words += cells.is_not_null().to_numpy()
    stray = ((bad > 0) & (bad >= np.maximum(1, 0.5 * full))) | ((full == 0) & (words <= 1))
    if not any(rule is not None and rule.numeric for rule in rules.values()):
        stray[:] = False
    return pl.DataFrame(columns), pl.Series(np.flatnonzero(stray).astype(np.uint32))


def _blank_to_null(cells: pl.Series) -> pl.Series:
    if not (cells == "").any():
        return cells
    return pl.DataFrame({"c": cells}).select(pl.when(pl.col("c") != "").then(pl.col("c")).alias(cells.name or "c")).to_series()


# --- names, notes, order ----------------------------------------------------------------------------

def _finish(layout: Layout, kept: Kept, frame: pl.DataFrame, rules: dict[str, Rule | None], stray: pl.Series) -> Table:
    lines = kept.lines
    notes, restarts = list(kept.notes), list(kept.restarts)
    if len(stray):
        odd = lines[stray.to_numpy()]
        lines = np.delete(lines, stray.to_numpy())
        again = [int(i) for i in odd[:5000] if layout.lines.text(int(i)).strip() in layout.header_lines]
        restarts = sorted(restarts + again)
        known = set(again)
        notes += stray_notes(layout, [int(i) for i in odd if int(i) not in known], len(lines))
    if restarts:
        notes.append(Note(
            f"the header comes again at line {restarts[0] + 1}"
            + (f" and {len(restarts) - 1} more times" if len(restarts) > 1 else "") + ": the logger was started anew in the same file.",
            line=restarts[0] + 1, count=len(restarts)))
    columns = describe_columns(layout.header, kept.width)
    frame, columns = _named(frame, columns, rules)
    notes += _column_notes(layout, frame, columns)
    rows = sorted({int(r) for r in np.searchsorted(lines, restarts) if 0 < r < len(lines)})
    return Table(frame, tuple(columns), lines + 1, tuple(rows), tuple(notes), layout.preamble, layout.dialect.words,
                 layout.dialect.decimal, layout.header.made_up, kept.next_table)


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
        if unit and not column.unit:
            column = replace(column, unit=unit, unit_from="cells")
        numeric = values.dtype == pl.Float64
        kept.append(replace(column, header=header, name=column.name.strip() or header, numeric=numeric))
        series.append(values.alias(name))
    return pl.DataFrame(series), kept


def _column_notes(layout: Layout, frame: pl.DataFrame, columns: list[RawColumn]) -> list[Note]:
    notes = []
    if layout.header.made_up:
        notes.append(Note(f"no header above line {layout.first + 1}: the columns are called 'column 1' to 'column {frame.width}'."))
    empty = [n for n in frame.columns if frame[n].null_count() == frame.height]
    if empty:
        notes.append(Note(f"{len(empty)} columns hold no value: {', '.join(empty[:6])}{' ...' if len(empty) > 6 else ''}.", count=len(empty)))
    twice = [c.header for c, n in zip(columns, frame.columns, strict=True) if n != c.header]
    if twice:
        notes.append(Note(f"{len(twice)} columns have a name that stands twice: {', '.join(twice[:6])}.", count=len(twice)))
    return notes
