"""Where the table lies in the file: dialect, first data line, width, header and preamble."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from audit.errors import NotALog, UnreadableLog
from audit.intake.bytes.encoding import count_byte
from audit.intake.text.dialect import (
    Dialect,
    Guess,
    decimal_twice,
    guess_dialect,
    is_blank,
    split_line,
    value_share,
)
from audit.intake.text.header import Header, header_cells, read_header
from audit.intake.text.lines import Lines, find_lines, spaces_to_tabs

HEAD_SEARCH = 400  # lines looked at one by one before bytes are counted instead
PREAMBLE_KEPT = 200
_CLOCK_NAME = re.compile(
    r"(?i)\W*(time|zeit|temps|tiempo|timestamp|uhrzeit|elapsed|t|date|datum)(?![a-z])"
)
COMMENTS = ("#", "//", "!", "%")


@dataclass(frozen=True, eq=False)
class Layout:
    """lines: as to be parsed (blanks become tabs); first: 0-based first data line; delimiter: a
    byte.
    """

    lines: Lines
    dialect: Dialect
    delimiter: int
    first: int
    width: int
    header: Header
    header_lines: frozenset[str]
    preamble: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]  # cells of sampled data lines
    threshold: float  # least share of value-like cells of a data line

    def cells(self, line: int) -> list[str]:
        """The cells of a line (0-based)."""
        return split_line(self.lines.text(line), chr(self.delimiter))


def find_layout(data: Lines) -> Layout:
    """Decide how to read the table. Raises NotALog or UnreadableLog with the reason."""
    tail = range(max(0, len(data) - 11), max(0, len(data) - 1))  # most files end in data
    spread = _sample(data, range(_head_skip(data), len(data)), 24 if len(data) < 60 else 14)
    guess = guess_dialect([*spread, *_sample(data, tail, 10)] if len(data) >= 60 else spread)
    if guess is None or guess.share < 0.12:
        guess = _second_look(data, guess)
    dialect = guess.dialect
    if not dialect.quotes and dialect.delimiter != " ":
        marks = count_byte(data.data, 34)
        guess = replace(guess, dialect=replace(dialect, quotes=marks > 0 and marks % 2 == 0))
        dialect = guess.dialect
    threshold = 0.5 * min(1.0, guess.share)
    first = _first_data(data, guess, threshold)
    earlier = _earlier_table(data, guess, first)
    if earlier is not None:
        first, guess = earlier
    header = read_header(data.text, first, guess.width, dialect)
    if header.made_up:
        first, header = _header_further_down(data, guess, first, header)
    rows = [split_line(t, dialect.delimiter) for t in _sample(data, range(first, len(data)), 24)]
    bare_commas = dialect.delimiter == "," and not dialect.quotes and not header.made_up
    if bare_commas and decimal_twice(rows, len([n for n in header.names if n])):
        raise UnreadableLog(
            f"line {first + 1}: the comma seems to be both the decimal mark and the delimiter, so "
            "numbers cannot be told apart. Export again with a semicolon or tab between columns, "
            "or with decimal points"
        )
    top = header.first if header.first is not None else first
    texts = frozenset(
        t
        for t in (data.text(i).strip() for i in range(top, first))
        if t and not t.startswith(COMMENTS)
    )
    preamble = tuple(
        t for t in (data.text(i).strip()[:500] for i in range(min(top, PREAMBLE_KEPT))) if t
    )
    squeezed = find_lines(spaces_to_tabs(data.data)) if dialect.delimiter == " " else data
    byte = 9 if dialect.delimiter == " " else ord(dialect.delimiter)
    width = max(guess.width, len(header.names))
    return Layout(
        squeezed,
        dialect,
        byte,
        first,
        width,
        header,
        texts,
        preamble,
        tuple(tuple(r) for r in rows),
        threshold,
    )


def _sample(data: Lines, span: range, most: int) -> list[str]:
    """Up to `most` lines spread over the span, blank and comment lines left out."""
    picks: Iterable[int] = span
    if len(span) > most:
        picks = sorted(set(np.linspace(span.start, span.stop - 1, most).astype(int).tolist()))
    texts = (data.text(i) for i in picks if data.length(i) < 1 << 20)
    return [t for t in texts if t.strip() and not t.lstrip().startswith(COMMENTS)]


def _head_skip(data: Lines) -> int:
    """Lines left out of the first sample: the head, where the preamble is, unless the file is
    short.
    """
    return 0 if len(data) < 60 else min(len(data) // 5, 200)


def _second_look(data: Lines, first_guess: Guess | None) -> Guess:
    """Try every line of a short file, and the head of a long one; else say why it is no log."""
    wide = guess_dialect(_sample(data, range(len(data)), 400))
    if wide is not None and wide.share >= 0.12:
        return wide
    guess = wide or first_guess
    texts = _sample(data, range(len(data)), 40)
    if not texts:
        raise NotALog("nothing but blank lines. Copy it from the logger again")
    if guess is None:
        if value_share(texts, ".") > 0.5 or value_share(texts, ",") > 0.5:
            raise UnreadableLog(
                "only one column of numbers. Export it with a time column and the channels"
            )
        raise NotALog("plain text without columns, not a log. Give a CSV export of the logger")
    if (
        len(texts) <= 3
        and guess.dialect.delimiter != " "
        and all(_names_columns(split_line(t, guess.dialect.delimiter)) for t in texts)
    ):
        raise UnreadableLog(
            "a header but no row of data below it. Copy the log from the logger again"
        )
    raise NotALog("a table of words without numbers, not a log. Give a CSV export of the logger")


def _names_columns(cells: list[str]) -> bool:
    """Whether the cells may be a header: short, and no sentence."""
    return len(cells) >= 2 and all(
        len(c) <= 50 and len(c.split()) <= 6 and not c.endswith((".", "!", "?")) for c in cells
    )


def _is_data(text: str, guess: Guess, threshold: float, *, slack: float = 0.0) -> bool:
    cells = split_line(text, guess.dialect.delimiter)
    margin = max(1, slack * guess.width) if slack else 0
    if not guess.width - margin <= len(cells) <= max(guess.width + margin, guess.widest):
        return False
    full = sum(not is_blank(cell) for cell in cells)
    return full > 0 and value_share(cells, guess.dialect.decimal) >= max(threshold, 1e-9)


def _first_data(data: Lines, guess: Guess, threshold: float) -> int:
    pending: int | None = None
    for i in range(min(len(data), HEAD_SEARCH)):
        text = data.text(i)
        if not text.strip() or text.lstrip().startswith(COMMENTS):
            continue
        if not _is_data(text, guess, threshold):
            pending = None
            continue
        if pending is not None:
            return pending
        pending = i
    return pending if pending is not None else _first_data_far(data, guess, threshold)


def _earlier_table(data: Lines, guess: Guess, first: int) -> tuple[int, Guess] | None:
    """A table of another width above the main one: a header with a clock in it, then three rows of
    values.
    """
    delimiter, decimal = guess.dialect.delimiter, guess.dialect.decimal
    rows = [
        (i, split_line(data.text(i), delimiter))
        for i in range(min(first, HEAD_SEARCH))
        if data.length(i) < 1 << 16
    ]
    rows = [(i, cells) for i, cells in rows if any(cells)]
    for at, (_, cells) in enumerate(rows[:-3]):
        if (
            len(cells) < 2
            or len(cells) == guess.width
            or not any(_CLOCK_NAME.match(c) for c in cells)
        ):
            continue
        below = [row for row in rows[at + 1 : at + 5] if len(row[1]) == len(cells)]
        values = [i for i, row in below if value_share(row, decimal) >= 0.5]
        if value_share(cells, decimal) <= 0.1 and len(values) >= 3:
            return values[0], replace(guess, width=len(cells), widest=max(guess.widest, len(cells)))
    return None


def _first_data_far(data: Lines, guess: Guess, threshold: float) -> int:
    """After a long preamble, or where the rows of data are few: by counting delimiters."""
    lines = find_lines(spaces_to_tabs(data.data)) if guess.dialect.delimiter == " " else data
    byte = 9 if guess.dialect.delimiter == " " else ord(guess.dialect.delimiter)
    for begin, end in lines.blocks(0):
        counts = lines.delimiters(begin, end, byte, quotes=guess.dialect.quotes)
        for i in np.flatnonzero(counts == guess.width - 1)[:20_000]:
            if _is_data(data.text(begin + int(i)), guess, threshold):
                return begin + int(i)
    for i in range(min(len(data), 20_000)):
        if _is_data(data.text(i), guess, threshold, slack=0.3):
            return i
    raise UnreadableLog("no two lines with the same number of columns. Export the log again as CSV")


def _header_further_down(data: Lines, guess: Guess, first: int, none: Header) -> tuple[int, Header]:
    """A header that stands below some lines of numbers: those few lines were preamble."""
    for i in range(first + 1, min(len(data), first + 60)):
        text = data.text(i)
        cells = header_cells(text, guess.width, guess.dialect) if text.strip() else None
        if (
            cells is None
            or value_share(cells, guess.dialect.decimal) > 0.1
            or len([c for c in cells if c]) < 0.6 * guess.width
        ):
            continue
        below = next(
            (
                j
                for j in range(i + 1, min(len(data), i + 5))
                if _is_data(data.text(j), guess, 0.3, slack=0.2)
            ),
            None,
        )
        if below is None:
            continue
        header = read_header(data.text, below, guess.width, guess.dialect)
        if header.made_up:
            continue
        return (below if i - first <= 5 else first), header
    return first, none
