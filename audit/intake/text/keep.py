"""Which lines are rows of the table, when not all of them are: told by counting delimiters."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from audit.intake.text.dialect import is_blank, likeness, split_line, value_share
from audit.intake.text.layout import COMMENTS, Layout
from audit.intake.text.lines import QUOTE, Ints
from audit.model import Note

COMMON = 0.1  # share of the lines from which a width is the file's habit, not an accident
SHORT_COMMON = 0.02
LOOKED_AT = 2000  # odd lines that are read as text, at most
CUT_OFF = "sensor.gap"  # what a torn end is: from there on rows are missing


@dataclass(frozen=True, eq=False)
class Kept:
    """lines: 0-based numbers of the lines kept; restarts: line numbers of repeated headers."""

    lines: Ints
    width: int
    notes: tuple[Note, ...] = ()
    restarts: tuple[int, ...] = ()
    quotes: bool = True
    next_table: int | None = None
    short: bool = False  # rows may lack their last cells
    cut_off: bool = False  # the last line was torn, and left out
    mask: npt.NDArray[np.bool_] = field(
        default_factory=lambda: np.ones(0, dtype=bool)
    )  # from layout.first on


def choose_lines(layout: Layout) -> Kept:
    """Decide line by line what is kept; everything else is counted and told with line numbers."""
    counts, odd_quotes, empty = _count(layout)
    width = _width(layout, counts[~empty])
    quotes = True
    if odd_quotes.any() and odd_quotes.mean() > COMMON:  # an inch mark, not a quote
        quotes, odd_quotes = False, np.zeros_like(odd_quotes)
    short = (counts < width - 1) & ~empty
    short_is_habit = (
        short.sum() > SHORT_COMMON * max(1, (~empty).sum()) and (counts[short] > 0).mean() > 0.5
    )
    keep = (counts == width - 1) & ~odd_quotes
    if width == 1:
        keep &= ~empty
    if short_is_habit:
        keep |= short & (counts >= 1) & ~odd_quotes
    odd = np.flatnonzero(~keep & ~empty)
    helped = [
        i
        for i in odd[:LOOKED_AT].tolist()
        if counts[i] > width - 1 and _only_words_beyond(layout, i, width)
    ]
    keep[helped] = True
    long = np.flatnonzero((counts > width - 1) & ~odd_quotes & ~keep)
    next_table = _next_table(layout, counts, odd, width)
    if next_table is not None:
        keep[next_table:] = False
        odd = odd[odd < next_table]
    long = long[long < (next_table if next_table is not None else len(keep))]
    long_is_habit = len(long) > SHORT_COMMON * len(keep)
    if long_is_habit:
        keep[long] = True
    restarts: list[int] = []
    stray: list[int] = []
    for i in odd.tolist():
        if keep[i]:
            continue
        text = (
            layout.lines.text(layout.first + i).strip()
            if len(restarts) + len(stray) < LOOKED_AT
            else ""
        )
        if text in layout.header_lines:
            restarts.append(layout.first + i)
        else:
            stray.append(i)
    torn = [] if next_table is not None else _cut_off(layout, counts, keep, stray, width)
    notes = stray_notes(layout, [layout.first + i for i in stray]) + torn
    if long_is_habit:
        notes.append(
            Note(
                f"{len(long)} lines have more cells than the header has names (the first is line "
                f"{layout.first + long[0] + 1}); what stands beyond cell {width} is left out.",
                line=layout.first + int(long[0]) + 1,
                count=len(long),
            )
        )
    lines = np.flatnonzero(keep) + layout.first
    at = None if next_table is None else layout.first + next_table
    return Kept(
        lines=lines,
        width=width,
        notes=tuple(notes),
        restarts=tuple(restarts),
        quotes=quotes,
        next_table=at,
        short=bool(short_is_habit),
        cut_off=bool(torn),
        mask=keep,
    )


def _count(layout: Layout) -> tuple[Ints, npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    counts, odd, empty = [], [], []
    for a, b in layout.lines.blocks(layout.first):
        counts.append(layout.lines.delimiters(a, b, layout.delimiter, quotes=layout.dialect.quotes))
        if layout.dialect.quotes:
            odd.append(layout.lines.delimiters(a, b, QUOTE, quotes=False) % 2 == 1)
        else:
            odd.append(np.zeros(b - a, dtype=bool))
        block = layout.lines.slice(a, b)
        stops = layout.lines.stops[a:b] - layout.lines.starts[a]
        ink = np.flatnonzero(
            (block != 32)
            & (block != 13)
            & (block != 10)
            & (block != 9)
            & (block != QUOTE)
            & (block != layout.delimiter)
        )
        empty.append(np.diff(np.searchsorted(ink, stops), prepend=0) == 0)
    return np.concatenate(counts), np.concatenate(odd), np.concatenate(empty)


def _width(layout: Layout, counts: Ints) -> int:
    """Cells a row: the widest count that is common."""
    if len(counts) == 0:
        return layout.width
    every = np.bincount(np.maximum(counts, 0))
    values = np.flatnonzero(every)
    times = every[values]
    common = values[(times >= max(2, COMMON * len(counts))) & (values >= 1)]
    widest = (
        int(common.max()) + 1
        if len(common)
        else int(values[int(np.argmax(times * (values + 1)))]) + 1
    )
    header = len(layout.header.names)
    if (
        not layout.header.made_up
        and bool((counts[:5] == header - 1).any())
        and header >= layout.width
    ):
        return header
    # where short rows are the habit the full width may be rare: the header tells it
    if not layout.header.made_up and header > widest and bool((counts == header - 1).any()):
        return header
    return max(widest, 1)


def _only_words_beyond(layout: Layout, i: int, width: int) -> bool:
    """Whether a line that is too long holds a good row, and then nothing but blanks or words."""
    cells = _cells(layout, i)
    if len(cells) <= width:
        return False
    head, beyond = cells[:width], [c for c in cells[width:] if not is_blank(c)]
    return value_share(head, layout.dialect.decimal) >= layout.threshold and all(
        likeness(c, layout.dialect.decimal) == 0 for c in beyond
    )


def _cells(layout: Layout, i: int) -> list[str]:
    return split_line(layout.lines.text(layout.first + i), chr(layout.delimiter))


def _next_table(layout: Layout, counts: Ints, odd: Ints, width: int) -> int | None:
    """Where a header with other columns begins, followed by at least three rows of its own
    width.
    """
    for i in odd[:LOOKED_AT].tolist():
        if (
            i + 3 >= len(counts)
            or counts[i] < 1
            or counts[i] == width - 1
            or layout.lines.text(layout.first + i).strip() in layout.header_lines
        ):
            continue
        if layout.lines.text(layout.first + i).lstrip().startswith(COMMENTS):
            continue
        cells = _cells(layout, i)
        words = [c for c in cells if c]
        if (
            len(words) < 2
            or len(words) < 0.6 * len(cells)
            or value_share(cells, layout.dialect.decimal) > 0.1
        ):
            continue
        after = counts[i + 1 : i + 6]
        rows = [
            _cells(layout, i + 1 + j)
            for j in np.flatnonzero(np.abs(after - counts[i]) <= 1).tolist()
        ]
        if sum(value_share(r, layout.dialect.decimal) >= layout.threshold for r in rows) >= 3:
            return int(i)
    return None


def looks_like_header(layout: Layout, line: int) -> bool:
    """Whether a line (0-based) within the data names columns, other ones than the header above."""
    text = layout.lines.text(line)
    if text.strip() in layout.header_lines or text.lstrip().startswith(COMMENTS):
        return False
    cells = split_line(text, chr(layout.delimiter))
    words = [c for c in cells if not is_blank(c)]
    return (
        len(words) >= max(2, 0.6 * layout.width)
        and value_share(cells, layout.dialect.decimal) <= 0.1
    )


def stray_notes(layout: Layout, lines: Sequence[int]) -> list[Note]:
    """One note for the lines (0-based) that are no rows of data."""
    if not lines:
        return []
    shown = ", ".join(str(i + 1) for i in lines[:8]) + (" ..." if len(lines) > 8 else "")
    first = layout.lines.text(lines[0]).strip().replace("\t", " ")[:60]
    what = (
        "1 line is no row of data and was"
        if len(lines) == 1
        else f"{len(lines)} lines are no rows of data and were"
    )
    return [
        Note(
            f"{what} skipped: line {shown} (the first reads '{first}').",
            line=lines[0] + 1,
            count=len(lines),
        )
    ]


def _cut_off(
    layout: Layout, counts: Ints, keep: npt.NDArray[np.bool_], stray: list[int], width: int
) -> list[Note]:
    """Take out a last line that ends in the middle, and say so."""
    last = len(counts) - 1
    if last < 2 or not layout.lines.ends_open:
        return []
    number = layout.first + last + 1
    if keep[last] and counts[last] == width - 1 and not last_cell_is_short(layout, last):
        return []
    if not keep[last] and last not in stray:
        return []
    cells = len(_cells(layout, last))
    keep[last] = False
    if last in stray:
        stray.remove(last)
    if layout.lines.text(layout.first + last).lstrip().startswith(("#", "//")):
        return []
    how = (
        f"{cells} cells where there should be {width}"
        if cells != width
        else "its last cell is shorter than all others"
    )
    return [
        Note(
            f"line {number}: {how}; the file is cut off there. Read up to line {number - 1}.",
            line=number,
            code=CUT_OFF,
        )
    ]


def last_cell_is_short(layout: Layout, last: int) -> bool:
    """Whether the last cell has fewer decimals than the same cell of every line before it."""
    pattern = re.compile(r'"?[-+]?\d[\d.,\' \u00a0]*[.,](\d+)"?')
    before = [
        pattern.fullmatch(_cells(layout, i)[-1])
        for i in range(max(0, last - 20), last)
        if _cells(layout, i)
    ]
    digits = {len(m[1]) for m in before if m}
    own = _cells(layout, last)[-1]
    if not own:
        return False
    if len(digits) != 1 or not all(before) or len(before) < 3:
        return False
    found = pattern.fullmatch(own)
    return (
        len(found[1]) < min(digits) if found else re.fullmatch(r'"?[-+]?\d*[.,]?', own) is not None
    )
