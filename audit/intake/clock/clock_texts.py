"""Columns of text that may be the clock: times of day, date-times, and a date beside a time."""

from __future__ import annotations

import numpy as np
import polars as pl

from audit.intake.clock.clock_names import (
    DATE_WORDS,
    DECOYS,
    Candidate,
    forward_shares,
    name_score,
    words_of,
)
from audit.intake.clock.stamps import DAY_S, Stamps, parse_stamps
from audit.intake.text.table import Table

_UNSURE = "day and month in {} cannot be told apart; only the night's date hangs on it."


def text_candidates(table: Table) -> list[Candidate]:
    out, dates = [], []
    labels = table.frame.columns
    day_first = True if table.decimal == "," else None
    texts = [table.frame.to_series(i) for i, c in enumerate(table.columns) if not c.numeric]
    if any(t.drop_nulls().head(1).str.contains(r"(?i)\d\s*[ap]\.?m\.?$").any() for t in texts):
        day_first = False  # clocks of twelve hours come with the month first
    for i, column in enumerate(table.columns):
        if column.numeric:
            if (
                words_of(column.name) & DATE_WORDS
                and name_score(column, table.made_up_header, i == 0) < 3
            ):
                stamps = _compact_dates(table.frame.to_series(i))
                if stamps is not None:
                    dates.append(stamps)
            continue
        label = labels[i]
        name = name_score(column, table.made_up_header, i == 0)
        stamps = parse_stamps(table.frame.to_series(i), day_first=day_first)
        if stamps is None:
            continue
        if stamps.kind == "date":
            dates.append(stamps)
            continue
        bonus = 0.6 if stamps.kind == "date-time" else 0.0
        decoy = bool(words_of(column.name) & DECOYS) and name < 1
        value = _text_candidate(label, stamps, (0.5 if decoy else max(name, 1.8)) + bonus)
        if value is not None:
            out.append(value)
    if dates:
        out = [_with_date(c, dates[0]) for c in out]
    return out


def _text_candidate(label: str, stamps: Stamps, name: float) -> Candidate | None:
    seconds = stamps.seconds
    forward, moving = forward_shares(seconds)
    if forward < 0.8 or (moving == 0 and len(seconds) > 1) or not np.isfinite(seconds).any():
        return None
    note = _UNSURE.format(f"column {label}") if stamps.unsure_order else ""
    return Candidate(
        label,
        seconds,
        name + 0.5 * moving + 0.3 * forward,
        stamps.kind,
        stamps.period_s,
        stamps.kind == "date-time",
        note,
    )


def _with_date(candidate: Candidate, dates: Stamps) -> Candidate:
    if candidate.kind != "time of day":
        return candidate
    days = dates.seconds
    if np.isfinite(days).sum() < 0.5 * len(days):
        return candidate
    first = days[np.isfinite(days)][0]
    days = np.where(np.isfinite(days), days, first)
    joined = days + candidate.seconds
    if forward_shares(joined)[0] < 0.8:
        return candidate
    # a date that changes a row late or early at midnight is mended by the roll-over step
    return Candidate(
        candidate.column,
        joined,
        candidate.score + 0.3,
        "date and time of day",
        DAY_S,
        True,
        candidate.note or (_UNSURE.format("the date") if dates.unsure_order else ""),
    )


def _compact_dates(values: pl.Series) -> Stamps | None:
    good = values.drop_nulls()
    if len(good) and float(good.min() or 0) >= 19900101 and float(good.max() or 0) <= 21001231:  # type: ignore[arg-type]
        return parse_stamps(values.cast(pl.Int64).cast(pl.String))
    return None
