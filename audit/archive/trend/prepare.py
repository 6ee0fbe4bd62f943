"""Rows of pulls and logs to nights of one measure: values with the conditions that they were had
under.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from audit.archive.trend.corrections import Prior
from audit.archive.watched import Correction, Watched, chart_settings, watched
from audit.model import Array

if TYPE_CHECKING:
    import polars as pl

ALWAYS = ("date", "log_id")
PULL_COLUMNS = ("index", "gear", "start_s", "end_s", "duty_at_peak_pct")
# of the noise: the median of the first nights is that near, and one strange first night cannot set
# it
LEVEL_SD = 4.0
AIR = ("boost_settled_kpa", "barometric_kpa", "intake_start_c", "rpm_end", "lambda_mean")
BAY_WARMING_K = 10.0  # common practice, no published source
# Boost bends with duty, more than once on an S-shaped valve: what lies over each of these, %, has a
# slope of its own, so that a duty never driven before is known only as well as that slope.
DUTY_OVER = {f"duty_over_{knot}": float(knot) for knot in range(10, 90, 10)}
DERIVED = (
    "length_s",
    "start_over_air",
    "duty_led",
    *DUTY_OVER,
    "air_index",
    "air_index_squared",
)
LED_PCT = 4.0  # duty at the peak this far from the pull's mean was moved by a controller


@dataclass(frozen=True)
class Prepared:
    """dates: ISO day of each night; nights: (x, y) of each as audit.archive.trend.corrections wants
    them.
    """

    dates: tuple[str, ...]
    nights: list[tuple[Array, Array]]
    prior: Prior
    reference: Array
    missing: Array


def needed_columns(kind: str) -> list[str]:
    """Columns of the pulls' or logs' rows that the trended measures want."""
    found: list[str] = [*ALWAYS, *(PULL_COLUMNS if kind == "pull" else ())]
    for measure in watched():
        if measure.kind == kind:
            found += [measure.column, *(c.column for c in measure.corrections)]
    found += AIR if kind == "pull" else ()
    return [name for name in dict.fromkeys(found) if name not in DERIVED]


def with_derived(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows in order of the nights, with the length of each pull."""
    import polars as pl

    if {"start_s", "end_s"} <= set(rows.columns):
        rows = rows.with_columns(length_s=pl.col("end_s") - pl.col("start_s"))
    if "intake_start_c" in rows.columns:  # warm by the engine bay, but it follows the weather
        ambient = pl.col("ambient_c") if "ambient_c" in rows.columns else pl.lit(None, pl.Float64)
        rows = rows.with_columns(start_over_air=pl.col("intake_start_c") - ambient)
        rows = rows.with_columns(
            ambient_c=pl.coalesce(ambient, pl.col("intake_start_c") - BAY_WARMING_K)
        )
    if {"duty_at_peak_pct", "duty_mean_pct"} <= set(rows.columns):
        rows = rows.with_columns(duty_led=duty_led().cast(pl.Float64))
    if "duty_mean_pct" in rows.columns:
        over = pl.col("duty_mean_pct")
        rows = rows.with_columns(
            (over - knot).clip(lower_bound=0.0).alias(name) for name, knot in DUTY_OVER.items()
        )
    if set(AIR) <= set(rows.columns):
        rows = rows.with_columns(air_index=_air_index()).with_columns(
            air_index_squared=pl.col("air_index") ** 2
        )
    return rows.sort([name for name in ("date", "log_id", "index") if name in rows.columns])


def duty_led() -> pl.Expr:
    """Whether a controller moved the duty in a pull; not where that is not known."""
    import polars as pl

    return (pl.col("duty_at_peak_pct") - pl.col("duty_mean_pct")).abs().fill_null(0.0) > LED_PCT


def _air_index() -> pl.Expr:
    """Air an engine takes against itself at 100 kPa boost, standard air, 6500 rpm and lambda 0.8; 1
    is the same.

    Ideal gas: density by absolute pressure over absolute temperature; fuel by air over lambda.
    """
    import polars as pl

    pressure = (pl.col("boost_settled_kpa") + pl.col("barometric_kpa")) / 201.325
    temperature = 313.0 / (273.15 + pl.col("intake_start_c"))
    richness = 0.8 / pl.col("lambda_mean").fill_null(0.8).clip(0.6, 1.2)
    return pressure * temperature * pl.col("rpm_end") / 6500.0 * richness


def prepare(rows: pl.DataFrame, measure: Watched, *, since: str = "") -> Prepared | None:
    """The nights of one measure from `since` (ISO day) on; None where no row has it.

    rows: from with_derived.
    """
    import polars as pl

    if measure.column not in rows.columns:
        return None
    if (
        since or rows[measure.column].null_count()
    ):  # a filter costs more than all the rest for most measures
        rows = rows.filter((pl.col("date") >= since) & pl.col(measure.column).is_not_null())
    if rows.is_empty():
        return None
    y = rows[measure.column].to_numpy().astype(float)
    starts = np.concatenate(
        [[0], np.flatnonzero(rows["date"].to_numpy()[1:] != rows["date"].to_numpy()[:-1]) + 1]
    )
    level = _Block(
        np.ones((len(y), 1)),
        np.array([float(np.median(y[: _first(starts, len(y))]))]),
        np.array([LEVEL_SD * measure.noise]),
        np.ones(1),
        np.zeros(len(y)),
    )
    others = [_gears(rows, measure), *(_condition(rows, c, starts) for c in measure.corrections)]
    blocks = [level, *(block for block in others if block is not None)]
    x = np.column_stack([b.x for b in blocks])
    mean, sd, reference = (
        np.concatenate([getattr(b, name) for b in blocks]) for name in ("mean", "sd", "reference")
    )
    missing = np.add.reduceat(sum(b.missing for b in blocks), starts)
    ends = [*starts[1:], len(y)]
    nights = [(x[a:b], y[a:b]) for a, b in zip(starts, ends, strict=True)]
    days = tuple(rows["date"].gather(starts).to_list())
    prior = Prior(mean, sd, measure.noise)
    return Prepared(days, nights, prior, reference, missing / np.diff([*starts, len(y)]))


def _first(starts: Array, n: int) -> int:
    """How many rows the baseline nights have: only these may set a reference, for a later one is
    not known yet.
    """
    least = int(chart_settings()["least_nights"])
    return int(starts[least]) if len(starts) > least else n


@dataclass(frozen=True)
class _Block:
    """Some columns of the regression. missing: variance a row for what was not logged, measure's
    unit squared.
    """

    x: Array
    mean: Array
    sd: Array
    reference: Array
    missing: Array


def _gears(rows: pl.DataFrame, measure: Watched) -> _Block | None:
    if measure.by_gear == 0.0 or "gear" not in rows.columns:
        return None
    gear = np.nan_to_num(rows["gear"].cast(float).to_numpy())
    seen, counts = np.unique(gear, return_counts=True)
    if len(seen) < 2:
        return None
    x = (gear[:, None] == seen[None, :]).astype(float)
    return _Block(
        x,
        np.zeros(len(seen)),
        np.full(len(seen), measure.by_gear),
        counts / len(gear),
        np.zeros(len(gear)),
    )


def _condition(rows: pl.DataFrame, correction: Correction, starts: Array) -> _Block | None:
    if correction.column not in rows.columns:
        return None
    value = rows[correction.column].cast(float).to_numpy()  # null is nan
    there = np.isfinite(value)
    if not there.any():
        return None
    first = value[: _first(starts, len(value))]
    known = first[np.isfinite(first)]
    middle = float(np.median(known)) if len(known) else float(value[np.argmax(there)])
    x = np.where(there, value - middle, 0.0)
    spread = float(np.std(known)) * max(abs(correction.slope), correction.sd) if len(known) else 0.0
    at = middle if correction.at is None else correction.at
    one = np.ones(1)
    return _Block(
        x[:, None],
        one * correction.slope,
        one * correction.sd,
        one * (at - middle),
        np.where(there, 0.0, spread**2),
    )


def dates_of(frames: Iterable[pl.DataFrame]) -> tuple[str, ...]:
    """All days that any of the frames has, in order."""
    return tuple(sorted({day for frame in frames for day in frame["date"].unique()}))
