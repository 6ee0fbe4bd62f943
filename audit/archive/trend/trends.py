"""How a car moves over its nights: each measure corrected, charted, with its shift, slope and
meaning.

The stages follow the blocks of ISO 13374: detection (alarm), health assessment (state, meaning),
prognosis (slope, forecast), advice (findings).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from audit.archive.store.journal import JournalNote
from audit.archive.store.store import Archive
from audit.archive.trend.alarm import LEAST_PARTS, SIGN, Shift, find_shifts, worth_of
from audit.archive.trend.charts import slope_of
from audit.archive.trend.corrections import KNOWN_NIGHTS, Spread, correct
from audit.archive.trend.prepare import Columns, columns_of, needed_columns, prepare
from audit.archive.trend.trend import Trend, Trends, floats, labels, words
from audit.archive.watched import Watched, chart_settings, signatures, watched
from audit.model import Array, Car, Finding, Limit
from audit.signal.arrays import finite, mean, median_sorted
from audit.tables import limits_for

if TYPE_CHECKING:
    import polars as pl

SOON_NIGHTS = 20  # a limit this near is worth a 'watch'
# between causes, not between what a bracket holds
_APART = re.compile(r"(?:,| or )+ *(?![^()]*\))")


def trends(archive: Archive, car: str, *, until: str = "9999") -> Trends:
    """The trends of one car as its archive has it, with the nights up to a day.

    Raises ArchiveError when the archive cannot be read, UsageError for a car that is not in it.
    """
    pulls = archive.pulls(car, columns=needed_columns("pull"))
    logs = archive.logs(car, columns=needed_columns("log"))
    pulls, logs = (rows.filter(rows["date"] <= until) for rows in (pulls, logs))
    full = replace(archive.car(car), name=car)
    return trends_of(pulls, logs, car=full, notes=archive.journal.of(car))


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
    nights = prepare(columns, measure, since=note.day if note else "")
    if nights is None:
        return None
    made = correct(nights)
    shares = made.residual[None] / measure.matters
    shifts = _shifts(measure, made.score, made.residual, shares)
    since = max((s.onset if s.ended is None else s.ended for s in shifts[-1:]), default=0)
    slope = slope_of(made.value[since:], matters=measure.matters, sides=measure.sides)
    value, residual, score = (floats(v) for v in (made.value, made.residual, made.score))
    because = note.text if note else ""
    return Trend(measure, nights.dates, value, residual, score, shifts, slope, limit, because)


def _shifts(measure: Watched, score: Array, residual: Array, shares: Array) -> tuple[Shift, ...]:
    worth = worth_of(shares, share=measure.share, least=measure.least)
    return tuple(find_shifts(score, residual, measure, worth=worth, first=measure.first))


def joint_of(signature: Watched, trends: Sequence[Trend]) -> Trend | None:
    """A signature over the nights that had two of its parts past their first nights; None for none.

    A small leak moves boost by two of its spreads and the time to it by two of its own: neither
    chart hurries, their sum does. Its values are the parts' scores, each signed so that the fault
    is up, added and put over the spread that the sum had on the nights before, so measures that
    rise and fall together count for no more than they tell.
    Source: with equal expected shifts and equal correlations the sum is the best linear detector
    (Healy, Technometrics 29 (1987), 409-412, from memory).
    """
    parts = [t for t in trends if t.measure.name in signature.parts]
    signs = [SIGN[signature.parts[t.measure.name]] for t in parts]
    days = np.array(sorted({day for t in parts for day in t.dates[t.measure.first :]}))
    scores, shares = np.full((2, len(parts), len(days)), np.nan)
    for score, share, sign, t in zip(scores, shares, signs, parts, strict=True):
        m = t.measure
        at = np.searchsorted(days, t.dates[m.first :])
        score[at] = sign * np.array(t.scores[m.first :])
        share[at] = sign * np.array(t.residuals[m.first :]) / m.matters
    keep = np.isfinite(scores).sum(axis=0) >= LEAST_PARTS
    if not keep.any():
        return None
    score, shares = _together(scores[:, keep]), shares[:, keep]
    shifts, moved = _shifts(signature, score, score, shares), {}
    if shifts and shifts[-1].ended is None:
        for t, sign, share in zip(parts, signs, shares, strict=True):
            if (since := finite(share[shifts[-1].onset :])).size:
                moved[t.measure.name] = sign * mean(since) * t.measure.matters
    told, because = floats(score), next((t.because for t in parts if t.because), "")
    dates = tuple(days[keep].tolist())
    return Trend(signature, dates, told, told, told, shifts, because=because, parts=moved)


def _together(scores: Array) -> Array:
    """The sum of the parts' scores over the spread that it is expected to have: one value a
    night. Parts that cancel are no licence to be surer than if they were independent.
    """
    clip, spread = chart_settings()["clip"], Spread(1.0, KNOWN_NIGHTS)
    plain = np.nansum(np.clip(scores, -clip, clip), axis=0)
    out = plain / np.sqrt(np.isfinite(scores).sum(axis=0))
    for night, value in enumerate(out):
        out[night] = value / max(1.0, spread.variance) ** 0.5
        spread.learns(out[night])
    return np.asarray(out, dtype=np.float64)


def _is_alone(trend: Trend, found: Sequence[Trend]) -> bool:
    """It has moved, while all that is known of what its signatures would move with it stands
    still.
    """
    name = trend.measure.name
    with_it = {p for s in signatures() if name in s.parts for p in (*s.parts, s.name)} - {name}
    company = [t for t in found if t.measure.name in with_it]
    known = any(t.state != "few" for t in company if not t.measure.parts)
    return trend.side is not None and known and not any(t.side for t in company)


def findings_of(trends: Sequence[Trend]) -> tuple[Finding, ...]:
    """The findings that the next night should carry.

    Where a signature stands, its finding speaks for those of its measures, unless one of these is
    worth more.
    """
    told = {name for t in trends for name in t.parts}
    found = [(t, f) for t in trends if (f := finding_of(t)) is not None]
    return tuple(f for t, f in found if t.measure.name not in told or f.severity == "hold")


def finding_of(trend: Trend) -> Finding | None:
    """The finding that the next night should carry, None when there is nothing to tell: 'note' for
    a sure drift, 'watch' for a shift or a limit that is near, 'hold' for a serious shift.
    """
    shift, measure = trend.shift, trend.measure
    if shift:
        hard = abs(shift.amount) >= measure.serious
        amount, severity = shift.amount, "hold" if hard else "watch"
        limit = measure.serious if hard else None if trend.parts else measure.matters
    elif trend.side and trend.slope:
        near = trend.forecast is not None and trend.forecast.nights <= SOON_NIGHTS
        amount, severity, limit = 10 * trend.slope.per_night, "watch" if near else "note", None
    else:
        return None
    named = labels(trend.parts or (measure.name,))
    means = words("means", meaning=trend.meaning) if trend.meaning else ""
    noted = words("noted", named=named) if shift else ""
    return Finding(
        code=measure.code[trend.side or ""],
        severity=severity,
        message=words("finding", said=trend.said, means=means, noted=noted),
        channel=measure.channel,
        value=amount,
        limit=limit,
        unit=measure.unit,
        likely=causes(trend.meaning),
        look_at=trend.look_at,
    )


def causes(meaning: str) -> tuple[str, ...]:
    """What a shift usually means, cause by cause; what stands in a bracket stays with its cause."""
    return tuple(part for part in _APART.split(meaning) if part)
