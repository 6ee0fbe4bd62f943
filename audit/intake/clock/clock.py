"""Which column is the clock, and the seconds it tells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.clock.clock_names import DATE_WORDS, Candidate, name_score, words_of
from audit.intake.clock.clock_numbers import number_candidates, steady_candidates
from audit.intake.clock.clock_texts import text_candidates
from audit.intake.clock.mend import break_note, mend
from audit.intake.clock.stamps import DAY_S, date_in, iso, time_in
from audit.intake.raw import Clock
from audit.intake.text.table import Table
from audit.model import Array, Note


@dataclass(frozen=True, eq=False)
class Timed:
    """A table with its clock: rows left out where they were written twice."""

    frame: pl.DataFrame
    time: Array
    clock: Clock
    notes: tuple[Note, ...]


def find_clock(table: Table, *, rate_hz: float | None, file_name: str) -> Timed:
    """Time in s from the first row, strictly increasing. Raises UnreadableLog when there is no
    clock.
    """
    best = _best(table, rate_hz)
    if best is None:
        if rate_hz is None:
            raise UnreadableLog(_no_clock(table))
        time = np.arange(table.frame.height) / rate_hz
        breaks = table.restarts
        said = f"no time column; {rate_hz:g} rows a second as given"
        notes = [break_note(b, time, table.lines) for b in breaks]
        return Timed(
            table.frame,
            time,
            Clock(None, "given rate", breaks, _wall(None, table, file_name), said),
            tuple(notes),
        )
    mended = mend(
        best.seconds,
        period_s=best.period_s,
        lines=table.lines,
        same_as_before=lambda: _same_as_before(table.frame),
        true_gaps=best.absolute,
    )
    frame = table.frame if mended.keep.all() else table.frame.filter(pl.Series(mended.keep))
    notes = [*mended.notes, *([Note(best.note)] if best.note else [])]
    said = f"{best.column}, {best.kind}"
    return Timed(
        frame,
        mended.time,
        Clock(best.column, best.kind, mended.breaks, _wall(best, table, file_name), said),
        tuple(notes),
    )


def _no_clock(table: Table) -> str:
    mend = "Export it with a time column, or say how many rows come a second with --rate HZ"
    named = [
        (i, c)
        for i, c in enumerate(table.columns)
        if name_score(c, table.made_up_header, first=False) >= 1 or words_of(c.name) & DATE_WORDS
    ]
    if not named:
        return f"no time column, and no column that rises steadily. {mend}"
    said = [f"'{c.header}' {_why_no_clock(table.frame.to_series(i))}" for i, c in named[:3]]
    return f"no usable time column: {', '.join(said)}. {mend}"


def _why_no_clock(series: pl.Series) -> str:
    """What speaks against a column that is named as a clock."""
    if series.null_count() == len(series):
        return "holds no value"
    if not series.dtype.is_numeric():
        return f"holds no time that can be read (the first cell is '{series.drop_nulls()[0]}')"
    steps = np.diff(series.drop_nulls().cast(pl.Float64).to_numpy())
    if not (steps != 0).any():
        return "stands still"
    back = int((steps < 0).sum())
    return f"goes back in {back} of {len(steps)} rows" if back else "does not run like a clock"


def _same_as_before(frame: pl.DataFrame) -> np.ndarray:
    same = np.ones(frame.height, dtype=bool)
    same[:1] = False
    for column in frame.get_columns():
        same[1:] &= (
            column.head(frame.height - 1).eq_missing(column.tail(frame.height - 1)).to_numpy()
        )
        if not same.any():
            break
    return same


# --- the candidates
# -----------------------------------------------------------------------------------


def _best(table: Table, rate_hz: float | None) -> Candidate | None:
    found = [*text_candidates(table), *number_candidates(table)]
    found = [c for c in found if c.score > 0]
    if not found and rate_hz is None:
        found = steady_candidates(table)
    return max(found, key=lambda c: c.score) if found else None


def _wall(best: Candidate | None, table: Table, file_name: str) -> str | None:
    """ISO date-time of the first row, from the stamps, the preamble or the file's name."""
    first = float("nan")
    if best is not None:
        good = best.seconds[np.isfinite(best.seconds)]
        first = float(good[0])
        if best.absolute:
            return iso(first)
    day, clock = _told(table.preamble)
    if day is None:
        day = date_in(file_name)
        rest = re.search(
            r"(?:19|20)\d{2}[-_.]?\d{2}[-_.]?\d{2}[-_T ]+(\d{2})[-_.h]?(\d{2})[-_.m]?(\d{2})?",
            file_name,
        )
        if rest and clock is None and int(rest[1]) < 24 and int(rest[2]) < 60:
            clock = int(rest[1]) * 3600.0 + int(rest[2]) * 60.0 + int(rest[3] or 0)
    if day is None:
        return None
    if best is not None and best.kind == "time of day":
        return iso(day * DAY_S + first % DAY_S)
    return (
        iso(day * DAY_S + (clock or 0.0))
        if clock is not None
        else (iso(day * DAY_S) or "")[:10] or None
    )


def _told(preamble: Sequence[str]) -> tuple[float | None, float | None]:
    day = clock = None
    for line in preamble[:100]:
        if day is None:
            day = date_in(line)
        if clock is None:
            clock = time_in(line)
    return day, clock if day is not None else None
