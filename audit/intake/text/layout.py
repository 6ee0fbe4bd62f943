"""Where the table lies in the file: dialect, first data line, width, header and preamble."""

from __future__ import annotations

import re
from typing import NamedTuple

import numpy as np

from audit.intake.bytes.encoding import where
from audit.intake.said import refused
from audit.intake.text.dialect import (
    COMMENTS,
    Dialect,
    Guess,
    guess_dialect,
    is_remark,
    names_columns,
    split_line,
    value_share,
)
from audit.intake.text.header import Header, header_cells, read_header
from audit.intake.text.lines import QUOTE, SAMPLE_LINE, TAB, Lines, find_lines, spaces_to_tabs

HEAD_SEARCH = 400  # lines in which two rows of data should follow each other
FAR_SEARCH = 100_000  # lines of a preamble, at most
PREAMBLE_KEPT = 200
SHORT = 60  # lines of a file that is looked at whole
LEAST_SHARE = 0.12  # of cells that look like values, in a table
_CLOCK_NAME = re.compile(
    r"(?i)\W*(time|zeit|temps|tiempo|timestamp|uhrzeit|elapsed|t|date|datum)(?![a-z])"
)


class Layout(NamedTuple):
    """lines: as to be parsed (blanks become tabs); first: 0-based first line of data; mark: the
    delimiter as a byte; header_lines: texts above the data that may come again.
    """

    lines: Lines
    dialect: Dialect
    mark: int
    first: int
    width: int
    header: Header
    header_lines: frozenset[str]
    preamble: tuple[str, ...]
    rows: list[list[str]]  # cells of sampled data lines
    threshold: float  # least share of value-like cells of a data line

    def cells(self, line: int) -> list[str]:
        """The cells of a line (0-based)."""
        return split_line(self.lines.text(line), chr(self.mark))

    def is_data(self, cells: list[str]) -> bool:
        """Whether enough of the cells look like values."""
        return value_share(cells, self.dialect.decimal) >= self.threshold


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
    if bare_commas and _decimal_twice(rows, sum(map(bool, header.names))):
        raise refused("comma_twice", line=first + 1)
    top = header.first if header.first is not None else first
    above = [data.text(i).strip() for i in range(top, first)]
    preamble = [data.text(i).strip()[:500] for i in range(min(top, PREAMBLE_KEPT))]
    blanks = dialect.delimiter == " "
    return Layout(
        lines=find_lines(spaces_to_tabs(data.data)) if blanks else data,
        dialect=dialect,
        mark=TAB if blanks else ord(dialect.delimiter),
        first=first,
        width=max(guess.width, len(header.names)),
        header=header,
        header_lines=frozenset(t for t in above if t and not t.startswith(COMMENTS)),
        preamble=tuple(filter(None, preamble)),
        rows=rows,
        threshold=threshold,
    )


def _guess(data: Lines) -> Guess:
    """The dialect: from lines spread over all but the head, where the preamble is, and from the
    last, since most files end in data; of a short file from all. Raises NotALog or UnreadableLog.
    """
    if (n := len(data)) < SHORT:
        guess = guess_dialect(_sample(data, range(n), 24))
    else:
        spread = _sample(data, range(min(n // 5, 200), n), 14)
        guess = guess_dialect([*spread, *_sample(data, range(n - 11, n - 1), 10)])
    if guess is None or guess.share < LEAST_SHARE:
        guess = _second_look(data, guess)
    dialect = guess.dialect
    if not dialect.quotes and dialect.delimiter != " ":
        marks = len(where(data.data, QUOTE))
        guess = guess._replace(dialect=dialect._replace(quotes=marks > 0 and marks % 2 == 0))
    return guess


def _sample(data: Lines, span: range, most: int) -> list[str]:
    """Up to `most` lines spread over the span, blank and comment lines left out."""
    picks = np.linspace(span.start, span.stop - 1, min(most, len(span))).astype(int).tolist()
    texts = map(data.text, dict.fromkeys(picks))
    return [t for t in texts if not is_remark(t) and len(t) < SAMPLE_LINE]


def _second_look(data: Lines, first_guess: Guess | None) -> Guess:
    """Try every line of a short file, and the head of a long one; else say why it is no log."""
    guess = guess_dialect(_sample(data, range(len(data)), 400)) or first_guess
    if guess is not None and guess is not first_guess and guess.share >= LEAST_SHARE:
        return guess
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


def _first_data(data: Lines, guess: Guess, threshold: float) -> int:
    """The first of two lines of data one after the other, but for blank lines and remarks; after a
    long preamble, or where the rows of data are few, the first of all.
    """
    pending, lone = None, None
    for i in range(min(len(data), FAR_SEARCH)):
        if i >= HEAD_SEARCH and lone is not None:
            break
        if is_remark(text := data.text(i)):
            continue
        is_data = guess.is_data(text, threshold)
        if is_data and pending is not None:
            return pending
        pending = i if is_data else None
        lone = pending if lone is None else lone
    if lone is not None:
        return lone if pending is None else pending
    for i in range(min(len(data), FAR_SEARCH)):
        if guess.is_data(data.text(i), threshold, slack=0.3):
            return i
    raise refused("no_two_alike")


def _earlier_table(data: Lines, guess: Guess, first: int) -> tuple[int, Guess] | None:
    """A table of another width above the main one: a header with a clock, then rows of values."""
    delimiter, decimal = guess.dialect.delimiter, guess.dialect.decimal
    above = [split_line(data.text(i), delimiter) for i in range(min(first, HEAD_SEARCH))]
    for at, cells in enumerate(above):
        width = len(cells)
        if width in (1, guess.width) or not any(map(_CLOCK_NAME.match, cells)):
            continue
        near = [i for i in range(at + 1, min(at + 6, len(above))) if len(above[i]) == width]
        values = [i for i in near if value_share(above[i], decimal) >= 0.5]
        if len(values) >= 3 and names_columns(cells, 0, decimal):
            return values[0], guess._replace(width=width, widest=max(guess.widest, width))
    return None


def _header_further_down(data: Lines, guess: Guess, first: int) -> tuple[int, Header] | None:
    """A header that stands below some lines of numbers: those few lines were preamble."""
    for i in range(first + 1, min(len(data), first + 60)):
        cells = header_cells(data.text(i), guess.width, guess.dialect)
        if cells is None or not names_columns(cells, guess.width, guess.dialect.decimal):
            continue
        near = range(i + 1, min(len(data), i + 5))
        below = next((j for j in near if guess.is_data(data.text(j), 0.3, slack=0.2)), None)
        if below is not None:
            header = read_header(data.text, below, guess.width, guess.dialect)
            if not header.made_up:
                return (below if i - first <= 5 else first), header
    return None


def _decimal_twice(rows: list[list[str]], names: int) -> bool:
    """Whether the comma is the decimal mark too: fewer names than cells, all whole numbers."""
    full = [[cell for cell in row if cell] for row in rows]
    cells = [cell.lstrip("+-") for row in full for cell in row]
    wide = names >= 2 and sum(names < len(row) <= 2 * names for row in full) > 0.9 * len(rows)
    return wide and sum(map(str.isdecimal, cells)) > 0.98 * len(cells)
