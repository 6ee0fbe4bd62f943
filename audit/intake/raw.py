"""What lies between bytes and a Log: the table as the file has it, and the clock found in it."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt
    import polars as pl

    from audit.model import Array, Note


class RawColumn(NamedTuple):
    """One source column. header: as the file has it; unit: text found, "" if none; unit_from:
    'header', 'units row', 'cells' or 'format'; numeric: the frame's column is Float64.
    """

    header: str
    unit: str = ""
    unit_from: str = ""
    numeric: bool = True
    name: str = ""  # header without its unit and brackets, for naming


class Clock(NamedTuple):
    """How time was understood.

    kind: 'seconds', 'milliseconds', 'microseconds', 'time of day', 'date-time', 'given rate', ...
    breaks: first row after each restart; wall_start: ISO date-time of the first row if known.
    """

    column: str | None
    kind: str
    breaks: tuple[int, ...] = ()
    wall_start: str | None = None
    said: str = ""


NO_TIME: Array = np.empty(0)
NO_CLOCK = Clock(None, "")


class RawLog(NamedTuple):
    """A recording as read. frame: columns[i] of the frame belongs to columns[i]; the frame's column
    names are unique (a duplicate header gets ' (2)'); numeric ones Float64 with null for a blank
    cell, the rest String. lines: 1-based source line of each row, until the clock is understood.
    time: s from the first row, strictly increasing, as many rows as the frame.
    """

    frame: pl.DataFrame
    columns: tuple[RawColumn, ...]
    lines: npt.NDArray[np.int64]
    dialect: str  # a phrase: "semicolon, decimal comma, UTF-16"
    restarts: tuple[int, ...] = ()  # rows that follow a repeated header
    notes: tuple[Note, ...] = ()
    preamble: tuple[str, ...] = ()
    decimal: str = "."
    made_up_header: bool = False
    next_line: int | None = None  # where another table with other columns begins, 0-based
    cut_off: bool = False  # the file ends torn after the last row
    path: str = ""
    sha256: str = ""
    time: Array = NO_TIME
    clock: Clock = NO_CLOCK


class Rejected(NamedTuple):
    """One log that could not be read: a sentence that names file, place and mend."""

    path: str
    sha256: str
    error: str
    not_a_log: bool = False  # nothing in it looks like a log, so no pull can be hidden in it
