"""The pulls that a response stands on: which of them count, since when, and in what air."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from audit.archive.logged import duty_led, outside_c
from audit.archive.step.air import (
    REFERENCE_PRESSURE_KPA,
    REFERENCE_TEMPERATURE_C,
    at_reference,
    relative_density,
)
from audit.archive.step.step import Air, choices, figures, projected_rows
from audit.archive.step.valve import Valve, examine_valve
from audit.model import Array, Car

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.step.curve import Curves, Points
    from audit.archive.store.journal import JournalNote

ORDER = ("date", "added_at", "night_id")  # of nights
WORDS = ("date", "night_id", "log_id", "setting", "checks")
# a pull that fails these shows a fault, not the answer to duty
FAULTY = ("boost_delivery", "boost_control")
# Two pulls of a night that agree in all of these are the same samples, seen twice: what stands on
# the ambient pressure may differ in a copy that lacks the part of the log which tells it.
SAME = ("rpm_start", "rpm_end", "rpm_rate_rpm_per_s")
MEASURED = """index gear barometric_kpa ambient_c intake_start_c intake_recovery_s wheelspin_pct
duty_mean_pct duty_at_peak_pct boost_settled_kpa boost_peak_kpa boost_target_kpa boost_overshoot_kpa
boost_ceiling_s"""
REALS = (*SAME, *MEASURED.split(), *dict.fromkeys(row.measure for row in projected_rows()))
COLUMNS = (*WORDS, *REALS)
VALVE = "solenoid|valve"  # what a note of a test speaks of
LINES = "wastegate|line|hose|spring"
DIRECTION = "direction"
CURVE_TOUCHED = "boost_at_duty"  # a note that touches this measure starts the curve anew


@dataclass(frozen=True, eq=False)
class Evidence:
    """What is said of a car's boost stands on this. kept: its nights, in order; journal: its notes.
    rows: the pulls that count, in order, all of one setting; every: of the same setting and days,
    those that do not count too. left_out: why -> how many do not. changed: the note that started
    the curve anew, None for none.
    """

    car: Car
    kept: pl.DataFrame
    journal: Sequence[JournalNote]
    setting: str
    changed: JournalNote | None
    rows: pl.DataFrame
    every: pl.DataFrame
    left_out: Mapping[str, int]

    @classmethod
    def gather(
        cls,
        pulls: pl.DataFrame,
        nights: pl.DataFrame,
        *,
        car: Car,
        logs: pl.DataFrame | None = None,
        notes: Sequence[JournalNote] = (),
        setting: str | None = None,
        **more: Any,
    ) -> Self:
        """The pulls that count of one car.

        pulls: rows with COLUMNS where they are there; nights: rows with night_id, date, setting,
        verdict, added_at. logs: rows with log_id, wall_start and path, for the order of the pulls
        in a night; None takes that of the ids. setting: 'dyno', 'street' or '' for not told; None
        takes the newest night's. more: fields of a subclass.
        """
        import polars as pl

        nights = nights.sort([name for name in ORDER if name in nights.columns])
        if setting is None:
            setting = str(nights["setting"].fill_null("")[-1]) if nights.height else ""
        changed = since_note(notes, CURVE_TOUCHED)
        since = changed.day if changed else ""
        duty, boost = pl.col("duty_mean_pct"), pl.col("boost_settled_kpa")
        status = (pl.col("checks").str.json_path_match(f"$.{name}.status") for name in FAULTY)
        inside = duty.is_between(0.0, 100.0) & boost.is_between(-20.0, 600.0)
        unasked = {  # why -> which, in this order
            "of another setting": pl.col("setting") != setting,
            "seen twice, in a copy of their log": ~_first_seen(),
            "before the last change that matters": pl.col("date") < since,
            f"kept before {since}'s note of it": ~counted_after(changed),
        }
        unfit = {
            "without a believed solenoid duty": duty.is_null(),
            "at the manifold sensor's top": pl.col("boost_ceiling_s") > 0.05,
            "without a settled boost": boost.is_null(),
            "with a fault in boost or its control": pl.any_horizontal(s == "fail" for s in status),
            "with duty moving in the pull": duty_led(),
            "with figures out of range": ~inside,
        }
        rows, reasons = _complete(pulls, nights, logs), {**unasked, **unfit}
        held = rows.with_columns(**{why: w.fill_null(value=False) for why, w in reasons.items()})
        out = held.select(*reasons).to_numpy().astype(bool)
        first = np.where(out.any(axis=1), out.argmax(axis=1), len(reasons))
        left_out = {why: int(np.sum(first == i)) for i, why in enumerate(reasons) if i in first}
        every = rows.filter((first >= len(unasked)).tolist())
        rows = rows.filter((first == len(reasons)).tolist())
        return cls(car, nights, notes, setting, changed, rows, every, left_out, **more)

    @property
    def n(self) -> int:
        return self.rows.height

    @property
    def driven(self) -> list[int]:
        """The gears of its pulls in order, 0 for unknown."""
        return sorted({int(g) for g in self.rows["gear"]})

    def of_gear(self, gear: int) -> pl.DataFrame:
        """The rows of one gear."""
        return self.rows.filter(self.rows["gear"] == gear)

    @cached_property
    def last(self) -> pl.DataFrame:
        """The rows of the last night that counts."""
        return of_last_night(self.rows)

    @cached_property
    def main(self) -> int | None:
        """The gear most pulled in that night; None without any."""
        return min(self.last["gear"].mode().cast(int), default=None)

    @cached_property
    def air(self) -> Air:
        """Of that night: medians."""
        relative, pressure = (middle_of(self.last, n) for n in ("relative", "barometric_kpa"))
        return Air(
            1.0 if relative is None else relative,
            REFERENCE_PRESSURE_KPA if pressure is None else pressure,
        )

    @cached_property
    def valves(self) -> Mapping[int, Valve]:
        """The valve as each gear that was pulled shows it."""
        tested, direction = was_tested(self.journal, VALVE), was_tested(self.journal, DIRECTION)
        names = ("duty_mean_pct", "boost_settled_kpa", "relative", "night_order", "boost_peak_kpa")
        found = {}
        for gear in self.driven:
            duty, boost, relative, night, peak = arrays(self.of_gear(gear), *names)
            boost = at_reference(boost, relative, power=choices("air_power")[1])  # a middle one
            found[gear] = examine_valve(
                duty, boost, night, peak=peak, tested=tested, direction=direction
            )
        return found

    @cached_property
    def curves(self) -> Curves:
        """Boost against duty in each gear."""
        from audit.archive.step.curve import Curves

        return Curves(self.points(), spring_kpa=self.car.spring_kpa)

    def points(self) -> Points:
        """The newest pulls as arrays for the curve, weighed by age."""
        import polars as pl

        from audit.archive.step.curve import Points

        setting = figures("curve")
        alike = ("gear", (pl.col("duty_mean_pct") / figures("step")["apart"]).round())
        newest = pl.int_range(pl.len(), 0, -1).over(*alike) <= int(setting["most_alike"])
        rows = self.rows.filter(newest).tail(int(setting["most_pulls"]))
        days = rows["date"].str.to_date(strict=False).cast(float).to_numpy()
        age = np.nan_to_num(np.nanmax(days) - days, nan=0.0)
        weight = np.maximum(0.5 ** (age / setting["half_life_days"]), 0.05)
        _, night = np.unique(rows["night_id"].to_numpy(), return_inverse=True)
        names = ("duty_mean_pct", "boost_settled_kpa", "gear", "relative")
        duty, boost, gear, relative = arrays(rows, *names)
        return Points(duty, boost, gear, night.astype(float), weight, relative)


def arrays(rows: pl.DataFrame, *names: str) -> tuple[Array, ...]:
    """Columns as arrays, NaN for unknown."""
    found = (rows[name].cast(float).fill_null(np.nan).to_numpy() for name in names)
    return tuple(np.asarray(values, dtype=np.float64) for values in found)


def middle_of(rows: pl.DataFrame, name: str) -> float | None:
    """The median of a column, None for none."""
    middle = rows[name].cast(float).median()
    return middle if isinstance(middle, float) else None


def of_last_night(rows: pl.DataFrame) -> pl.DataFrame:
    """Those of the newest night, of rows in order."""
    return rows if rows.is_empty() else rows.filter(rows["night_id"] == rows["night_id"][-1])


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


def was_tested(notes: Sequence[JournalNote], what: str = VALVE) -> bool:
    """A note after the last that starts the curve anew says that the valve, or `what` (a pattern),
    was tried by hand and works: one before it speaks of what is no longer there.
    """
    last = max((i for i, note in enumerate(notes) if CURVE_TOUCHED in note.touches), default=-1)
    return any(
        not note.touches and re.search(what, note.text.lower()) for note in notes[last + 1 :]
    )


def _complete(pulls: pl.DataFrame, nights: pl.DataFrame, logs: pl.DataFrame | None) -> pl.DataFrame:
    """All columns there, gear 0 for unknown, nights' order and verdict, air density over the
    reference's.
    """
    import polars as pl

    col = pl.col
    rows = pulls.with_columns(pl.lit(None).alias(n) for n in COLUMNS if n not in pulls.columns)
    reals = [pl.when(col(n).is_finite()).then(col(n)).alias(n) for n in REALS]
    rows = rows.select(col(WORDS).cast(pl.String), col(REALS).cast(pl.Float64))
    rows = rows.with_columns(reals)
    order = nights.select("night_id", "verdict", night_added="added_at")
    rows = rows.join(order.with_row_index("night_order"), on="night_id", how="left")
    if logs is not None and {"log_id", "wall_start", "path"} <= set(logs.columns):
        logs = logs.sort("wall_start", "path", nulls_last=True).select("log_id")
        logs = logs.unique(keep="first", maintain_order=True).with_row_index("log_order")
        rows = rows.join(logs, on="log_id", how="left")
    else:
        rows = rows.with_columns(log_order=col("log_id").rank("dense"))
    rows = rows.with_columns(
        gear=col("gear").fill_null(0.0), setting=col("setting").fill_null(""), air_c=outside_c()
    )
    pressure = rows["barometric_kpa"].fill_null(REFERENCE_PRESSURE_KPA).clip(40.0, 115.0)
    celsius = rows["air_c"].fill_null(REFERENCE_TEMPERATURE_C).clip(-50.0, 70.0)
    relative = relative_density(pressure.to_numpy(), celsius.to_numpy())
    # as a list: the first series made of a numpy array loads numpy.ma, which takes a while
    rows = rows.with_columns(relative=pl.Series(relative.tolist(), dtype=pl.Float64))
    return rows.sort("night_order", "date", "log_order", "index", nulls_last=False)
