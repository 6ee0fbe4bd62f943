"""Which column is the clock, and the seconds it tells."""

from __future__ import annotations

import re

import numpy as np
import polars as pl

from audit.intake.clock.candidates import (
    DATE_WORDS,
    Candidate,
    candidates,
    name_score,
    steady_candidates,
    words_of,
)
from audit.intake.clock.mend import break_note, mend
from audit.intake.clock.stamps import DAY_S, date_in, iso, time_in
from audit.intake.raw import Clock, RawLog
from audit.intake.said import refused
from audit.model import Bools, Note

_DATED_NAME = re.compile(
    r"(?:19|20)\d{2}[-_.]?\d{2}[-_.]?\d{2}[-_T ]+(\d{2})[-_.h]?(\d{2})[-_.m]?(\d{2})?"
)


def find_clock(table: RawLog, *, rate_hz: float | None, file_name: str) -> RawLog:
    """The table with its clock, without rows written twice. Raises UnreadableLog where none is."""
    found = [c for c in candidates(table) if c.score > 0]
    if not found and rate_hz is None:
        found = list(steady_candidates(table)) or _refuse(table)
    best = max(found, key=lambda c: c.score) if found else None
    wall = _wall(best, table, file_name)
    if best is None:
        time, breaks = np.arange(table.frame.height) / (rate_hz or 1.0), table.restarts
        said = f"no time column; {rate_hz:g} rows a second as given"
        clock = Clock(None, "given rate", breaks, wall, said)
        notes = (*table.notes, *(break_note(b, time, table.lines) for b in breaks))
        return table._replace(time=time, clock=clock, notes=notes)
    time, keep, breaks, mended = mend(
        best.seconds,
        period_s=best.period_s,
        lines=table.lines,
        same_as_before=lambda: _same_as_before(table.frame),
        true_gaps=best.absolute,
    )
    frame = table.frame if keep.all() else table.frame.filter(pl.Series(keep))
    notes = (*table.notes, *mended, *((Note(best.note),) if best.note else ()))
    clock = Clock(best.column, best.kind, breaks, wall, f"{best.column}, {best.kind}")
    return table._replace(frame=frame, time=time, clock=clock, notes=notes)


def _refuse(table: RawLog) -> list[Candidate]:
    """Raise UnreadableLog that says what speaks against the columns that are named as a clock."""
    said = [
        f"'{c.header}' {_why_no_clock(table.frame.to_series(i))}"
        for i, c in enumerate(table.columns)
        if name_score(c, table.made_up_header, first=False) >= 1 or words_of(c.name) & DATE_WORDS
    ]
    raise refused("bad_clock" if said else "no_clock", columns=", ".join(said[:3]))


def _why_no_clock(series: pl.Series) -> str:
    if series.null_count() == len(series):
        return "holds no value"
    there = series.drop_nulls()
    if not series.dtype.is_numeric():
        return f"holds no time that can be read (the first cell is '{there[0]}')"
    steps = np.diff(there.cast(pl.Float64).to_numpy())
    if not (steps != 0).any():
        return "stands still"
    back = int((steps < 0).sum())
    return f"goes back in {back} of {len(steps)} rows" if back else "does not run like a clock"


def _same_as_before(frame: pl.DataFrame) -> Bools:
    same = pl.all_horizontal(pl.all().eq_missing(pl.all().shift())) & (pl.int_range(pl.len()) > 0)
    return frame.select(same).to_series().to_numpy()


def _wall(best: Candidate | None, table: RawLog, file_name: str) -> str | None:
    """ISO date-time of the first row, from the stamps, the preamble or the file's name."""
    first = float("nan") if best is None else float(best.seconds[np.isfinite(best.seconds)][0])
    if best is not None and best.absolute:
        return iso(first)
    told = table.preamble[:100]
    day = next((d for d in map(date_in, told) if d is not None), None)
    clock = next((c for c in map(time_in, told) if c is not None), None)
    if day is None:
        day, clock, found = date_in(file_name), None, _DATED_NAME.search(file_name)
        if found and int(found[1]) < 24 and int(found[2]) < 60:
            clock = int(found[1]) * 3600.0 + int(found[2]) * 60.0 + int(found[3] or 0)
    if day is None:
        return None
    if best is not None and best.kind == "time of day":
        clock = first % DAY_S
    whole = iso(day * DAY_S + (clock or 0.0))
    return whole if clock is not None else (whole or "")[:10] or None
