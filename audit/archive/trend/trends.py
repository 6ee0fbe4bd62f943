"""How a car moves over its nights: each measure corrected, charted, with its shift, slope and
meaning.

The stages follow the blocks of ISO 13374: detection (alarm), health assessment (state, meaning),
prognosis (slope, forecast), advice (audit.archive.trend.advice).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from audit.archive.trend.advice import findings_of
from audit.archive.trend.alarm import find_shifts, worth_of
from audit.archive.trend.charts import slope_of
from audit.archive.trend.corrections import correct
from audit.archive.trend.joint import joint_of
from audit.archive.trend.prepare import Columns, columns_of, needed_columns, prepare
from audit.archive.trend.trend import Trend, Trends, floats
from audit.archive.watched import Watched, chart_settings, signatures, watched
from audit.model import Car, Limit
from audit.signal.arrays import finite, median_sorted
from audit.tables import limits_for

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.journal import JournalNote
    from audit.archive.store.store import Archive


def trends(archive: Archive, car: str | Car, *, until: str = "9999") -> Trends:
    """The trends of one car as its archive has it, with the nights up to a day.

    Raises ArchiveError when the archive cannot be read, UsageError for a car that is not in it.
    """
    name = car.name if isinstance(car, Car) else car
    pulls = archive.pulls(name, columns=needed_columns("pull"))
    logs = archive.logs(name, columns=needed_columns("log"))
    pulls, logs = (rows.filter(rows["date"] <= until) for rows in (pulls, logs))
    full = replace(archive.car(name), name=name)
    return trends_of(pulls, logs, car=full, notes=archive.journal.of(name))


def trends_of(
    pulls: pl.DataFrame, logs: pl.DataFrame, *, car: Car, notes: Sequence[JournalNote] = ()
) -> Trends:
    """The trends of one car from rows of its pulls and logs (see docs/archive.md for their
    columns).
    """
    rows = {"pull": columns_of(pulls, "pull"), "log": columns_of(logs, "log")}
    table, found = limits_for(car), []
    settled = finite(rows["pull"]["boost_settled_kpa"])
    boost = median_sorted(settled) if settled.size else None  # some limits go by it
    for measure in watched():
        limit = table.row(*measure.limit).when(boost) if measure.limit else None
        note = next((n for n in reversed(notes) if measure.name in n.touches), None)
        if (trend := _trend(rows[measure.kind], measure, limit, note)) is not None:
            found.append(trend)
    found += [joint for s in signatures() if (joint := joint_of(s, found)) is not None]
    told = tuple(replace(t, alone=_is_alone(t, found)) for t in found)
    days = sorted({day for columns in rows.values() for day in columns["date"]})
    return Trends(car.name, tuple(days), told, findings_of(told), tuple(notes))


def _trend(
    columns: Columns, measure: Watched, limit: Limit | None, note: JournalNote | None
) -> Trend | None:
    prepared = prepare(columns, measure, since=note.day if note else "")
    if prepared is None:
        return None
    night = correct(
        prepared.nights, prepared.prior, reference=prepared.reference, missing=prepared.missing
    )
    first = int(chart_settings()["least_nights"])
    worth = worth_of(night.residual[None] / measure.matters)
    shifts = find_shifts(night.score, night.residual, measure, worth=worth, first=first)
    last = shifts[-1] if shifts else None
    since = 0 if last is None else last.onset if last.ended is None else last.ended
    slope = slope_of(night.value[since:], matters=measure.matters, sides=measure.sides)
    return Trend(
        measure,
        prepared.dates,
        floats(night.value),
        floats(night.residual),
        floats(night.score),
        tuple(shifts),
        slope,
        limit,
        note.text if note else "",
    )


def _is_alone(trend: Trend, found: Sequence[Trend]) -> bool:
    """It has moved, while all that is known of what its signatures would move with it stands
    still.
    """
    name = trend.measure.name
    with_it = {p for s in signatures() if name in s.parts for p in (*s.parts, s.name)} - {name}
    company = [t for t in found if t.measure.name in with_it]
    known = any(t.state != "few" for t in company if not t.measure.parts)
    return trend.side is not None and known and not any(t.side for t in company)
