"""The table's lines to columns, in one pass: the fast reader takes every stretch in which each
line is a row and each cell what its column's cells are; a stretch that it refuses is parted, and
only what is damaged becomes text first.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from audit.intake.text.body import (
    SAMPLE_ROWS,
    Plain,
    all_finite,
    masked,
    plain_columns,
    plan_columns,
    read_csv,
)
from audit.intake.text.cells import Rule, learn, no_numbers, to_numbers
from audit.intake.text.keep import Kept, choose_lines, last_cell_is_short
from audit.intake.text.layout import Layout
from audit.intake.text.lines import without_padding

BLOCK = 1 << 26  # bytes parsed at once
SLOW_BLOCK = 1 << 23  # the same, where a stretch may have to become text
PARTS, LEAST_PART = 8, 1 << 17  # a stretch that is refused is parted so, down to so many bytes
MORE_REFUSED = 4  # stretches beyond those taken: the damage is everywhere, so all becomes text
MOST_TRIES = 400  # parses of one block while looking for its torn lines
NONE_STRAY = np.empty(0, dtype=np.uint32)

Rules = dict[str, Rule | None]
Part = tuple[pl.DataFrame, np.ndarray]  # rows, and the positions of those that hold no numbers


@dataclass(frozen=True, eq=False)
class Rows:
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
    every = Kept(lines=np.arange(layout.first, len(layout.lines)), width=layout.width)
    found = None if plain is None else _in_one_go(layout, plain, every)
    if found is not None:
        return found
    kept = choose_lines(layout)
    if plain is None or kept.width != layout.width or kept.short or not kept.quotes:
        return _in_stretches(layout, {}, kept)
    return _in_one_go(layout, plain, kept) or _in_stretches(layout, plain, kept)


def names_of(width: int) -> list[str]:
    return [f"c{i}" for i in range(width)]


def _in_one_go(layout: Layout, plain: Plain, kept: Kept) -> Rows | None:
    """A table without anything amiss in the lines that are kept; else None.

    Where all are kept they are counted here: each must be a row.
    """
    lines, chosen = layout.lines, len(kept.mask) > 0
    names, frames = names_of(layout.width), []
    for a, b in lines.blocks(layout.first, BLOCK):
        block, rows = lines.slice(a, b), b - a
        if chosen:
            mask = kept.mask[a - layout.first : b - layout.first]
            body, rows = masked(layout, a, b, mask), int(mask.sum())
        else:
            marks = int(np.count_nonzero(block == layout.delimiter))
            if not layout.dialect.quotes and marks != rows * (layout.width - 1):
                return None  # the reader itself refuses lines that are too long
            body = block.tobytes()
        frame = _sound(layout, body, names, plain, rows=rows)
        if frame is None:
            return None
        if not chosen and layout.dialect.quotes and frame[names[-1]].null_count():
            counts = lines.delimiters(a, b, layout.delimiter, quotes=True)
            if not (counts == layout.width - 1).all():
                return None
        frames.append(frame)
    last = len(lines) - 1 - layout.first
    if not frames or (not chosen and lines.ends_open and last_cell_is_short(layout, last)):
        return None
    whole = _joined(frames)
    rules: Rules = {n: Rule(numeric=True) for n in plain}
    for name in (n for n in names if n not in plain):
        rules[name] = rule = learn(
            whole[name].drop_nulls().head(SAMPLE_ROWS), layout.dialect.decimal
        )
        if rule is not None and rule.unit and rule.decimal == layout.dialect.decimal:
            values = to_numbers(whole[name], rule).alias(name)
            if values.null_count() > whole[name].null_count():
                return None
            whole = whole.with_columns(values)
        elif rule is None or rule.numeric:
            return None
    return Rows(kept, all_finite(whole), rules, NONE_STRAY)


def _sound(
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


def _joined(frames: list[pl.DataFrame]) -> pl.DataFrame:
    if len(frames) == 1:
        return frames[0]
    return pl.concat(frames, how="vertical_relaxed", rechunk=False)


def _in_stretches(layout: Layout, plain: Plain, kept: Kept) -> Rows:
    """Only the lines that are rows, stretch by stretch."""
    stretches = _Stretches(layout, kept, plain)
    frames, strays, at = [], [], 0
    for a, b in layout.lines.blocks(layout.first, SLOW_BLOCK):
        body = masked(layout, a, b, kept.mask[a - layout.first : b - layout.first])
        for frame, stray in stretches.read(body):
            strays.append(stray + at)
            at += frame.height
            good = np.ones(frame.height, dtype=bool)
            good[stray] = False
            frames.append(frame.filter(pl.Series(good)) if len(stray) else frame)
    if not frames:
        empty = pl.DataFrame(schema=dict.fromkeys(stretches.names, pl.String()))
        return Rows(kept, empty, stretches.rules, NONE_STRAY)
    return Rows(kept, _joined(frames), stretches.rules, np.concatenate(strays))


class _Stretches:
    """Reads stretches of a table by the rules of its columns, which a late one may still add to."""

    def __init__(self, layout: Layout, kept: Kept, plain: Plain) -> None:
        self.layout = layout
        self.names = names_of(kept.width)
        self.rules, self.decimal = plan_columns(layout, self.names)
        self.quoted = layout.dialect.quotes and kept.quotes
        self.refused = self.taken = 0
        self.plain = {n: word for n, word in plain.items() if self._reads_plainly(n)}
        self.worded = any(
            rule is not None and rule.numeric and n not in self.plain
            for n, rule in self.rules.items()
        )

    def _reads_plainly(self, name: str) -> bool:
        rule = self.rules[name]
        same = rule is not None and rule.decimal == self.layout.dialect.decimal
        return rule is None or (same and rule.numeric and not rule.unit)

    def read(self, body: bytes) -> Iterator[Part]:
        if not body:
            return
        rows = body.count(b"\n") + (not body.endswith(b"\n"))
        if self.plain and self.refused <= self.taken + MORE_REFUSED:
            sound = _sound(self.layout, body, self.names, self.plain, rows=rows)
            if sound is not None:
                self.taken += 1
                yield self._numbers(sound) if self.worded else (all_finite(sound), NONE_STRAY)
                return
            self.refused += 1
            if len(body) > LEAST_PART:
                for part in _parts(body, PARTS):
                    yield from self.read(part)
                return
        text = self._as_text(body, rows, tries=[MOST_TRIES])
        for name in self.names:
            if self.rules[name] is None:
                self.rules[name] = learn(text[name].drop_nulls().head(SAMPLE_ROWS), self.decimal)
        yield self._numbers(text)

    def _as_text(self, body: bytes, rows: int, *, tries: list[int]) -> pl.DataFrame:
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
        halves = [
            (part, part.count(b"\n") + (not part.endswith(b"\n"))) for part in _parts(body, 2)
        ]
        return pl.concat([self._as_text(part, count, tries=tries) for part, count in halves])

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
        numeric = [n for n, rule in self.rules.items() if rule is not None and rule.numeric]
        if not numeric:
            return NONE_STRAY
        nulls = cells.null_count().row(0, named=True)
        words = [n for n in self.names if n not in set(numeric)]
        rare = [n for n in words if nulls[n] > 0.5 * cells.height]  # a mark now and then
        full, bad = _filled(cells, numeric), np.zeros(cells.height)
        for mask in lost.values():
            bad += mask.to_numpy()
        said = _filled(cells, rare) + 2 * _filled(cells, [n for n in words if n not in set(rare)])
        stray = ((bad > 0) & (bad >= np.maximum(1, 0.5 * full))) | ((full == 0) & (said <= 1))
        return np.flatnonzero(stray).astype(np.uint32)


def _filled(cells: pl.DataFrame, names: Iterable[str]) -> np.ndarray:
    """How many of these columns have a cell in each row."""
    out = np.zeros(cells.height)
    for name in names:
        out += cells[name].is_not_null().to_numpy()
    return out


def _parts(body: bytes, count: int) -> Iterator[bytes]:
    """A stretch in so many parts, each of whole lines."""
    at = 0
    for i in range(1, count + 1):
        end = body.find(b"\n", max(at, i * len(body) // count - 1)) + 1 if i < count else len(body)
        end = end or len(body)
        if end > at:
            yield body[at:end]
            at = end
