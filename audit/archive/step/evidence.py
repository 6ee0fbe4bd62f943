"""The pulls that a response stands on: which of them count, since when, and in what air."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from audit.archive.step.curve import Points
from audit.archive.step.step_table import figures, projected_rows
from audit.archive.trend.air_density import (
    REFERENCE_PRESSURE_KPA,
    REFERENCE_TEMPERATURE_C,
    relative_density,
)
from audit.archive.trend.prepare import BAY_WARMING_K, duty_led
from audit.model import Array

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.journal import JournalNote

WORDS = ("date", "night_id", "log_id", "setting", "checks")
FAULTY = (
    "boost_delivery",
    "boost_control",
)  # a pull that fails these shows a fault, not the answer to duty
# Two pulls of a night that agree in all of these are the same samples, seen twice: what stands on
# the ambient pressure may differ in a copy that lacks the part of the log which tells it.
SAME = ("rpm_start", "rpm_end", "rpm_rate_rpm_per_s")
REALS = (
    *SAME,
    "index",
    "gear",
    "barometric_kpa",
    "ambient_c",
    "intake_start_c",
    "boost_settled_kpa",
    "boost_peak_kpa",
    "boost_target_kpa",
    "boost_overshoot_kpa",
    "duty_mean_pct",
    "duty_at_peak_pct",
    "boost_ceiling_s",
    "wheelspin_pct",
    "intake_recovery_s",
    *(row.measure for row in projected_rows()),
)
COLUMNS = (*WORDS, *dict.fromkeys(REALS))
VALVE = "solenoid|valve"
LINES = "wastegate|line|hose|spring"
DIRECTION = "direction"
CURVE_TOUCHED = "boost_at_duty"  # a note that touches this measure starts the curve anew


@dataclass(frozen=True)
class Evidence:
    """rows: the pulls that count, in order. left_out: why -> how many do not. since, because: day
    and text
    of the note that started the curve anew, "" for none. setting: of all rows.
    """

    rows: pl.DataFrame
    left_out: dict[str, int]
    setting: str
    since: str = ""
    because: str = ""
    air_known: bool = True
    every: pl.DataFrame | None = None  # of the same setting and days, those that do not count too

    @property
    def n(self) -> int:
        return self.rows.height

    def gears(self) -> list[int]:
        """Gears in order, 0 for unknown."""
        return sorted({int(g) for g in self.rows["gear"]})

    def of_gear(self, gear: int) -> pl.DataFrame:
        """The rows of one gear."""
        import polars as pl

        return self.rows.filter(pl.col("gear") == gear)

    def points(self) -> Points:
        """The newest pulls as arrays for the curve, weighed by age."""
        import polars as pl

        setting = figures("curve")
        alike = ("gear", (pl.col("duty_mean_pct") / figures("step")["apart"]).round())
        newest = pl.int_range(pl.len(), 0, -1).over(*alike) <= int(setting["most_alike"])
        rows = self.rows.filter(newest).tail(int(setting["most_pulls"]))
        days = rows["date"].str.to_date(strict=False).cast(float).to_numpy()
        age = np.nan_to_num(np.nanmax(days) - days, nan=0.0)
        weight = np.maximum(0.5 ** (age / setting["half_life_days"]), 0.05)
        _, night = np.unique(rows["night_id"].to_numpy(), return_inverse=True)
        return Points(
            duty=_array(rows, "duty_mean_pct"),
            boost=_array(rows, "boost_settled_kpa"),
            gear=_array(rows, "gear"),
            night=night.astype(float),
            weight=weight,
            relative=_array(rows, "relative"),
        )


def _array(rows: pl.DataFrame, name: str) -> Array:
    return np.asarray(rows[name].cast(float).to_numpy(), dtype=np.float64)


def gather(
    pulls: pl.DataFrame,
    nights: pl.DataFrame,
    *,
    logs: pl.DataFrame | None = None,
    notes: Sequence[JournalNote] = (),
    setting: str | None = None,
) -> Evidence:
    """The pulls that count of one car.

    pulls: rows with COLUMNS where they are there; nights: rows with night_id, date, setting,
    verdict, added_at.
    logs: rows with log_id, wall_start and path, for the order of the pulls in a night; None takes
    that of the ids.
    setting: 'dyno', 'street' or '' for not told; None takes the newest night's.
    """
    import polars as pl

    rows = _complete(pulls, nights, logs)
    left_out: dict[str, int] = {}
    if setting is None:
        setting = str(nights["setting"].fill_null("")[-1]) if nights.height else ""
    rows = _drop(rows, pl.col("setting") != setting, "of another setting", left_out)
    rows = _drop(rows, ~_first_seen(), "seen twice, in a copy of their log", left_out)
    changed = since_note(notes, CURVE_TOUCHED)
    since, because = (changed.day, changed.text) if changed else ("", "")
    rows = _drop(rows, pl.col("date") < since, "before the last change that matters", left_out)
    rows = _drop(rows, ~counted_after(changed), f"kept before {since}'s note of it", left_out)
    every = rows
    duty, boost = pl.col("duty_mean_pct"), pl.col("boost_settled_kpa")
    rows = _drop(rows, duty.is_null(), "without a believed solenoid duty", left_out)
    rows = _drop(
        rows,
        pl.col("boost_ceiling_s").fill_null(0.0) > 0.05,
        "at the manifold sensor's top",
        left_out,
    )
    rows = _drop(rows, boost.is_null(), "without a settled boost", left_out)
    failed = pl.any_horizontal(
        pl.col("checks").str.json_path_match(f"$.{name}.status") == "fail" for name in FAULTY
    )
    rows = _drop(rows, failed, "with a fault in boost or its control", left_out)
    rows = _drop(rows, duty_led(), "with duty moving in the pull", left_out)
    rows = _drop(
        rows,
        ~duty.is_between(0.0, 100.0) | ~boost.is_between(-20.0, 600.0),
        "with figures out of range",
        left_out,
    )
    known = rows["barometric_kpa"].is_not_null() & rows["air_c"].is_not_null()
    return Evidence(
        rows, left_out, setting, since, because, bool(known.all()) if rows.height else True, every
    )


def _first_seen() -> pl.Expr:
    """Whether a pull is the first of its samples in its night: a log that was copied in part is
    another file with the same pull. Two pulls don't agree so well in all of these.
    """
    import polars as pl

    same = (pl.col(name).round_sig_figs(5) for name in SAME)
    unknown = pl.any_horizontal(pl.col(name).is_null() for name in SAME)
    return pl.struct("night_id", *same).is_first_distinct() | unknown


def since_note(notes: Sequence[JournalNote], touched: str) -> JournalNote | None:
    """The last note that touches a trended measure; None for none."""
    return next((note for note in reversed(notes) if touched in note.touches), None)


def counted_after(note: JournalNote | None) -> pl.Expr:
    """Which rows show the car as it is since a note. A night of the note's own day that was kept
    before the note shows it as it was: a night that names a dead solenoid is often followed by the
    note of the new one on the same day.
    """
    import polars as pl

    if note is None:
        return pl.lit(value=True)
    same_day = (pl.col("date") == note.day) & (pl.col("night_added") > note.added_at)
    return (pl.col("date") > note.day) | same_day.fill_null(value=True)


def was_tested(
    notes: Sequence[JournalNote], *, touched: str = CURVE_TOUCHED, what: str = VALVE
) -> bool:
    """A note after the last that touches `touched` says that the valve, or `what` (a pattern), was
    tried by hand and works: one before it speaks of what is no longer there.
    """
    last = max((i for i, note in enumerate(notes) if touched in note.touches), default=-1)
    return any(
        not note.touches and re.search(what, note.text.lower()) for note in notes[last + 1 :]
    )


def _complete(pulls: pl.DataFrame, nights: pl.DataFrame, logs: pl.DataFrame | None) -> pl.DataFrame:
    """All columns there, gear 0 for unknown, nights' order and verdict, air density over the
    reference's.
    """
    import polars as pl

    real = set(REALS)
    rows = pulls.select(
        [
            (pl.col(n) if n in pulls.columns else pl.lit(None))
            .cast(pl.Float64 if n in real else pl.String)
            .alias(n)
            for n in COLUMNS
        ]
    )
    rows = rows.with_columns(pl.col(n).fill_nan(None) for n in REALS)
    order = nights.select("night_id", "verdict", night_added="added_at").with_row_index(
        "night_order"
    )
    if logs is not None and {"log_id", "wall_start", "path"} <= set(logs.columns):
        started = logs.select("log_id", "wall_start", "path").sort(
            "wall_start", "path", nulls_last=True
        )
        started = started.unique("log_id", keep="first", maintain_order=True).with_row_index(
            "log_order"
        )
        rows = rows.join(started.select("log_id", "log_order"), on="log_id", how="left")
    else:
        rows = rows.with_columns(log_order=pl.col("log_id").rank("dense"))
    rows = rows.join(order, on="night_id", how="left").with_columns(
        gear=pl.col("gear").fill_null(0.0),
        setting=pl.col("setting").fill_null(""),
        air_c=pl.coalesce("ambient_c", pl.col("intake_start_c") - BAY_WARMING_K),
    )
    pressure = rows["barometric_kpa"].fill_null(REFERENCE_PRESSURE_KPA).clip(40.0, 115.0)
    celsius = rows["air_c"].fill_null(REFERENCE_TEMPERATURE_C).clip(-50.0, 70.0)
    rows = rows.with_columns(
        pl.Series("relative", relative_density(pressure.to_numpy(), celsius.to_numpy()))
    )
    return rows.sort("night_order", "date", "log_order", "index", nulls_last=False)


def _drop(rows: pl.DataFrame, where: pl.Expr, why: str, left_out: dict[str, int]) -> pl.DataFrame:
    kept = rows.filter(~where.fill_null(value=False))
    if kept.height < rows.height:
        left_out[why] = rows.height - kept.height
    return kept
