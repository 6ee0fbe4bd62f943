"""Which delimiter and decimal mark a table uses: candidates scored on a sample of its lines."""

from __future__ import annotations

import csv
import functools
import re
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

from audit.tables import toml_table

DELIMITERS = (";", "\t", "|", ",", " ")
_WORDS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "spaces"}
CELLS_SCORED = 1500
LONGEST_VALUE = 80  # characters of a number or a stamp

NULLS = frozenset(toml_table("words.toml")["no_value"])
_EXP = r"(?:[eE][-+]?\d{1,3})?"
_UNIT = r"(?:\s?[^\W\d_][^\d\s,;|]{0,9}\d?|\s?[%°\"'][^\d\s]{0,6})?"
_POINT = re.compile(rf"\s*[-+]?(?:\d+\.?\d*|\.\d+){_EXP}{_UNIT}\s*")
_COMMA = re.compile(rf"\s*[-+]?(?:\d+,?\d*|,\d+){_EXP}{_UNIT}\s*")
_POINT_GROUPED = re.compile(
    rf"\s*[-+]?\d{{1,3}}(?:[,'\u2019 \u00a0\u202f]\d{{3}})+(?:\.\d*)?{_EXP}{_UNIT}\s*"
)
_COMMA_GROUPED = re.compile(
    rf"\s*[-+]?\d{{1,3}}(?:[.'\u2019 \u00a0\u202f]\d{{3}})+(?:,\d*)?{_EXP}{_UNIT}\s*"
)
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
    if '"' in line:
        try:
            row = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            row = line.split(delimiter)
        return [cell.strip() for cell in row]
    return [cell.strip() for cell in line.split(delimiter)]


def is_blank(cell: str) -> bool:
    """Whether a cell stands for no value."""
    return cell.strip().lower() in NULLS


def likeness(cell: str, decimal: str) -> float:
    """How much a cell that is not blank looks like a value: 1 number or stamp, 0.5 grouped number,
    0 text.
    """
    return (
        _likeness(cell, decimal) if len(cell) <= LONGEST_VALUE else 0.0
    )  # and patterns would take for ever over it


@functools.lru_cache(maxsize=8192)  # the same few cells come again and again
def _likeness(cell: str, decimal: str) -> float:
    if (_POINT if decimal == "." else _COMMA).fullmatch(cell):
        return 1.0
    if _STAMP.fullmatch(cell):
        return 1.0
    if (_POINT_GROUPED if decimal == "." else _COMMA_GROUPED).fullmatch(cell):
        return 0.5
    # the other mark is read too where delimiters allow (one column may have its own)
    return 0.3 if (_COMMA if decimal == "." else _POINT).fullmatch(cell) else 0.0


def value_share(cells: Sequence[str], decimal: str) -> float:
    """Share of the cells that are not blank which look like values; -1 when all are blank."""
    full = [cell for cell in cells if not is_blank(cell)]
    if not full:
        return -1.0
    return sum(likeness(cell, decimal) > 0 for cell in full) / len(full)


def names_columns(cells: Sequence[str], width: int, decimal: str) -> bool:
    """Whether the cells of a line may name the columns of a table so wide: words, and enough."""
    full = sum(not is_blank(cell) for cell in cells)
    return full >= max(2, 0.6 * width) and value_share(cells, decimal) <= 0.1


class Guess(NamedTuple):
    """A scored candidate. width: cells a line; share: how value-like they are, 0 to 1; widest: of
    any line seen often.
    """

    dialect: Dialect
    score: float
    width: int
    share: float
    widest: int = 0


def guess_dialect(sample: Sequence[str]) -> Guess | None:
    """The best candidate for the sampled lines, or None when no candidate gives two columns.

    Score: share of lines with the commonest width, to the power 0.3 (ragged lines are common),
    times the value-likeness of their cells, times 1 - 1/(width + 1).
    """
    lines = [line for line in sample if line.strip()]
    if not lines:
        return None
    joined = "\n".join(lines)
    quotes = '"' in joined
    best: Guess | None = None
    for delimiter in DELIMITERS:
        if joined.count(delimiter) < 0.3 * len(lines):
            continue
        if (
            delimiter == " "
            and best is not None
            and best.dialect.delimiter != ","
            and best.share > 0.3
        ):
            continue  # blanks within cells, as in '2026-11-25 20:15:00'
        rows = [split_line(line, delimiter) for line in lines]
        widths = Counter(len(row) for row in rows if len(row) > 1)
        if not widths:
            continue
        likely = sorted(widths, key=lambda w: widths[w] * w**0.5, reverse=True)[:3]
        marks = (".", ",") if "," in joined and (delimiter != "," or quotes) else (".",)
        for width in [likely[0], *(w for w in likely[1:] if widths[w] >= 0.2 * len(rows))]:
            own = [row for row in rows if len(row) == width]
            cells = _full_cells(own)
            share_lines = len(own) / len(rows)
            for decimal in marks if cells else ():
                share = sum([likeness(cell, decimal) for cell in cells]) / len(cells)
                score = share_lines**0.3 * share * (1 - 1 / (width + 1))
                score *= (1.0 if decimal == "." else 0.999) * (0.9 if delimiter == " " else 1.0)
                if best is None or score > best.score:
                    widest = max(
                        w for w, n in widths.items() if n >= max(2, 0.03 * len(rows)) or w == width
                    )
                    best = Guess(Dialect(delimiter, decimal, quotes), score, width, share, widest)
                if share > 0.999 and share_lines > 0.95 and width > 2:
                    return best
    return best


def _full_cells(rows: list[list[str]]) -> list[str]:
    cells: list[str] = []
    step = max(1, sum(len(row) for row in rows) // CELLS_SCORED)
    for row in rows[::step] if step < len(rows) else rows[:1]:
        cells.extend(cell for cell in row if cell.lower() not in NULLS)
    return cells


def decimal_twice(rows: Sequence[Sequence[str]], header_width: int) -> bool:
    """Whether a comma-delimited table also used the comma as its decimal mark, without quotes.

    Seen from a header with fewer names than the rows have cells, all of them whole numbers.
    """
    if header_width < 2 or all(len(row) <= header_width for row in rows):
        return False
    full = [cell for row in rows for cell in row if cell]
    whole = sum(bool(re.fullmatch(r"[-+]?\d+", cell)) for cell in full) / max(1, len(full))
    wide = sum(header_width < len([c for c in row if c]) <= 2 * header_width for row in rows) / len(
        rows
    )
    return whole > 0.98 and wide > 0.9
