"""Which lines are rows of the table, when not all of them are: told by counting delimiters."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from audit.intake.bytes.encoding import CR, LF
from audit.intake.said import note
from audit.intake.text.dialect import is_blank, likeness, names_columns, value_share
from audit.intake.text.layout import COMMENTS, Layout
from audit.intake.text.lines import QUOTE, SPACE, TAB, Ints
from audit.model import Bools, Note

COMMON = 0.1  # share of the lines from which a width is the file's habit, not an accident
SHORT_COMMON = 0.02
LOOKED_AT = 2000  # odd lines that are read as text, at most
CUT_OFF = "sensor.gap"  # what a torn end is: from there on rows are missing
_WITH_DECIMALS = re.compile(r'"?[-+]?\d[\d.,\' \u00a0]*[.,](\d+)"?')


@dataclass(frozen=True, eq=False)
class Kept:
    """lines: 0-based numbers of the lines kept; restarts: line numbers of repeated headers."""

    lines: Ints
    width: int
    notes: tuple[Note, ...] = ()
    restarts: tuple[int, ...] = ()
    quotes: bool = True
    next_table: int | None = None
    cut_off: bool = False  # the last line was torn, and left out
    mask: Bools = field(default_factory=lambda: np.ones(0, dtype=bool))  # from layout.first on


def choose_lines(layout: Layout) -> Kept:
    """Decide line by line what is kept; everything else is counted and told with line numbers."""
    first, quotes = layout.first, layout.dialect.quotes
    counts, odd_quotes, empty = _count(layout)
    width = _width(layout, counts[~empty])
    if odd_quotes.mean() > COMMON:  # an inch mark, not a quote
        quotes, odd_quotes = False, np.zeros_like(odd_quotes)
    short, long = (counts < width - 1) & ~empty, counts > width - 1
    keep = (counts == width - 1) & ~odd_quotes
    if width == 1:
        keep &= ~empty
    habit = short.sum() > SHORT_COMMON * max(1, (~empty).sum())
    if habit and (counts[short] > 0).mean() > 0.5:
        keep |= short & (counts >= 1) & ~odd_quotes
    odd = np.flatnonzero(~keep & ~empty)
    for i in odd[:LOOKED_AT].tolist():
        keep[i] = long[i] and _only_words_beyond(layout, i, width)
    long &= ~odd_quotes & ~keep
    next_table = _next_table(layout, counts, odd, width)
    if next_table is not None:
        keep[next_table:] = long[next_table:] = False
        odd = odd[odd < next_table]
    longer = np.flatnonzero(long)
    keep[longer] = beyond = len(longer) > SHORT_COMMON * len(keep)
    odd = odd[~keep[odd]]
    again = [
        i
        for i in odd[:LOOKED_AT].tolist()
        if layout.lines.text(first + i).strip() in layout.header_lines
    ]
    stray = odd[~np.isin(odd, again)]
    torn: list[Note] = []
    if next_table is None and _ends_torn(layout, counts, keep, stray, width):
        keep[-1], stray = False, stray[stray != len(keep) - 1]
        torn = _cut_off(layout, first + len(keep) - 1, width)
    notes = stray_notes(layout, (stray + first).tolist()) + torn
    if beyond:
        notes.append(note("beyond", first + int(longer[0]) + 1, len(longer), width=width))
    return Kept(
        lines=np.flatnonzero(keep) + first,
        width=width,
        notes=tuple(notes),
        restarts=tuple(first + i for i in again),
        quotes=quotes,
        next_table=None if next_table is None else first + next_table,
        cut_off=bool(torn),
        mask=keep,
    )


def _count(layout: Layout) -> tuple[Ints, Bools, Bools]:
    """Of each line: its delimiters, whether a quote is left open, whether nothing stands in it."""
    counts, odd, empty = [], [], []
    lines, quotes, mark = layout.lines, layout.dialect.quotes, layout.delimiter
    for a, b in lines.blocks(layout.first):
        counts.append(lines.delimiters(a, b, mark, quotes=quotes))
        odd.append(
            lines.delimiters(a, b, QUOTE, quotes=False) % 2 == 1
            if quotes
            else np.zeros(b - a, bool)
        )
        block = lines.slice(a, b)
        nothing = np.zeros(256, dtype=bool)
        nothing[[SPACE, CR, LF, TAB, QUOTE, mark]] = True
        ink = np.flatnonzero(~nothing[block])
        stops = lines.stops[a:b] - lines.starts[a]
        empty.append(np.diff(np.searchsorted(ink, stops), prepend=0) == 0)
    return np.concatenate(counts), np.concatenate(odd), np.concatenate(empty)


def _width(layout: Layout, counts: Ints) -> int:
    """Cells a row: the widest count that is common."""
    if len(counts) == 0:
        return layout.width
    every = np.bincount(np.maximum(counts, 0))
    widths = np.flatnonzero(every)
    times = every[widths]
    common = widths[(times >= max(2, COMMON * len(counts))) & (widths >= 1)]
    usual = common.max() if len(common) else widths[np.argmax(times * (widths + 1))]
    widest, header = int(usual) + 1, len(layout.header.names)
    full = counts == header - 1
    # where short rows are the habit the full width may be rare: the header tells it
    told = (full[:5].any() and header >= layout.width) or (full.any() and header > widest)
    return header if told and not layout.header.made_up else max(widest, 1)


def _only_words_beyond(layout: Layout, i: int, width: int) -> bool:
    """Whether a line that is too long holds a good row, and then nothing but blanks or words."""
    cells, decimal = layout.cells(layout.first + i), layout.dialect.decimal
    return (
        len(cells) > width
        and value_share(cells[:width], decimal) >= layout.threshold
        and all(is_blank(c) or likeness(c, decimal) == 0 for c in cells[width:])
    )


def _next_table(layout: Layout, counts: Ints, odd: Ints, width: int) -> int | None:
    """Where a header with other columns begins, followed by at least three rows of its own
    width.
    """
    for i in odd[:LOOKED_AT].tolist():
        line = layout.first + i
        if i + 3 >= len(counts) or counts[i] < 1 or counts[i] == width - 1:
            continue
        if not looks_like_header(layout, line, int(counts[i]) + 1):
            continue
        near = np.flatnonzero(np.abs(counts[i + 1 : i + 6] - counts[i]) <= 1).tolist()
        rows = [layout.cells(line + 1 + j) for j in near]
        if sum(value_share(r, layout.dialect.decimal) >= layout.threshold for r in rows) >= 3:
            return int(i)
    return None


def looks_like_header(layout: Layout, line: int, width: int) -> bool:
    """Whether a line (0-based) within the data names columns, other ones than the header above."""
    text = layout.lines.text(line)
    if text.strip() in layout.header_lines or text.lstrip().startswith(COMMENTS):
        return False
    return names_columns(layout.cells(line), width, layout.dialect.decimal)


def stray_notes(layout: Layout, lines: Sequence[int]) -> list[Note]:
    """One note for the lines (0-based) that are no rows of data."""
    if not lines:
        return []
    shown = ", ".join(str(i + 1) for i in lines[:8]) + (" ..." if len(lines) > 8 else "")
    reads = layout.lines.text(lines[0]).strip().replace("\t", " ")[:60]
    return [note("no_row", lines[0] + 1, len(lines), shown=shown, reads=reads)]


def _ends_torn(layout: Layout, counts: Ints, keep: Bools, stray: Ints, width: int) -> bool:
    """Whether the last line ends in the middle."""
    last = len(counts) - 1
    if last < 2 or not layout.lines.ends_open:
        return False
    if not keep[last]:
        return last in stray
    return bool(counts[last] != width - 1 or last_cell_is_short(layout, layout.first + last))


def _cut_off(layout: Layout, last: int, width: int) -> list[Note]:
    """What is said of a torn last line; nothing of a remark."""
    if layout.lines.text(last).lstrip().startswith(("#", "//")):
        return []
    cells = len(layout.cells(last))
    key = "torn_cell" if cells == width else "torn_line"
    return [note(key, last + 1, code=CUT_OFF, cells=cells, width=width, before=last)]


def last_cell_is_short(layout: Layout, last: int) -> bool:
    """Whether the last cell of a line has fewer decimals than the same cell of every line before
    it.
    """
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
