"""The table's lines to columns, in one pass: the fast reader takes every stretch in which each
line is a row and each cell what its column's cells are; a stretch that it refuses is parted, and
only what is damaged becomes text first.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import polars as pl

from audit.intake.text import cells as cell
from audit.intake.text.cells import Rule, learn
from audit.intake.text.dialect import LONGEST_VALUE, is_blank
from audit.intake.text.keep import Kept, choose_lines, last_cell_is_short
from audit.intake.text.layout import Layout
from audit.intake.text.lines import without_padding
from audit.model import Array, Bools

SAMPLE_ROWS = 400
BLOCK = 1 << 26  # bytes parsed at once
SLOW_BLOCK = 1 << 23  # the same, where a stretch may have to become text
PARTS, LEAST_PART = 8, 1 << 17  # a stretch that is refused is parted so, down to so many bytes
MOST_TRIES = 400  # parses of one block while looking for its torn lines

# Columns of plain numbers, by name, each with the word for 'no value' that was seen in it, or ''.
Plain = Mapping[str, str]
Rules = dict[str, Rule | None]
Part = tuple[pl.DataFrame, Bools]  # rows, and which of them hold no numbers


class Rows(NamedTuple):
    """kept: the lines that were read; stray: which of them hold no numbers: not in the frame."""

    kept: Kept
    frame: pl.DataFrame
    rules: Rules
    stray: Bools


def read_rows(layout: Layout) -> Rows:
    """Every column as numbers where its cells are such, else as text."""
    plain = plain_columns(layout)
    found = None if plain is None else in_one_go(layout, plain)
    if found is not None:
        return found
    kept = choose_lines(layout)
    as_told = kept.width == layout.width and kept.quotes == layout.dialect.quotes
    return in_stretches(layout, plain or {} if as_told else {}, kept)


def plain_columns(layout: Layout) -> Plain | None:
    """Columns whose sampled cells are all plain numbers or stand for none; None: look closer."""
    decimal, out = layout.dialect.decimal, {}
    rows = [row for row in layout.rows if len(row) == layout.width]
    if decimal == chr(layout.mark) or len(rows) < min(5, len(layout.rows)):
        return None
    grouped = re.compile(rf"[-+]?[1-9]\d{{0,2}}\{decimal}\d{{3}}")
    for name, column in zip(_names(layout.width), zip(*rows, strict=True), strict=True):
        words = {text for text in column if text and is_blank(text)}
        texts = [text for text in column if text and text not in words]
        if len(words) > (len(texts) > 0) or not all(_is_number(text, decimal) for text in texts):
            continue
        marked = [text for text in texts if decimal in text]
        if 0 < len(marked) < len(texts) and all(map(grouped.fullmatch, marked)):
            return None  # thousands, perhaps
        out[name] = next(iter(words), "")
    return out


def _is_number(text: str, decimal: str) -> bool:
    if len(text) > LONGEST_VALUE or (decimal == "," and "." in text):
        return False
    try:
        float(text.replace(decimal, "."))
    except ValueError:
        return False
    return True


def _names(width: int) -> list[str]:
    return [f"c{i}" for i in range(width)]


def in_one_go(layout: Layout, plain: Plain) -> Rows | None:
    """A table without anything amiss, in which each line is a row; else None."""
    lines, quotes, width = layout.lines, layout.dialect.quotes, layout.width
    if lines.ends_open and last_cell_is_short(layout, len(lines) - 1):
        return None
    names, frames = _names(width), []
    for a, b in lines.blocks(layout.first, BLOCK):
        body = lines.slice(a, b).tobytes()
        frame = _sound(layout, body, names, plain, rows=b - a)
        if frame is None:
            return None
        if frame[names[-1]].null_count():  # lines that are too short read as blanks at their end
            counts = lines.delimiters(a, b, layout.mark, quotes=quotes)
            if not (counts == width - 1).all():
                return None
        frames.append(frame)
    whole = _joined(frames)
    rules: Rules = {n: Rule(numeric=True) for n in plain}
    for column in (c for c in whole.get_columns() if c.name not in plain):
        name, decimal = column.name, layout.dialect.decimal
        rules[name] = rule = learn(column.drop_nulls().head(SAMPLE_ROWS), decimal)
        if rule is not None and rule.unit and rule.decimal == decimal:
            values = cell.to_numbers(column, rule)
            if values.null_count() > column.null_count():
                return None
            whole = whole.with_columns(values)
        elif rule is None or rule.numeric:
            return None
    every = np.ones(len(lines) - layout.first, dtype=bool)
    return Rows(Kept(every, width, quotes), cell.all_finite(whole), rules, ~every)


def _joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    return pl.concat(frames, how="vertical_relaxed") if len(frames) > 1 else frames[0]


def in_stretches(layout: Layout, plain: Plain, kept: Kept) -> Rows:
    """Only the lines that are rows, stretch by stretch."""
    stretches = Stretches(layout, kept, plain)
    blocks = layout.lines.blocks(layout.first, SLOW_BLOCK)
    parts = [part for a, b in blocks for part in stretches.read(stretches.body(a, b))]
    whole, stray = _joined([frame for frame, _ in parts]), np.concatenate([s for _, s in parts])
    return Rows(kept, whole.filter(pl.Series(~stray)), stretches.rules, stray)


class Stretches:
    """Reads stretches of a table by the rules of its columns, which a late one may still add to."""

    def __init__(self, layout: Layout, kept: Kept, plain: Plain) -> None:
        self.layout, self.kept = layout, kept
        self.text = dict.fromkeys(_names(kept.width), pl.String())
        self.rules, self.decimal = self._plan()
        self.plain = {n: word for n, word in plain.items() if self._reads_plainly(n)}

    @property
    def numeric(self) -> set[str]:
        """The columns of numbers."""
        return {n for n, rule in self.rules.items() if rule is not None and rule.numeric}

    def body(self, first: int, to: int) -> bytes:
        """The bytes of the lines first to to (excluded) that are rows."""
        lines, keep = self.layout.lines, self.kept.mask[first - self.layout.first :][: to - first]
        block = lines.slice(first, to)
        within = np.repeat(keep, np.diff(lines.edges[first : to + 1]))
        return (block if keep.all() else block[within]).tobytes()

    def _plan(self) -> tuple[Rules, str]:
        """How each column becomes numbers, and the table's decimal mark, from a sample: the first
        rows, and blocks spread over the rest.
        """
        first, to = self.layout.first, len(self.layout.lines)
        spans = [(first, to)]
        if to - first > SAMPLE_ROWS:
            head = first + SAMPLE_ROWS // 2
            at = np.linspace(head, to - 50, 4).astype(int).tolist()
            spans = [(first, head), *((a, a + 50) for a in at)]
        parts = [self.body(a, b) for a, b in spans]
        body = b"".join(p if p.endswith(b"\n") else p + b"\n" for p in parts if p)
        sample = self.as_text(body, _rows_in(body), tries=[MOST_TRIES])
        texts = sample.select(pl.all().str.strip_chars(' \t\r"')).get_columns()
        decimal, sure = cell.decimal_of_table(texts, self.layout.dialect.decimal)
        rules: Rules = {}
        for text in texts:
            plain = text.cast(pl.Float64, strict=False).null_count() == text.null_count()
            known = plain and sure and decimal == "."
            rules[text.name] = Rule(numeric=True) if known else learn(text, decimal, sure=sure)
        return rules, decimal

    def _reads_plainly(self, name: str) -> bool:
        rule = self.rules[name]
        return rule is None or rule == Rule(numeric=True, decimal=self.layout.dialect.decimal)

    def read(self, body: bytes) -> Iterator[Part]:
        """The rows of a stretch, in parts."""
        rows = _rows_in(body)
        frame = _sound(self.layout, body, self.text, self.plain, rows=rows) if self.plain else None
        if frame is not None:
            worded = self.numeric - set(self.plain)
            none = np.zeros(rows, dtype=bool)
            yield self._numbers(frame) if worded else (cell.all_finite(frame), none)
        elif self.plain and len(body) > LEAST_PART and len(parts := _parts_of(body, PARTS)) > 1:
            for part in parts:
                yield from self.read(part)
        else:
            text = self.as_text(body, rows, tries=[MOST_TRIES])
            for name in (n for n, rule in self.rules.items() if rule is None):
                learned = learn(text[name].drop_nulls().head(SAMPLE_ROWS), self.decimal)
                self.rules[name] = learned
            yield self._numbers(text)

    def as_text(self, body: bytes, rows: int, *, tries: list[int]) -> pl.DataFrame:
        """A stretch as text, one row a line; one that the parser refuses becomes a row of nulls."""
        tries[0] -= 1
        try:
            frame = _read_csv(body, self.text, self.layout, ragged=True, quoted=self.kept.quotes)
            if frame.height == rows:
                return frame
        except pl.exceptions.PolarsError:
            pass
        if rows <= 1 or tries[0] <= 0:
            return pl.DataFrame(schema=self.text).clear(rows)
        return pl.concat([self.as_text(p, _rows_in(p), tries=tries) for p in _parts_of(body, 2)])

    def _numbers(self, frame: pl.DataFrame) -> Part:
        """Numbers where a rule says so; and which rows are words where numbers should be."""
        cells = frame.with_columns(pl.col(pl.String).str.strip_chars(' \t\r"').replace("", None))
        columns, bad = [], np.zeros(frame.height)
        for column in cells.get_columns():
            rule, values = self.rules[column.name], column
            if column.dtype == pl.String and rule is None and column.null_count() == len(column):
                values = column.cast(pl.Float64)
            elif column.dtype == pl.String and rule is not None and rule.numeric:
                values = cell.to_numbers(column, rule)
                if values.null_count() > column.null_count():
                    bad += cell.no_numbers(column, values).to_numpy()
            columns.append(values)
        return cell.all_finite(pl.DataFrame(columns)), self._strays(cells, bad)

    def _strays(self, cells: pl.DataFrame, bad: Array) -> Bools:
        """Rows with words in half of the cells that should be numbers, or with hardly a word."""
        if not self.numeric:
            return np.zeros(cells.height, dtype=bool)
        others = set(self.text) - self.numeric
        rare = {n for n in others if cells[n].null_count() > 0.5 * cells.height}  # now and then
        full = _filled(cells, self.numeric)
        said = _filled(cells, rare) + 2 * _filled(cells, others - rare)
        wordy = (bad > 0) & (bad >= np.maximum(1, 0.5 * full))
        return np.asarray(wordy | ((full == 0) & (said <= 1)))


def _filled(cells: pl.DataFrame, names: Iterable[str]) -> Array:
    """How many of these columns have a cell in each row."""
    there = (cells[name].is_not_null().to_numpy() for name in names)
    out: Array = np.sum([np.zeros(cells.height), *there], axis=0)
    return out


def _rows_in(body: bytes) -> int:
    """How many lines there are."""
    return body.count(b"\n") + (body[-1:] not in (b"", b"\n"))


def _parts_of(body: bytes, count: int) -> list[bytes]:
    """A stretch in so many parts, or fewer, each of whole lines."""
    wanted = (i * len(body) // count - 1 for i in range(1, count + 1))
    ends = dict.fromkeys([0, *(body.find(b"\n", max(0, at)) + 1 or len(body) for at in wanted)])
    return [body[a:b] for a, b in pairwise(ends)]


def _sound(
    layout: Layout, body: bytes, names: Iterable[str], plain: Plain, *, rows: int
) -> pl.DataFrame | None:
    """A stretch by the fast reader; None where something in it is amiss.

    plain: the columns to be read as numbers, with their word for 'no value'.
    """
    schema = {n: pl.Float64() if n in plain else pl.String() for n in names}
    body = without_padding(body, layout.mark)
    try:
        quoted = layout.dialect.quotes
        frame = _read_csv(body, schema, layout, ragged=False, quoted=quoted, blanks=plain)
    except pl.exceptions.PolarsError:
        return None
    if frame.height != rows:
        return None
    if layout.dialect.decimal == "," and b"." in body:  # else in dates alone
        marks = pl.col(pl.String).str.count_matches(".", literal=True).sum()
        if body.count(b".") != sum(frame.select(marks).row(0)):
            return None
    empty = pl.all_horizontal(pl.all().is_null()).any()
    if min(frame.null_count().row(0), default=0) > 0 and frame.select(empty).item():
        return None
    if len(plain) == frame.width:
        return frame
    return frame.with_columns(pl.col(pl.String).str.strip_chars())


def _read_csv(
    body: bytes,
    schema: Mapping[str, pl.DataType],
    layout: Layout,
    *,
    ragged: bool,
    quoted: bool,
    blanks: Plain | None = None,
) -> pl.DataFrame:
    """By polars' own parser; blanks: a column's word for 'no value'. Raises PolarsError."""
    if body[:1] in (b"", b"\n", b"\r") and not body.strip(b"\r\n"):
        return pl.DataFrame(schema=schema)
    if quoted and body.count(b'"') % 2:  # a cell of one lone quote makes the parser panic
        raise pl.exceptions.ComputeError("a torn quote")
    try:
        return pl.read_csv(
            body,
            has_header=False,
            schema=schema,
            separator=chr(layout.mark),
            quote_char='"' if quoted else None,
            null_values={n: word for n, word in (blanks or {}).items() if word} or None,
            decimal_comma=layout.dialect.decimal == "," != chr(layout.mark),
            extra_columns="ignore" if ragged else "raise",
            missing_columns="insert" if ragged else "raise",
        )
    except pl.exceptions.PanicException as panic:  # no Exception, so nothing above would catch it
        raise pl.exceptions.ComputeError(str(panic)) from panic
