"""The table's lines to columns, in one pass: the fast reader takes every stretch in which each
line is a row and each cell what its column's cells are; a stretch that it refuses is parted, and
only what is damaged becomes text first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

import numpy as np
import polars as pl

from audit.intake.text.body import (
    Plain,
    masked,
    parts_of,
    plain_columns,
    read_csv,
    rows_in,
    sound,
)
from audit.intake.text.cells import (
    Rule,
    all_finite,
    decimal_of_table,
    learn,
    no_numbers,
    to_numbers,
)
from audit.intake.text.keep import Kept, choose_lines, last_cell_is_short
from audit.intake.text.layout import Layout

SAMPLE_ROWS = 400
BLOCK = 1 << 26  # bytes parsed at once
SLOW_BLOCK = 1 << 23  # the same, where a stretch may have to become text
PARTS, LEAST_PART = 8, 1 << 17  # a stretch that is refused is parted so, down to so many bytes
MORE_REFUSED = 4  # stretches beyond those taken: the damage is everywhere, so all becomes text
MOST_TRIES = 400  # parses of one block while looking for its torn lines
NONE_STRAY = np.empty(0, dtype=np.uint32)

Rules = dict[str, Rule | None]
Part = tuple[pl.DataFrame, np.ndarray]  # rows, and the positions of those that hold no numbers


class Rows(NamedTuple):
    """kept: the lines that were read; stray: which of them, by position, hold no numbers, and are
    not in the frame.
    """

    kept: Kept
    frame: pl.DataFrame
    rules: Rules
    stray: np.ndarray


def read_rows(layout: Layout) -> Rows:
    """Every column as numbers where its cells are such, else as text."""
    plain = plain_columns(layout)
    found = None if plain is None else in_one_go(layout, plain)
    if found is not None:
        return found
    kept = choose_lines(layout)
    as_told = kept.width == layout.width and kept.quotes == layout.dialect.quotes
    return in_stretches(layout, plain or {} if as_told else {}, kept)


def names_of(width: int) -> list[str]:
    return [f"c{i}" for i in range(width)]


def in_one_go(layout: Layout, plain: Plain) -> Rows | None:
    """A table without anything amiss, in which each line is a row; else None."""
    lines, quotes = layout.lines, layout.dialect.quotes
    names, frames = names_of(layout.width), []
    for a, b in lines.blocks(layout.first, BLOCK):
        block, rows = lines.slice(a, b), b - a
        marks = int(np.count_nonzero(block == layout.delimiter))
        if not quotes and marks != rows * (layout.width - 1):
            return None  # the reader itself refuses lines that are too long
        frame = sound(layout, block.tobytes(), names, plain, rows=rows)
        if frame is None:
            return None
        if quotes and frame[names[-1]].null_count():
            counts = lines.delimiters(a, b, layout.delimiter, quotes=True)
            if not (counts == layout.width - 1).all():
                return None
        frames.append(frame)
    if not frames or (lines.ends_open and last_cell_is_short(layout, len(lines) - 1)):
        return None
    whole = _joined(frames)
    rules: Rules = {n: Rule(numeric=True) for n in plain}
    for name in (n for n in names if n not in plain):
        cells = whole[name]
        rules[name] = rule = learn(cells.drop_nulls().head(SAMPLE_ROWS), layout.dialect.decimal)
        if rule is not None and rule.unit and rule.decimal == layout.dialect.decimal:
            values = to_numbers(cells, rule).alias(name)
            if values.null_count() > cells.null_count():
                return None
            whole = whole.with_columns(values)
        elif rule is None or rule.numeric:
            return None
    every = Kept(lines=np.arange(layout.first, len(lines)), width=layout.width)
    return Rows(every, all_finite(whole), rules, NONE_STRAY)


def _joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    if len(frames) == 1:
        return frames[0]
    return pl.concat(frames, how="vertical_relaxed", rechunk=False)


def in_stretches(layout: Layout, plain: Plain, kept: Kept) -> Rows:
    """Only the lines that are rows, stretch by stretch."""
    stretches = Stretches(layout, kept, plain)
    frames, strays, at = [], [NONE_STRAY], 0
    for a, b in layout.lines.blocks(layout.first, SLOW_BLOCK):
        body = masked(layout, a, b, kept.mask[a - layout.first : b - layout.first])
        for frame, stray in stretches.read(body):
            strays.append(stray + at)
            at += frame.height
            good = np.ones(frame.height, dtype=bool)
            good[stray] = False
            frames.append(frame.filter(pl.Series(good)) if len(stray) else frame)
    if not frames:
        frames = [pl.DataFrame(schema=dict.fromkeys(stretches.names, pl.String()))]
    return Rows(kept, _joined(frames), stretches.rules, np.concatenate(strays))


class Stretches:
    """Reads stretches of a table by the rules of its columns, which a late one may still add to."""

    def __init__(self, layout: Layout, kept: Kept, plain: Plain) -> None:
        self.layout = layout
        self.names = names_of(kept.width)
        self.quoted = kept.quotes
        self.refused = self.taken = 0
        self.rules: Rules = {}
        self._plan(kept)
        self.plain = {n: word for n, word in plain.items() if self._reads_plainly(n)}
        self.worded = any(
            rule is not None and rule.numeric and n not in self.plain
            for n, rule in self.rules.items()
        )

    def _plan(self, kept: Kept) -> None:
        """How each column becomes numbers, and the table's decimal mark, from a sample: the first
        rows, and blocks spread over the rest.
        """
        first, to = self.layout.first, len(self.layout.lines)
        spans = [(first, to)]
        if to - first > SAMPLE_ROWS:
            head = first + SAMPLE_ROWS // 2
            at = np.linspace(head, to - 50, 4).astype(int).tolist()
            spans = [(first, head), *((a, a + 50) for a in at)]
        parts = [masked(self.layout, a, b, kept.mask[a - first : b - first]) for a, b in spans]
        body = b"".join(p if p.endswith(b"\n") else p + b"\n" for p in parts if p)
        cells = self.as_text(body, rows_in(body), tries=[MOST_TRIES])
        texts = cells.select(pl.all().str.strip_chars(' \t\r"')).get_columns()
        self.decimal, sure = decimal_of_table(texts, self.layout.dialect.decimal)
        for text in texts:
            plain = text.cast(pl.Float64, strict=False).null_count() == text.null_count()
            if plain and sure and self.decimal == ".":
                self.rules[text.name] = Rule(numeric=True)
            else:
                self.rules[text.name] = learn(text, self.decimal, sure=sure)

    def _reads_plainly(self, name: str) -> bool:
        rule = self.rules[name]
        same = rule is not None and rule.decimal == self.layout.dialect.decimal
        return rule is None or (same and rule.numeric and not rule.unit)

    def read(self, body: bytes) -> Iterator[Part]:
        if not body:
            return
        rows = rows_in(body)
        if self.plain and self.refused <= self.taken + MORE_REFUSED:
            frame = sound(self.layout, body, self.names, self.plain, rows=rows)
            if frame is not None:
                self.taken += 1
                yield self._numbers(frame) if self.worded else (all_finite(frame), NONE_STRAY)
                return
            self.refused += 1
            if len(body) > LEAST_PART:
                for part in parts_of(body, PARTS):
                    yield from self.read(part)
                return
        text = self.as_text(body, rows, tries=[MOST_TRIES])
        for name in self.names:
            if self.rules[name] is None:
                self.rules[name] = learn(text[name].drop_nulls().head(SAMPLE_ROWS), self.decimal)
        yield self._numbers(text)

    def as_text(self, body: bytes, rows: int, *, tries: list[int]) -> pl.DataFrame:
        """A stretch as text, one row a line; a line that the parser refuses (torn quotes) becomes
        a row of nulls.
        """
        schema = dict.fromkeys(self.names, pl.String())
        tries[0] -= 1
        try:
            frame = read_csv(body, schema, self.layout, ragged=True, quoted=self.quoted)
            if frame.height == rows:
                return frame
        except pl.exceptions.PolarsError:
            pass
        if rows <= 1 or tries[0] <= 0:
            return pl.DataFrame({n: pl.Series([None] * rows, dtype=pl.String) for n in self.names})
        return pl.concat([self.as_text(p, rows_in(p), tries=tries) for p in parts_of(body, 2)])

    def _numbers(self, frame: pl.DataFrame) -> Part:
        """Numbers where a rule says so; and which rows are words where numbers should be."""
        text = pl.col(pl.String).str.strip_chars(' \t\r"').replace("", None)
        cells = frame.with_columns(text)
        columns, lost = [], {}
        for column in cells.get_columns():
            rule, name = self.rules[column.name], column.name
            if column.dtype != pl.String or (rule is not None and not rule.numeric):
                columns.append(column)
            elif rule is None:
                blank = column.null_count() == cells.height
                columns.append(column.cast(pl.Float64) if blank else column)
            else:
                values = to_numbers(column, rule).alias(name)
                columns.append(values)
                if values.null_count() > column.null_count():
                    lost[name] = no_numbers(column, values)
        return all_finite(pl.DataFrame(columns)), self._strays(cells, lost)

    def _strays(self, cells: pl.DataFrame, lost: Mapping[str, pl.Series]) -> np.ndarray:
        """Rows with words in half of the cells that should be numbers, or with hardly a word."""
        numeric = {n for n, rule in self.rules.items() if rule is not None and rule.numeric}
        if not numeric:
            return NONE_STRAY
        nulls = cells.null_count().row(0, named=True)
        rare = {n for n in self.names if nulls[n] > 0.5 * cells.height} - numeric  # now and then
        full, bad = _filled(cells, numeric), np.zeros(cells.height)
        for mask in lost.values():
            bad += mask.to_numpy()
        said = _filled(cells, rare) + 2 * _filled(cells, set(self.names) - numeric - rare)
        stray = ((bad > 0) & (bad >= np.maximum(1, 0.5 * full))) | ((full == 0) & (said <= 1))
        return np.flatnonzero(stray).astype(np.uint32)


def _filled(cells: pl.DataFrame, names: Iterable[str]) -> np.ndarray:
    """How many of these columns have a cell in each row."""
    out = np.zeros(cells.height)
    for name in names:
        out += cells[name].is_not_null().to_numpy()
    return out
