"""The file as lines, by counting bytes: where they start, how many delimiters each has."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from audit.intake.bytes.encoding import CR, LF, Bytes
from audit.model import Bools

Ints = npt.NDArray[np.int64]
BLOCK = 1 << 24
SAMPLE_LINE = 60_000  # bytes of a line that are ever looked at as text
QUOTE, SPACE, TAB = 34, 32, 9


@dataclass(frozen=True, eq=False)
class Lines:
    """data: UTF-8 bytes; stops: index of each line's line feed (len(data) for a last line
    without).
    """

    data: Bytes
    stops: Ints

    def __len__(self) -> int:
        return len(self.stops)

    @cached_property
    def starts(self) -> Ints:
        """Index of each line's first byte."""
        out = np.empty_like(self.stops)
        out[:1] = 0
        out[1:] = self.stops[:-1] + 1
        return out

    def text(self, i: int) -> str:
        """Line i (0-based) as text, without its end; very long lines are cut."""
        start = int(self.stops[i - 1]) + 1 if i else 0
        stop = min(int(self.stops[i]), start + SAMPLE_LINE)
        return self.data[start:stop].tobytes().decode("utf-8", "replace").rstrip("\r\n")

    def length(self, i: int) -> int:
        """Bytes of line i."""
        return int(self.stops[i]) - (int(self.stops[i - 1]) + 1 if i else 0)

    @property
    def ends_open(self) -> bool:
        """Whether the last line has no line feed."""
        return bool(len(self.stops)) and int(self.stops[-1]) == len(self.data)

    def blocks(self, first: int, size: int = BLOCK) -> Iterator[tuple[int, int]]:
        """(from, to) line numbers from `first` on, each about `size` bytes."""
        at = first
        while at < len(self):
            begin = int(self.stops[at - 1]) + 1 if at else 0
            to = int(np.searchsorted(self.stops, begin + size, side="right"))
            to = min(max(to, at + 1), len(self))
            yield at, to
            at = to

    def slice(self, first: int, to: int) -> Bytes:
        """The bytes of lines first to to (excluded), line feeds included."""
        begin = int(self.stops[first - 1]) + 1 if first else 0
        return self.data[begin : min(int(self.stops[to - 1]) + 1, len(self.data))]

    def bytes_of(self, first: int, to: int, which: Bools) -> Bools:
        """Of the bytes of lines first to to (excluded), which belong to these of them."""
        begin, end = int(self.starts[first]), len(self.slice(first, to))
        lengths = np.diff(np.minimum(self.stops[first:to] + 1 - begin, end), prepend=0)
        return np.repeat(which, lengths)

    def delimiters(self, first: int, to: int, delimiter: int, *, quotes: bool) -> Ints:
        """Delimiters outside quotes of lines first to to (excluded). Quotes are balanced line by
        line.
        """
        block = self.slice(first, to)
        begin = int(self.stops[first - 1]) + 1 if first else 0
        stops = self.stops[first:to] - begin
        at = np.flatnonzero(block == delimiter)
        if quotes and len(at):
            seen = np.cumsum(block == QUOTE, dtype=np.int64)
            line = np.searchsorted(stops, at)
            starts = np.concatenate(([0], stops[:-1] + 1))
            before = np.where(starts > 0, seen[np.maximum(starts - 1, 0)], 0)
            at = at[((seen[at] - before[line]) & 1) == 0]
        edges = np.searchsorted(at, stops)
        return np.diff(edges, prepend=0)


def without_padding(body: bytes, delimiter: int) -> bytes:
    """Without the blanks that pad cells before a delimiter or a line end; nothing else changes."""
    if b" " not in body:
        return body
    runs = b"  " in body  # else one pass takes them all
    for end in (bytes([delimiter]), b"\n", b"\r"):
        body = body.replace(b" " + end, end)
        while runs and b" " + end in body:
            body = body.replace(b" " + end, end)
    return body


def without_blank_end(data: Bytes) -> Bytes:
    """Without the empty lines at the end, which would keep a sound table from being read in one
    go.
    """
    tail = data[-4096:]
    text = np.flatnonzero((tail != LF) & (tail != CR))
    if not len(text):
        return data
    end = tail[int(text[-1]) + 1 :].tobytes()
    first = end.find(b"\n") + 1
    return data[: len(data) - len(end) + first] if first else data


def find_lines(data: Bytes) -> Lines:
    """Split at line feeds."""
    if len(data) <= BLOCK:
        stops = np.flatnonzero(data == LF)
    else:
        parts = [np.flatnonzero(data[i : i + BLOCK] == LF) + i for i in range(0, len(data), BLOCK)]
        stops = np.concatenate(parts)
    if len(data) and (len(stops) == 0 or stops[-1] != len(data) - 1):
        stops = np.append(stops, len(data))
    return Lines(data, stops.astype(np.int64, copy=False))


def spaces_to_tabs(data: Bytes) -> Bytes:
    """Runs of blanks between cells become one tab; blanks at the ends of lines go. Lines keep their
    number.
    """
    parts = []
    before = np.uint8(LF)
    for start in range(0, len(data), BLOCK):
        block = np.array(data[start : start + BLOCK])
        blank = (block == SPACE) | (block == TAB)
        previous = np.concatenate(([before], block[:-1]))
        after_blank = (previous == SPACE) | (previous == TAB) | (previous == LF)
        before = block[-1]
        block[blank] = TAB
        parts.append(block[~(blank & after_blank)])
    joined = np.concatenate(parts) if parts else data
    # a tab just before a line end is a trailing blank
    following = np.concatenate((joined[1:], [np.uint8(LF)]))
    out: Bytes = joined[~((joined == TAB) & ((following == LF) | (following == CR)))]
    return out


def single_to_double_quotes(data: Bytes) -> Bytes:
    """Cells in 'single quotes', in most lines of the head, become cells in double quotes."""
    head = data[:20_000].tobytes()
    if head.count(b"'") < 4 or b'"' in head:
        return data
    rows = [r for r in head.split(b"\n")[:50] if r.strip()]
    if sum(
        re.match(rb"\s*'[^']*'\s*(?:[,;\t|]|\r?$)", r) is not None and r.count(b"'") % 2 == 0
        for r in rows
    ) < 0.8 * len(rows):
        return data
    out = np.array(data)
    out[out == 39] = QUOTE
    return out
