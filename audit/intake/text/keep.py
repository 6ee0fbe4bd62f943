"""Which lines are rows of the table, when not all of them are: told by counting delimiters."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.intake.bytes.encoding import CR, LF, Ints
from audit.intake.said import note
from audit.intake.text.dialect import COMMENTS, is_blank, likeness, names_columns
from audit.intake.text.layout import Layout
from audit.intake.text.lines import QUOTE, SPACE, TAB
from audit.model import Bools, Note

COMMON = 0.1  # share of the lines from which a width is the file's habit, not an accident
SHORT_COMMON = 0.02
LOOKED_AT = 2000  # odd lines that are read as text, at most
NEAR = 12  # lines below a header among which its rows are looked for
CUT_OFF = "sensor.gap"  # what a torn end is: from there on rows are missing
_WITH_DECIMALS = re.compile(r'"?[-+]?\d[\d.,\' \u00a0]*[.,](\d+)"?')
NO_LINES: Ints = np.empty(0, dtype=np.int64)


class Kept(NamedTuple):
    """mask: which lines are rows, from the first of data on; odd: 0-based lines that are none, and
    not empty; next_table: where another one begins; cut_off: the last line was torn, and left out.
    """

    mask: Bools
    width: int
    quotes: bool
    odd: Ints = NO_LINES
    next_table: int | None = None
    notes: tuple[Note, ...] = ()
    cut_off: bool = False


def choose_lines(layout: Layout) -> Kept:
    """Decide line by line what is kept."""
    first, quotes = layout.first, layout.dialect.quotes
    counts, open_quote, empty = _count(layout)
    width = _width(layout, counts[~empty])
    if open_quote.mean() > COMMON:  # an inch mark, not a quote
        quotes, open_quote = False, np.zeros_like(open_quote)
    short, long = (counts < width - 1) & ~empty, counts > width - 1
    keep = (counts == width - 1) & ~open_quote & ~(empty & (width == 1))
    habit = short.sum() > SHORT_COMMON * max(1, (~empty).sum())
    if habit and (counts[short] > 0).mean() > 0.5:
        keep |= short & (counts >= 1) & ~open_quote
    odd = np.flatnonzero(~keep & ~empty)
    for i in odd[:LOOKED_AT].tolist():
        keep[i] = long[i] and _only_words_beyond(layout, first + i, width)
    next_table = next_table_in(layout, odd[counts[odd] != width - 1] + first)
    if next_table is not None:
        keep[next_table - first :] = False
        odd = odd[odd < next_table - first]
    longer = odd[(long & ~open_quote & ~keep)[odd]]
    notes = []
    if len(longer) > SHORT_COMMON * len(keep):
        keep[longer] = True
        line = first + int(longer[0]) + 1
        notes.append(note("beyond", line, len(longer), width=width))
    last, cut_off = len(layout.lines) - 1, False
    sound = keep[-1] and counts[-1] == width - 1 and not last_cell_is_short(layout, last)
    torn = (
        layout.lines.ends_open and next_table is None and len(keep) > 2 and not (sound or empty[-1])
    )
    if torn and layout.lines.text(last).strip() not in layout.header_lines:
        keep[-1], odd = False, odd[odd != len(keep) - 1]
        cells = len(layout.cells(last))
        cut_off = not layout.lines.text(last).lstrip().startswith(("#", "//"))
        key = "torn_cell" if cells == width else "torn_line"
        said = note(key, last + 1, code=CUT_OFF, cells=cells, width=width, before=last)
        notes = [said, *notes] if cut_off else notes
    return Kept(keep, width, quotes, odd[~keep[odd]] + first, next_table, tuple(notes), cut_off)


def _count(layout: Layout) -> tuple[Ints, Bools, Bools]:
    """Of each line: its delimiters, whether a quote is left open, whether nothing stands in it."""
    counts, open_quote, empty = [NO_LINES], [NO_LINES], [NO_LINES]
    lines, quotes = layout.lines, layout.dialect.quotes
    ink = np.ones(256, dtype=bool)
    ink[[SPACE, CR, LF, TAB, QUOTE, layout.mark]] = False
    for a, b in lines.blocks(layout.first):
        counts.append(lines.delimiters(a, b, layout.mark, quotes=quotes))
        open_quote.append(lines.delimiters(a, b, QUOTE) % 2 * quotes)
        empty.append(lines.tally(a, b, np.flatnonzero(ink[lines.slice(a, b)])))
    return np.concatenate(counts), np.concatenate(open_quote) == 1, np.concatenate(empty) == 0


def _width(layout: Layout, counts: Ints) -> int:
    """Cells a row: the widest count that is common."""
    if len(counts) == 0:
        return layout.width
    every = np.bincount(counts)
    widths = np.flatnonzero(every)
    times = every[widths]
    common = widths[(times >= max(2, COMMON * len(counts))) & (widths >= 1)]
    usual = common.max() if len(common) else widths[np.argmax(times * (widths + 1))]
    widest, header = int(usual) + 1, len(layout.header.names)
    full = counts == header - 1
    # where short rows are the habit the full width may be rare: the header tells it
    told = (full[:5].any() and header >= layout.width) or (full.any() and header > widest)
    return header if told and not layout.header.made_up else widest


def _only_words_beyond(layout: Layout, line: int, width: int) -> bool:
    """Whether a line that is too long holds a good row, and then nothing but blanks or words."""
    cells = layout.cells(line)
    beyond = (is_blank(c) or likeness(c, layout.dialect.decimal) == 0 for c in cells[width:])
    return len(cells) > width and layout.is_data(cells[:width]) and all(beyond)


def next_table_in(layout: Layout, odd: Ints) -> int | None:
    """The first of these lines that names other columns, with three rows about as wide below it."""
    for line in odd[:LOOKED_AT].tolist():
        text, cells = layout.lines.text(line), layout.cells(line)
        if text.strip() in layout.header_lines or text.lstrip().startswith(COMMENTS):
            continue
        if len(cells) < 2 or not names_columns(cells, len(cells), layout.dialect.decimal):
            continue
        below = map(layout.cells, range(line + 1, min(line + 1 + NEAR, len(layout.lines))))
        if sum(abs(len(c) - len(cells)) <= 1 and layout.is_data(c) for c in below) >= 3:
            return int(line)
    return None


def what_is_odd(layout: Layout, odd: Sequence[int]) -> tuple[list[int], list[Note]]:
    """Of lines that are no rows: where the header comes again; what is said of the others."""
    texts = {i: layout.lines.text(i).strip() for i in odd[:LOOKED_AT]}
    again = [i for i, text in texts.items() if text in layout.header_lines]
    notes, stray = [], [i for i in odd if texts.get(i) not in layout.header_lines]
    if stray:
        shown = ", ".join(str(i + 1) for i in stray[:8]) + (" ..." if len(stray) > 8 else "")
        reads = layout.lines.text(stray[0]).strip().replace("\t", " ")[:60]
        notes.append(note("no_row", stray[0] + 1, len(stray), shown=shown, reads=reads))
    return again, notes


def last_cell_is_short(layout: Layout, last: int) -> bool:
    """Whether the last cell of a line has fewer decimals than that cell of every line before."""
    rows = (layout.cells(i) for i in range(max(layout.first, last - 20), last))
    before = [_WITH_DECIMALS.fullmatch(row[-1]) for row in rows if row]
    digits = {len(m[1]) for m in before if m}
    own = layout.cells(last)[-1]
    if not own or len(digits) != 1 or not all(before) or len(before) < 3:
        return False
    found = _WITH_DECIMALS.fullmatch(own)
    if found is None:
        return re.fullmatch(r'"?[-+]?\d*[.,]?', own) is not None
    return len(found[1]) < min(digits)
