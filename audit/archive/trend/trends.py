"""How a car moves over its nights: each measure corrected, charted, with its shift, slope and
meaning.

The stages follow the blocks of ISO 13374: detection (alarm), health assessment (standing, meaning),
prognosis (slope, forecast), advice (audit.archive.trend.advice).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from audit.archive.trend.advice import describe, findings_of
from audit.archive.trend.alarm import Shift, both_sums, find_shifts, mean_over, placed
from audit.archive.trend.control_charts import cusum, ewma, ewma_sigma
from audit.archive.trend.corrections import Corrected, correct
from audit.archive.trend.joint import Joint, Signature, joint_of, signatures
from audit.archive.trend.prepare import Prepared, dates_of, needed_columns, prepare, with_derived
from audit.archive.trend.slope import Forecast, Slope, forecast, slope_of
from audit.archive.trend.trend import Trend, Trends
from audit.archive.watched import Watched, chart_settings, watched
from audit.model import Array, Car, Limit
from audit.signal.arrays import median_sorted

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.journal import JournalNote
    from audit.archive.store.store import Archive


END_NIGHTS = (
    6  # nights at each end that a slope's change is told from, so that a small step is no ramp
)


def trends(archive: Archive, car: str | Car, *, until: str = "9999") -> Trends:
    """The trends of one car as its archive has it, with the nights up to a day.

    Raises ArchiveError when the archive cannot be read, UsageError for a car that is not in it.
    """
    name = car.name if isinstance(car, Car) else car
    pulls = archive.pulls(name, columns=needed_columns("pull"))
    logs = archive.logs(name, columns=needed_columns("log"))
    pulls, logs = (rows.filter(rows["date"] <= until) for rows in (pulls, logs))
    full = archive.car(name)
    return trends_of(
        pulls, logs, car=dataclasses.replace(full, name=name), notes=archive.journal.of(name)
    )


def trends_of_many(archive: Archive, names: Sequence[str]) -> Iterator[Trends]:
    """The trends of several cars, read together: far less reading than one by one. Raises
    ArchiveError.
    """
    from audit.archive.store.rows import car_from_json

    pulls = _by_car(archive.pulls(names, columns=["car", *needed_columns("pull")]))
    logs = _by_car(archive.logs(names, columns=["car", *needed_columns("log")]))
    nights = _by_car(
        archive.nights(names, columns=["car", "car_file", "added_at"]).sort("date", "added_at")
    )
    noted = set(archive.notes(names)["car"])
    for name in names:
        notes = archive.journal.of(name) if name in noted else ()
        car = dataclasses.replace(car_from_json(nights(name)["car_file"][-1]), name=name)
        yield trends_of(pulls(name), logs(name), car=car, notes=notes)


def _by_car(rows: pl.DataFrame) -> Callable[[str], pl.DataFrame]:
    """The rows of a car by its name, none for one that has none."""
    parts = {
        key[0]: part
        for key, part in rows.partition_by("car", as_dict=True, maintain_order=True).items()
    }
    empty = rows.clear()
    return lambda name: parts.get(name, empty)


def trends_of(
    pulls: pl.DataFrame, logs: pl.DataFrame, *, car: Car, notes: Sequence[JournalNote] = ()
) -> Trends:
    """The trends of one car from rows of its pulls and logs (see docs/archive.md for their
    columns).
    """
    from audit.tables import limits_for

    rows = {"pull": with_derived(pulls), "log": with_derived(logs)}
    table = limits_for(car)
    boost = _usual_boost(pulls)
    found = []
    for measure in watched():
        since, because = _baseline(measure, notes)
        prepared = prepare(rows[measure.kind], measure, since=since)
        if prepared is None:
            continue
        limit = table.row(*measure.limit).when(boost) if measure.limit else None
        found.append(_trend(prepared, measure, limit=limit, because=because))
    found += [
        _joint_trend(joint, s, found)
        for s in signatures()
        if (joint := joint_of(s, found)) is not None
    ]
    found = [_by_its_company(trend, found) for trend in found]
    return Trends(car.name, dates_of(rows.values()), tuple(found), findings_of(found), tuple(notes))


def _by_its_company(trend: Trend, found: Sequence[Trend]) -> Trend:
    """A measure that has moved while all that its signatures would move with it stands still is
    told by what moves it alone.
    """
    name = trend.measure.name
    with_it = {p for s in signatures() if name in s.parts for p in (*s.parts, s.told.name)} - {name}
    company = [t for t in found if t.measure.name in with_it and t.measure.kind != "joint"]
    moved = any(t.side is not None for t in found if t.measure.name in with_it)
    known = any(t.state != "few" for t in company)
    if trend.side is None or moved or not known:
        return trend
    return describe(dataclasses.replace(trend, alone=True))


def _usual_boost(pulls: pl.DataFrame) -> float | None:
    """The boost that the car's pulls mostly settle at, kPa gauge: some limits go by it."""
    if "boost_settled_kpa" not in pulls.columns:
        return None
    settled = pulls["boost_settled_kpa"].cast(float).drop_nulls().to_numpy()
    return median_sorted(settled) if len(settled) else None


def _baseline(measure: Watched, notes: Sequence[JournalNote]) -> tuple[str, str]:
    """(day, text) of the last note that touches the measure; ("", "") for none."""
    touching = [note for note in notes if measure.name in note.touches]
    return (touching[-1].day, touching[-1].text) if touching else ("", "")


def _trend(prepared: Prepared, measure: Watched, *, limit: Limit | None, because: str) -> Trend:
    setting = chart_settings()
    corrected = correct(
        prepared.nights, prepared.prior, reference=prepared.reference, missing=prepared.missing
    )
    n, least = len(prepared.dates), int(setting["least_nights"])
    worth = mean_over(corrected.residual, measure.matters)
    shifts = find_shifts(
        corrected.score,
        corrected.residual,
        worth=worth,
        first=least,
        intervals=both_sums(measure.quick_h),
    )
    shifts = [
        placed(s, corrected.score, corrected.residual, first=least)
        for s in shifts
        if measure.bad in (s.side, "both")
    ]
    charts = _charts(corrected.score, shifts, first=least, k=setting["quick_k"])
    hold = limit.hold if limit else None
    slope, ahead = _slope(corrected, shifts, measure, limit=hold, least=least)
    level = float(np.median(corrected.value[-5:]))
    if n <= least:
        state = "few"
    elif charts.shift is None and slope and slope.sure:
        state = "drifting"
    else:
        state = _state(charts, past=limit is not None and limit.severity(level) in ("hold", "stop"))
    trend = Trend(
        measure=measure,
        state=state,
        dates=prepared.dates,
        values=_floats(corrected.value),
        residuals=_floats(corrected.residual),
        baseline=_baseline_level(corrected, shifts, least),
        level=level,
        slope=slope,
        forecast=ahead,
        because=because,
        limit=hold,
        **charts._asdict(),
    )
    return describe(trend)


def _state(charts: _Charts, *, past: bool, only_up: bool = False) -> str:
    """What a chart with enough nights says. past: its level lies past the car's limit."""
    if charts.shift:
        return "shifted"
    if past:
        return "past_limit"
    average = charts.ewma[-1]
    off = average if only_up else abs(average)
    return "not_sure" if off > charts.ewma_limit else "steady"


def _joint_trend(joint: Joint, signature: Signature, found: Sequence[Trend]) -> Trend:
    """A signature as a trend of its own: its values are the joint scores."""
    charts = _charts(joint.score, joint.shifts, k=chart_settings()["joint_k"])
    noted = (t.because for t in found if t.measure.name in signature.parts and t.because)
    trend = Trend(
        measure=signature.told,
        state=_state(charts, past=False, only_up=True),
        dates=joint.dates,
        values=charts.scores,
        residuals=charts.scores,
        baseline=0.0,
        level=float(np.median(joint.score[-5:])),
        slope=None,
        forecast=None,
        because=next(noted, ""),
        parts=joint.amounts if charts.shift else {},
        **charts._asdict(),
    )
    return describe(trend, found)


class _Charts(NamedTuple):
    """As in Trend."""

    scores: tuple[float, ...]
    ewma: tuple[float, ...]
    ewma_limit: float
    cusum_high: tuple[float, ...]
    cusum_low: tuple[float, ...]
    shift: Shift | None
    past: tuple[Shift, ...]


def _charts(score: Array, shifts: Sequence[Shift], *, k: float, first: int = 0) -> _Charts:
    """The charts of normal scores from the night `first` on; k: reference value of the sums."""
    setting = chart_settings()
    weight, clip = setting["ewma_weight"], setting["clip"]
    charted = np.clip(score[first:], -clip, clip)
    high, low = cusum(charted, target=0.0, k=k)
    return _Charts(
        _floats(score),
        _floats(ewma(charted, weight=weight, start=0.0)),
        setting["ewma_limit"] * float(ewma_sigma(200, weight=weight)[-1]),
        _floats(high),
        _floats(low),
        shifts[-1] if shifts and shifts[-1].ended is None else None,
        tuple(s for s in shifts if s.ended is not None),
    )


def _floats(values: Array) -> tuple[float, ...]:
    return tuple(float(v) for v in values)


def _baseline_level(corrected: Corrected, shifts: Sequence[Shift], least: int) -> float | None:
    end = shifts[0].onset if shifts else len(corrected.value)
    return float(np.median(corrected.value[: max(end, least)])) if len(corrected.value) else None


def _slope(
    corrected: Corrected,
    shifts: Sequence[Shift],
    measure: Watched,
    *,
    limit: float | None,
    least: int,
) -> tuple[Slope | None, Forecast | None]:
    """Slope since the last shift began (or ended), sure only where the change in it matters."""
    start = 0 if not shifts else shifts[-1].onset if shifts[-1].ended is None else shifts[-1].ended
    slope = slope_of(corrected.value[start:]) if len(corrected.value) > least else None
    if slope is None:
        return None, None
    seen = corrected.value[start:][-slope.nights :]
    change = float(np.median(seen[-END_NIGHTS:]) - np.median(seen[:END_NIGHTS]))
    side = "up" if slope.per_night > 0 else "down"
    if (change if side == "up" else -change) < measure.matters or measure.bad not in (side, "both"):
        return Slope(
            slope.per_night, slope.low, slope.high, slope.level, slope.nights, sure=False
        ), None
    return slope, forecast(slope, limit) if limit is not None else None
