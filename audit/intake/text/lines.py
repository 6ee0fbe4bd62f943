"""The file as lines, by counting bytes: where they begin, how many delimiters each has."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from audit.intake.bytes.encoding import CR, LF, Bytes, Ints, where
from audit.intake.said import refused

BLOCK = 1 << 24
SAMPLE_LINE = 60_000  # bytes of a line that are ever looked at as text
QUOTE, SPACE, TAB = 34, 32, 9
FEW_LINES = 20
LONGEST_LINE = 20_000  # bytes: rows of two hundred channels with long names are shorter


@dataclass(frozen=True, eq=False)
class Lines:
    """data: UTF-8 bytes; edges: where each line begins, and where the last one ends."""

    data: Bytes
    edges: Ints

    def __len__(self) -> int:
        return len(self.edges) - 1

    def text(self, i: int) -> str:
        """Line i (0-based) as text, without its end; very long lines are cut."""
        start = int(self.edges[i])
        line = self.data[start : min(int(self.edges[i + 1]), start + SAMPLE_LINE)]
        return line.tobytes().decode("utf-8", "replace").rstrip("\r\n")

    @property
    def ends_open(self) -> bool:
        """Whether the last line has no line feed."""
        return self.data[-1:].tobytes() != b"\n"

    def blocks(self, first: int, size: int = BLOCK) -> Iterator[tuple[int, int]]:
        """(from, to) line numbers from `first` on, each about `size` bytes."""
        while first < len(self):
            to = int(np.searchsorted(self.edges, self.edges[first] + size, side="right")) - 1
            yield first, (to := max(to, first + 1))
            first = to

    def slice(self, first: int, to: int) -> Bytes:
        """The bytes of lines first to to (excluded), line feeds included."""
        return self.data[int(self.edges[first]) : int(self.edges[to])]

    def tally(self, first: int, to: int, at: Ints) -> Ints:
        """How many of these places of their slice lie in each of lines first to to (excluded)."""
        edges = self.edges[first : to + 1] - self.edges[first]
        out: Ints = np.diff(np.searchsorted(at, edges))
        return out

    def delimiters(self, first: int, to: int, mark: int, *, quotes: bool = False) -> Ints:
        """How often a byte stands in each of lines first to to (excluded); quotes: outside of
        quotes, which are balanced line by line.
        """
        block = self.slice(first, to)
        at = np.flatnonzero(block == mark)
        if quotes and len(at):
            marks, edges = np.flatnonzero(block == QUOTE), self.edges[first : to + 1]
            starts = edges[np.searchsorted(edges, at + edges[0], side="right") - 1] - edges[0]
            at = at[(np.searchsorted(marks, at) - np.searchsorted(marks, starts)) % 2 == 0]
        return self.tally(first, to, at)


def find_lines(data: Bytes) -> Lines:
    """Split at line feeds, without the empty lines at the end: no sound table has them."""
    edges = np.concatenate(([0], where(data, LF) + 1))
    if edges[-1] != len(data):
        edges = np.append(edges, len(data))
    tail = data[-4096:]
    ink = np.flatnonzero((tail != LF) & (tail != CR))
    if len(ink):
        last = len(data) - len(tail) + int(ink[-1])
        edges = edges[: int(np.searchsorted(edges, last, side="right")) + 1]
    return Lines(data[: int(edges[-1])], edges)


def refuse_lost_ends(lines: Lines) -> None:
    """Raise UnreadableLog where one line holds the better part of the text: its line breaks are
    lost. One monster among rows that can be read is left out, and told.
    """
    if 0 < len(lines) <= FEW_LINES:
        lengths = np.diff(lines.edges)
        at, longest = int(lengths.argmax()), int(lengths.max())
        if longest > LONGEST_LINE and 2 * longest > len(lines.data):
            raise refused("lost_ends", line=at + 1, kilobytes=f"{longest / 1000:.0f}")


def without_padding(body: bytes, delimiter: int) -> bytes:
    """Without the blanks that pad cells before a delimiter or a line end; nothing else changes."""
    for end in (bytes([delimiter]), b"\n", b"\r") if b" " in body else ():
        while b" " + end in body:
            body = body.replace(b" " + end, end)
    return body


def spaces_to_tabs(data: Bytes) -> Bytes:
    """Runs of blanks between cells become one tab, those at the ends of lines go."""
    lines = (b"\t".join(line.split()) for line in data.tobytes().split(b"\n"))
    return np.frombuffer(b"\n".join(lines), dtype=np.uint8)


def single_to_double_quotes(data: Bytes) -> Bytes:
    """Cells in 'single quotes', in most lines of the head, become cells in double quotes."""
    head = data[:20_000].tobytes()
    if head.count(b"'") < 4 or b'"' in head:
        return data
    rows = [r for r in head.split(b"\n")[:50] if r.strip()]
    cell = re.compile(rb"\s*'[^']*'\s*(?:[,;\t|]|\r?$)")
    quoted = sum(cell.match(r) is not None and r.count(b"'") % 2 == 0 for r in rows)
    return np.where(data == 39, np.uint8(QUOTE), data) if quoted >= 0.8 * len(rows) else data
