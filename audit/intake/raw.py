"""What lies between bytes and a Log: the table as the file has it, with its clock understood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from audit.model import Array, Note


@dataclass(frozen=True, slots=True)
class RawColumn:
    """One source column. header: as the file has it; unit: text found, "" if none; unit_from:
    'header', 'units row', 'cells' or 'format'; numeric: the frame's column is Float64.
    """

    header: str
    unit: str = ""
    unit_from: str = ""
    numeric: bool = True
    name: str = ""  # header without its unit and brackets, for naming


@dataclass(frozen=True, slots=True)
class Clock:
    """How time was understood.

    kind: 'seconds', 'milliseconds', 'microseconds', 'time of day', 'date-time', 'given rate', ...
    breaks: first row after each restart; wall_start: ISO date-time of the first row if known.
    """

    column: str | None
    kind: str
    breaks: tuple[int, ...] = ()
    wall_start: str | None = None
    said: str = ""


@dataclass(frozen=True, eq=False)
class RawLog:
    """A recording as read. frame: columns[i] of the frame belongs to columns[i]; the frame's column
    names are unique (a duplicate header gets ' (2)'); numeric ones Float64 with null for a blank
    cell, the rest String. time: s from the first row, strictly increasing, as many rows as the
    frame.
    """

    path: str
    sha256: str
    frame: pl.DataFrame
    columns: tuple[RawColumn, ...]
    time: Array
    clock: Clock
    notes: tuple[Note, ...] = ()
    preamble: tuple[str, ...] = ()
    dialect: str = ""  # a phrase: "semicolon, decimal comma, UTF-16"
    cut_off: bool = False  # the file ends torn after the last row


@dataclass(frozen=True, slots=True)
class Rejected:
    """One log that could not be read: a sentence that names file, place and mend."""

    path: str
    sha256: str
    error: str
    not_a_log: bool = False  # nothing in it looks like a log, so no pull can be hidden in it
