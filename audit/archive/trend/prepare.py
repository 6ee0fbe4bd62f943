"""Rows of pulls and logs to nights of one measure: values with the conditions they were had in."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from audit.archive.logged import duty_led, outside_c
from audit.archive.trend.corrections import Nights
from audit.archive.watched import Correction, Watched, chart_settings, watched
from audit.model import Array
from audit.signal.arrays import finite, median_sorted

if TYPE_CHECKING:
    import polars as pl

PLACES = ("date", "log_id", "index")  # a row's place in the order of the nights
LEVEL_SD = 4.0  # of the noise: the first nights' median is that near; no strange one sets it
KNOTS_PCT = range(10, 90, 10)  # of duty

Columns = Mapping[str, Any]  # arrays of one length: `date` of days, the rest float, NaN for unknown


class _Term(NamedTuple):
    """A column of the regression. missing: variance a row for what was not logged, unit squared."""

    x: Array
    mean: float
    sd: float
    reference: float
    missing: Array | float = 0.0


def needed_columns(kind: str) -> list[str]:
    """Columns of the pulls' or logs' rows that the trended measures want."""
    found = ["gear", "boost_settled_kpa"] if kind == "pull" else []
    for measure in watched():
        if measure.kind == kind:
            found += [measure.column, *(c.column for c in measure.corrections)]
    made = _derived() if kind == "pull" else {}
    found += [name for expression in made.values() for name in expression.meta.root_names()]
    return [*PLACES, *dict.fromkeys(n for n in found if n not in made or n == "ambient_c")]


def columns_of(rows: pl.DataFrame, kind: str) -> Columns:
    """What the measures want of the rows, in order of the nights, with what is derived."""
    import polars as pl

    wanted = needed_columns(kind)
    rows = rows.with_columns(pl.lit(None).alias(n) for n in wanted if n not in rows.columns)
    rows = rows.sort(PLACES).select("date", pl.col(wanted[len(PLACES) :]).cast(pl.Float64))
    rows = rows.with_columns(**_derived()) if kind == "pull" else rows
    return {name: rows[name].to_numpy() for name in rows.columns}


def _derived() -> dict[str, pl.Expr]:
    """Columns that are worked out from those of the rows of pulls.

    air_index: the air an engine takes against itself at 100 kPa boost, standard air, 6500 rpm and
    lambda 0.8, for 1. Ideal gas: density by absolute pressure over absolute temperature; fuel by
    air over lambda.
    """
    from polars import Float64, col

    pressure = (col("boost_settled_kpa") + col("barometric_kpa")) / 201.325
    temperature = 313.0 / (273.15 + col("intake_start_c"))
    richness = 0.8 / col("lambda_mean").fill_null(0.8).clip(0.6, 1.2)
    air_index = pressure * temperature * col("rpm_end") / 6500.0 * richness
    return {
        "length_s": col("end_s") - col("start_s"),
        "start_over_air": col("intake_start_c") - col("ambient_c"),
        "ambient_c": outside_c(),
        "duty_led": duty_led().cast(Float64),
        # boost bends with duty, more than once on an S-shaped valve: what lies over each of these
        # has a slope of its own, so that a duty never driven is known as well as that slope alone
        **{f"duty_over_{over}": (col("duty_mean_pct") - over).clip(0.0) for over in KNOTS_PCT},
        "air_index": air_index,
        "air_index_squared": air_index**2,
    }


def prepare(columns: Columns, measure: Watched, *, since: str = "") -> Nights | None:
    """The nights of one measure from `since` (ISO day) on; None where no row has it."""
    keep = np.isfinite(columns[measure.column]) & (columns["date"] >= since)
    days = columns["date"][keep]
    if not days.size:
        return None
    y = columns[measure.column][keep]
    starts = np.flatnonzero(np.append(True, days[1:] != days[:-1]))
    # only the baseline's nights may set a reference: a later one is not known yet
    least = int(chart_settings()["least_nights"])
    early = int(starts[least]) if len(starts) > least else len(y)
    level = median_sorted(y[:early])
    terms = [_Term(np.ones(len(y)), level, LEVEL_SD * measure.noise, 1.0)]
    gear = np.nan_to_num(columns["gear"][keep]) if measure.by_gear else np.zeros(1)
    seen, counts = np.unique(gear, return_counts=True)
    for one, count in zip(seen, counts, strict=True) if len(seen) > 1 else ():
        terms.append(_Term(1.0 * (gear == one), 0.0, measure.by_gear, count / len(gear)))
    for correction in measure.corrections:
        terms += _condition(columns[correction.column][keep], correction, early)
    x = np.column_stack([t.x for t in terms])
    mean, sd, reference = (np.array(v) for v in list(zip(*terms, strict=True))[1:4])
    ends = [*starts[1:], len(y)]
    missing = np.add.reduceat(np.zeros(len(y)) + sum(t.missing for t in terms), starts)
    rows = [(x[a:b], y[a:b]) for a, b in zip(starts, ends, strict=True)]
    dates, missing = tuple(days[starts].tolist()), missing / (np.array(ends) - starts)
    return Nights(dates, rows, mean, sd, measure.noise, reference, missing)


def _condition(value: Array, correction: Correction, early: int) -> Iterator[_Term]:
    there, known = np.isfinite(value), finite(value[:early])
    if there.any():
        middle = median_sorted(known) if len(known) else float(value[np.argmax(there)])
        spread = float(np.std(known)) if len(known) else 0.0
        spread *= max(abs(correction.slope), correction.sd)
        at = 0.0 if correction.at is None else correction.at - middle
        x, missing = np.where(there, value - middle, 0.0), np.where(there, 0.0, spread**2)
        yield _Term(x, correction.slope, correction.sd, at, missing)
