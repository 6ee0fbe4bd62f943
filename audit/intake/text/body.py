"""Bytes of chosen lines through polars' own CSV parser, and what each column seems to be from a
sample.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

import numpy as np
import polars as pl

from audit.intake.text.cells import Rule, decimal_of_table, learn
from audit.intake.text.dialect import LONGEST_VALUE, is_blank
from audit.intake.text.layout import Layout
from audit.intake.text.lines import QUOTE

SAMPLE_ROWS = 400


# Columns of plain numbers, by name, each with the word for 'no value' that was seen in it, or ''.
Plain = Mapping[str, str]


def plan_columns(layout: Layout, names: list[str]) -> tuple[dict[str, Rule | None], str]:
    """How each column becomes numbers, and the table's decimal mark."""
    sample = _sample_frame(layout, names)
    texts = sample.select(pl.all().str.strip_chars(' \t\r"'))
    decimal = layout.dialect.decimal
    all_texts = pl.all().str.replace(",", ".", literal=True) if decimal == "," else pl.all()
    lost = texts.select(all_texts.cast(pl.Float64, strict=False).is_null() & pl.all().is_not_null())
    dotted = texts.select(pl.all().str.contains(".", literal=True)) if decimal == "," else lost
    clean = {n: not (lost[n].any() or (decimal == "," and dotted[n].any())) for n in names}
    columns = [texts[n] for n in names]
    decimal, sure = decimal_of_table(columns, decimal)
    rules = {
        n: (
            Rule(True, decimal)
            if clean[n] and decimal == "." and sure
            else learn(c, decimal, sure=sure)
        )
        for n, c in zip(names, columns, strict=True)
    }
    return rules, decimal


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
        if layout.dialect.quotes:  # a torn quote would swallow what follows
            likely &= lines.delimiters(a, b, QUOTE, quotes=False) % 2 == 0
        parts.append(masked(layout, a, b, likely))
    body = b"".join(p if p.endswith(b"\n") else p + b"\n" for p in parts if p)
    schema = dict.fromkeys(names, pl.String())
    try:
        return read_csv(body, schema, layout, ragged=True, quoted=layout.dialect.quotes)
    except pl.exceptions.PolarsError:
        return read_csv(body, schema, layout, ragged=True, quoted=False)


def masked(layout: Layout, first: int, to: int, keep: np.ndarray) -> bytes:
    """The bytes of the lines first to to (excluded) that are kept."""
    block = layout.lines.slice(first, to)
    if keep.all():
        return block.tobytes()
    begin = int(layout.lines.starts[first])
    lengths = np.diff(np.minimum(layout.lines.stops[first:to] + 1 - begin, len(block)), prepend=0)
    out: bytes = block[np.repeat(keep, lengths)].tobytes()
    return out


def read_csv(
    body: bytes,
    schema: Mapping[str, pl.DataType],
    layout: Layout,
    *,
    ragged: bool,
    quoted: bool,
    blanks: dict[str, str] | None = None,
) -> pl.DataFrame:
    """By polars' own parser; blanks: a column's word for 'no value'. Raises PolarsError."""
    if not body[:200].strip(b"\r\n") and not body.strip(b"\r\n"):
        return pl.DataFrame(schema=schema)
    if quoted and body.count(b'"') % 2:  # a cell of one lone quote makes the parser panic
        raise pl.exceptions.ComputeError("a torn quote")
    try:
        return pl.read_csv(
            body,
            has_header=False,
            schema=schema,
            separator=chr(layout.delimiter),
            quote_char='"' if quoted else None,
            null_values=blanks or None,
            decimal_comma=layout.dialect.decimal == "," and layout.delimiter != ord(","),
            extra_columns="ignore" if ragged else "raise",
            missing_columns="insert" if ragged else "raise",
        )
    except pl.exceptions.PanicException as panic:  # no Exception, so nothing above would catch it
        raise pl.exceptions.ComputeError(str(panic)) from panic


def plain_columns(layout: Layout) -> Plain | None:
    """The columns of which all sampled cells are numbers as they stand or stand for no value; None
    to look closer.
    """
    decimal = layout.dialect.decimal
    if decimal == "," and layout.delimiter == ord(","):
        return None
    # One match a column; atomic cell by cell, or a cell of text would have it try every way to part
    # the digits before.
    numbers = re.compile(
        rf"(?>(?:[-+]?(?:\d++\{decimal}?\d*+|\{decimal}\d++)(?:[eE][-+]?\d++)?)?\n)*+"
    )
    grouped = re.compile(rf"[-+]?[1-9]\d{{0,2}}\{decimal}\d{{3}}")
    rows = [row for row in layout.rows if len(row) == layout.width]
    if len(rows) < min(5, len(layout.rows)):
        return None
    out = {}
    for i, column in enumerate(zip(*rows, strict=True)):
        words = {cell for cell in column if cell and is_blank(cell)}
        cells = [cell for cell in column if cell not in words]
        if len(words) > 1 or (words and not any(cells)) or max(map(len, column)) > LONGEST_VALUE:
            continue
        if numbers.fullmatch("\n".join((*cells, ""))) is None:
            continue
        marked = [cell for cell in cells if decimal in cell]
        if marked and len(marked) < len(cells) and all(map(grouped.fullmatch, marked)):
            return None  # thousands, perhaps
        out[f"c{i}"] = next(iter(words), "")
    return out


def all_finite(frame: pl.DataFrame) -> pl.DataFrame:
    numbers = pl.col(pl.Float64)
    # A sum is finite only where every number is; summing is several times quicker than looking at
    # each.
    sums = [values.sum() for values in frame.get_columns() if values.dtype == pl.Float64]
    if all(total is None or math.isfinite(total) for total in sums) or all(
        frame.select(numbers.is_finite().all()).row(0)
    ):
        return frame
    return frame.with_columns(pl.when(numbers.is_finite()).then(numbers).name.keep())
