"""Which delimiter and decimal mark a table uses: candidates scored on a sample of its lines."""

from __future__ import annotations

import contextlib
import csv
import functools
import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from audit.tables import toml_table

_WORDS = {";": "semicolon", "\t": "tab", "|": "bar", ",": "comma", " ": "spaces"}  # as tried
COMMENTS = ("#", "//", "!", "%")
CELLS_SCORED = 1500
LONGEST_VALUE = 80  # characters of a number or a stamp: patterns would take for ever over more

NULLS = frozenset(toml_table("words.toml")["no_value"])
_TAIL = (  # exponent and unit
    r"(?:[eE][-+]?\d{1,3})?"
    r"(?:\s?[^\W\d_][^\d\s,;|]{0,9}\d?|\s?[%°\"'][^\d\s]{0,6})?\s*"
)
_PLAIN = {m: re.compile(rf"\s*[-+]?(?:\d+\{m}?\d*|\{m}\d+){_TAIL}") for m in ".,"}
_GROUPED = {
    m: re.compile(rf"\s*[-+]?\d{{1,3}}(?:[{o}'\u2019 \u00a0\u202f]\d{{3}})+(?:\{m}\d*)?{_TAIL}")
    for m, o in (".,", ",.")
}
_STAMP = re.compile(
    r"\s*(?:(?:\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}|\d{1,2}[- ][A-Za-zä]{3,9}[- ]\d{2,4}|\d{8})"
    r"(?:[T ]+|$|\s*$))?"
    r"(?:\d{1,4}:\d{1,2}(?::\d{1,2})?(?:[.,:]\d{1,9})?\s*(?:[AaPp]\.?[Mm]\.?)?"
    r"(?:Z|[-+]\d\d:?\d\d| ?UTC)?)?\s*"
)


class Dialect(NamedTuple):
    """delimiter ' ' stands for runs of blanks; quotes: double quotes occur in the data."""

    delimiter: str
    decimal: str = "."
    quotes: bool = False

    @property
    def words(self) -> str:
        """A phrase for people: 'semicolon, decimal comma'."""
        return _WORDS[self.delimiter] + (", decimal comma" if self.decimal == "," else "")


def split_line(line: str, delimiter: str) -> list[str]:
    """The cells of one line, unquoted, blanks around them kept out."""
    if delimiter == " ":
        return line.split()
    row = line.split(delimiter)
    if '"' in line:
        with contextlib.suppress(csv.Error):
            row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    return [cell.strip() for cell in row]


def is_remark(text: str) -> bool:
    """Whether a line is blank or a comment."""
    return not text.strip() or text.lstrip().startswith(COMMENTS)


def is_blank(cell: str) -> bool:
    """Whether a cell stands for no value."""
    return cell.strip().lower() in NULLS


@functools.lru_cache(maxsize=8192)  # the same few cells come again and again
def likeness(cell: str, decimal: str) -> float:
    """How much a cell that is not blank looks like a value: 1 number or stamp, 0.5 a number in
    groups, 0.3 one with the other mark (one column may have its own), 0 text.
    """
    if len(cell) > LONGEST_VALUE:
        return 0.0
    other = "," if decimal == "." else "."
    ways = ((_PLAIN[decimal], 1.0), (_STAMP, 1.0), (_GROUPED[decimal], 0.5), (_PLAIN[other], 0.3))
    return next((score for way, score in ways if way.fullmatch(cell)), 0.0)


def value_share(cells: Sequence[str], decimal: str) -> float:
    """Share of the cells that are not blank which look like values; -1 when all are blank."""
    full = [cell for cell in cells if not is_blank(cell)]
    return sum(likeness(cell, decimal) > 0 for cell in full) / len(full) if full else -1.0


def names_columns(cells: Sequence[str], width: int, decimal: str) -> bool:
    """Whether the cells of a line may name the columns of a table so wide: words, and enough."""
    full = sum(not is_blank(cell) for cell in cells)
    return full >= max(2, 0.6 * width) and value_share(cells, decimal) <= 0.1


class Guess(NamedTuple):
    """A scored candidate. width: cells a line, widest: of any seen often; share: how value-like."""

    dialect: Dialect
    score: float
    width: int
    share: float
    widest: int = 0

    def is_data(self, text: str, threshold: float, *, slack: float = 0.0) -> bool:
        """Whether a line is a row of data; slack: share of the width that it may be off."""
        cells = split_line(text, self.dialect.delimiter)
        margin = max(1, slack * self.width) if slack else 0
        if not self.width - margin <= len(cells) <= max(self.width + margin, self.widest):
            return False
        return value_share(cells, self.dialect.decimal) >= max(threshold, 1e-9)


def guess_dialect(sample: Sequence[str]) -> Guess | None:
    """The best candidate for the sampled lines, or None when no candidate gives two columns.

    Score: share of lines with the commonest width, to the power 0.3 (ragged lines are common),
    times the value-likeness of their cells, times 1 - 1/(width + 1).
    """
    lines = [line for line in sample if line.strip()]
    joined = "\n".join(lines)
    quotes = '"' in joined
    best: Guess | None = None
    for delimiter in _WORDS:
        if not lines or joined.count(delimiter) < 0.3 * len(lines):
            continue
        if delimiter == " " and best and best.dialect.delimiter != "," and best.share > 0.3:
            continue  # blanks within cells, as in '2026-11-25 20:15:00'
        rows = [split_line(line, delimiter) for line in lines]
        widths = Counter(len(row) for row in rows if len(row) > 1)
        likely = sorted(widths, key=lambda w: widths[w] * w**0.5, reverse=True)[:3]
        marks = (".", ",") if "," in joined and (delimiter != "," or quotes) else (".",)
        for width in [*likely[:1], *(w for w in likely[1:] if widths[w] >= 0.2 * len(rows))]:
            own = [row for row in rows if len(row) == width]
            cells = _full_cells(own)
            common = len(own) / len(rows)
            often = max(2, 0.03 * len(rows))
            widest = max(w for w, n in widths.items() if n >= often or w == width)
            for decimal in marks if cells else ():
                share = sum([likeness(cell, decimal) for cell in cells]) / len(cells)
                score = common**0.3 * share * (1 - 1 / (width + 1))
                score *= (1.0 if decimal == "." else 0.999) * (0.9 if delimiter == " " else 1.0)
                if best is None or score > best.score:
                    best = Guess(Dialect(delimiter, decimal, quotes), score, width, share, widest)
                if share > 0.999 and common > 0.95 and width > 2:
                    return best
    return best


def _full_cells(rows: list[list[str]]) -> list[str]:
    step = max(1, sum(map(len, rows)) // CELLS_SCORED)
    some = rows[::step] if step < len(rows) else rows[:1]
    return [cell for row in some for cell in row if cell.lower() not in NULLS]
