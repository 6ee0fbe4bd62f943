"""Bytes of chosen lines through polars' own CSV parser, and which columns are plain numbers."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import polars as pl

from audit.intake.text.dialect import LONGEST_VALUE, is_blank
from audit.intake.text.layout import Layout
from audit.intake.text.lines import without_padding
from audit.model import Bools

# Columns of plain numbers, by name, each with the word for 'no value' that was seen in it, or ''.
Plain = Mapping[str, str]


def masked(layout: Layout, first: int, to: int, keep: Bools) -> bytes:
    """The bytes of the lines first to to (excluded) that are kept."""
    block = layout.lines.slice(first, to)
    out: bytes = (block if keep.all() else block[layout.lines.bytes_of(first, to, keep)]).tobytes()
    return out


def rows_in(body: bytes) -> int:
    """How many lines there are."""
    return body.count(b"\n") + (body[-1:] not in (b"", b"\n"))


def parts_of(body: bytes, count: int) -> Iterator[bytes]:
    """A stretch in so many parts, each of whole lines."""
    at = 0
    for i in range(1, count + 1):
        end = body.find(b"\n", max(at, i * len(body) // count - 1)) + 1 if i < count else len(body)
        end = end or len(body)
        if end > at:
            yield body[at:end]
            at = end


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


def sound(
    layout: Layout, body: bytes, names: list[str], plain: Plain, *, rows: int
) -> pl.DataFrame | None:
    """A stretch by the fast reader; None where something in it is amiss.

    plain: the columns to be read as numbers, with their word for 'no value'.
    """
    schema = {n: pl.Float64() if n in plain else pl.String() for n in names}
    blanks = {n: word for n, word in plain.items() if word}
    body = without_padding(body, layout.delimiter)
    try:
        quoted = layout.dialect.quotes
        frame = read_csv(body, schema, layout, ragged=False, quoted=quoted, blanks=blanks)
    except pl.exceptions.PolarsError:
        return None
    if frame.height != rows:
        return None
    if layout.dialect.decimal == "," and b"." in body:  # else in dates alone
        marks = pl.col(pl.String).str.count_matches(".", literal=True).sum()
        if body.count(b".") != sum(frame.select(marks).row(0)):
            return None
    if (
        min(frame.null_count().row(0), default=0) > 0
        and frame.select(pl.all_horizontal(pl.all().is_null()).any()).item()
    ):
        return None
    if len(plain) == len(names):
        return frame
    return frame.with_columns(pl.col(pl.String).str.strip_chars())
