"""Where the table lies in the file: dialect, first data line, width, header and preamble."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from audit.intake.bytes.encoding import count_byte
from audit.intake.said import refused
from audit.intake.text.dialect import (
    Dialect,
    Guess,
    decimal_twice,
    guess_dialect,
    names_columns,
    split_line,
    value_share,
)
from audit.intake.text.header import Header, header_cells, read_header
from audit.intake.text.lines import QUOTE, TAB, Lines, find_lines, spaces_to_tabs

HEAD_SEARCH = 400  # lines looked at one by one before bytes are counted instead
FAR_SEARCH = 20_000
PREAMBLE_KEPT = 200
SHORT = 60  # lines of a file that is looked at whole
LEAST_SHARE = 0.12  # of cells that look like values, in a table
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
    guess = _guess(data)
    threshold = 0.5 * min(1.0, guess.share)
    first = _first_data(data, guess, threshold)
    first, guess = _earlier_table(data, guess, first) or (first, guess)
    dialect = guess.dialect
    header = read_header(data.text, first, guess.width, dialect)
    if header.made_up:
        first, header = _header_further_down(data, guess, first) or (first, header)
    rows = [split_line(t, dialect.delimiter) for t in _sample(data, range(first, len(data)), 24)]
    bare_commas = dialect.delimiter == "," and not dialect.quotes and not header.made_up
    if bare_commas and decimal_twice(rows, len([n for n in header.names if n])):
        raise refused("comma_twice", line=first + 1)
    top = header.first if header.first is not None else first
    above = [data.text(i).strip() for i in range(top, first)]
    preamble = [data.text(i).strip()[:500] for i in range(min(top, PREAMBLE_KEPT))]
    blanks = dialect.delimiter == " "
    return Layout(
        lines=find_lines(spaces_to_tabs(data.data)) if blanks else data,
        dialect=dialect,
        delimiter=TAB if blanks else ord(dialect.delimiter),
        first=first,
        width=max(guess.width, len(header.names)),
        header=header,
        header_lines=frozenset(t for t in above if t and not t.startswith(COMMENTS)),
        preamble=tuple(t for t in preamble if t),
        rows=tuple(tuple(r) for r in rows),
        threshold=threshold,
    )


def _guess(data: Lines) -> Guess:
    """The dialect: from lines spread over all but the head, where the preamble is, and from the
    last, since most files end in data; of a short file from all. Raises NotALog or UnreadableLog.
    """
    if len(data) < SHORT:
        guess = guess_dialect(_sample(data, range(len(data)), 24))
    else:
        head, tail = min(len(data) // 5, 200), range(max(0, len(data) - 11), len(data) - 1)
        spread = _sample(data, range(head, len(data)), 14)
        guess = guess_dialect([*spread, *_sample(data, tail, 10)])
    if guess is None or guess.share < LEAST_SHARE:
        guess = _second_look(data, guess)
    dialect = guess.dialect
    if not dialect.quotes and dialect.delimiter != " ":
        marks = count_byte(data.data, QUOTE)
        guess = guess._replace(dialect=dialect._replace(quotes=marks > 0 and marks % 2 == 0))
    return guess


def _sample(data: Lines, span: range, most: int) -> list[str]:
    """Up to `most` lines spread over the span, blank and comment lines left out."""
    picks: Iterable[int] = span
    if len(span) > most:
        picks = sorted(set(np.linspace(span.start, span.stop - 1, most).astype(int).tolist()))
    texts = (data.text(i) for i in picks if data.length(i) < 1 << 20)
    return [t for t in texts if t.strip() and not t.lstrip().startswith(COMMENTS)]


def _second_look(data: Lines, first_guess: Guess | None) -> Guess:
    """Try every line of a short file, and the head of a long one; else say why it is no log."""
    wide = guess_dialect(_sample(data, range(len(data)), 400))
    if wide is not None and wide.share >= LEAST_SHARE:
        return wide
    guess = wide or first_guess
    texts = _sample(data, range(len(data)), 40)
    if not texts:
        raise refused("blank")
    if guess is None:
        numbers = max(value_share(texts, mark) for mark in ".,") > 0.5
        raise refused("one_column" if numbers else "plain_text")
    mark = guess.dialect.delimiter
    header = mark != " " and all(_short_words(split_line(t, mark)) for t in texts)
    raise refused("no_rows" if len(texts) <= 3 and header else "words")


def _short_words(cells: list[str]) -> bool:
    """Whether the cells may be a header: short, and no sentence."""
    return len(cells) >= 2 and all(
        len(c) <= 50 and len(c.split()) <= 6 and not c.endswith((".", "!", "?")) for c in cells
    )


def _is_data(text: str, guess: Guess, threshold: float, *, slack: float = 0.0) -> bool:
    cells = split_line(text, guess.dialect.delimiter)
    margin = max(1, slack * guess.width) if slack else 0
    if not guess.width - margin <= len(cells) <= max(guess.width + margin, guess.widest):
        return False
    return value_share(cells, guess.dialect.decimal) >= max(threshold, 1e-9)


def _first_data(data: Lines, guess: Guess, threshold: float) -> int:
    """The first of two lines of data one after the other, but for blank lines and remarks."""
    pending: int | None = None
    for i in range(min(len(data), HEAD_SEARCH)):
        text = data.text(i)
        if not text.strip() or text.lstrip().startswith(COMMENTS):
            continue
        is_data = _is_data(text, guess, threshold)
        if is_data and pending is not None:
            return pending
        pending = i if is_data else None
    return pending if pending is not None else _first_data_far(data, guess, threshold)


def _first_data_far(data: Lines, guess: Guess, threshold: float) -> int:
    """After a long preamble, or where the rows of data are few: by counting delimiters."""
    blanks = guess.dialect.delimiter == " "
    lines = find_lines(spaces_to_tabs(data.data)) if blanks else data
    byte = TAB if blanks else ord(guess.dialect.delimiter)
    for begin, end in lines.blocks(0):
        counts = lines.delimiters(begin, end, byte, quotes=guess.dialect.quotes)
        for i in np.flatnonzero(counts == guess.width - 1)[:FAR_SEARCH].tolist():
            if _is_data(data.text(begin + i), guess, threshold):
                return int(begin + i)
    for i in range(min(len(data), FAR_SEARCH)):
        if _is_data(data.text(i), guess, threshold, slack=0.3):
            return i
    raise refused("no_two_alike")


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
        width = len(cells)
        if width in (1, guess.width) or not any(map(_CLOCK_NAME.match, cells)):
            continue
        below = [row for row in rows[at + 1 : at + 5] if len(row[1]) == width]
        values = [i for i, row in below if value_share(row, decimal) >= 0.5]
        if value_share(cells, decimal) <= 0.1 and len(values) >= 3:
            return values[0], guess._replace(width=width, widest=max(guess.widest, width))
    return None


def _header_further_down(data: Lines, guess: Guess, first: int) -> tuple[int, Header] | None:
    """A header that stands below some lines of numbers: those few lines were preamble."""
    for i in range(first + 1, min(len(data), first + 60)):
        text = data.text(i)
        cells = header_cells(text, guess.width, guess.dialect) if text.strip() else None
        if cells is None or not names_columns(cells, guess.width, guess.dialect.decimal):
            continue
        for below in range(i + 1, min(len(data), i + 5)):
            if _is_data(data.text(below), guess, 0.3, slack=0.2):
                header = read_header(data.text, below, guess.width, guess.dialect)
                if not header.made_up:
                    return (below if i - first <= 5 else first), header
                break
    return None
