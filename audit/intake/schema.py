"""The canonical frame as a pandera schema, built from the channel table.

Heavy, so imported only at the door of the archive and where it is verified; never while screening.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import polars as pl

from audit.model import NOT_EVALUATED, Log, Sanity
from audit.tables import channel_row

if TYPE_CHECKING:
    import pandera.polars as pa


def canonical_schema(names: Sequence[str]) -> pa.DataFrameSchema:
    """Time strictly increasing and finite; each channel Float64, nullable, in its physical range.

    names: of the frame's columns; a second sensor is judged by its quantity's row. Columns that are
    no channel ride along unchecked.
    """
    import pandera.polars as pa

    rows = {name: row for name in names if (row := channel_row(name)) is not None}
    later = pa.Check(_later, error="time does not increase from row to row")
    columns = {"time": pa.Column(pl.Float64, [later], nullable=False)}
    for name, (low, high), unit in ((n, r.range, r.unit) for n, r in rows.items() if n != "time"):
        within = pa.Check.in_range(low, high, error=f"outside {low:g} to {high:g} {unit}")
        columns[name] = pa.Column(pl.Float64, [within], nullable=True, required=False)
    return pa.DataFrameSchema(columns, strict=False)


def _later(data: pa.PolarsData) -> pl.LazyFrame:
    step = pl.col(data.key).diff()
    return data.lazyframe.select((step.is_null() | (step > 0)) & pl.col(data.key).is_finite())


def faults_of(log: Log, sanity: Sanity) -> list[str]:
    """What is wrong with a log that is to be kept, or was: types, clock, and the range of all that
    is believed.

    A sample that the sensor tests do not believe is kept as the file had it, and may lie anywhere;
    one that they do believe may not. One sentence a column and fault, all at once; [] when nothing
    is wrong.
    """
    return check_frame(_believed(log, sanity))


def faults_at_door(log: Log, sanity: Sanity) -> list[str]:
    """The same before a log is kept. Where the table's bounds hold by polars alone, pandera, which
    takes longer to load than a log to judge, is not asked; what they say, it says.
    """
    frame = _believed(log, sanity)
    return [] if frame.is_empty() or _in_bounds(frame) else check_frame(frame)


def _in_bounds(frame: pl.DataFrame) -> bool:
    rows = {n: row for n in frame.columns if (row := channel_row(n)) is not None}
    if any(frame.schema.get(name) != pl.Float64 for name in ("time", *rows)):
        return False
    time = pl.col("time")
    held = [time.is_not_null().all(), time.is_finite().all(), (time.diff() > 0).all()]
    held += [pl.col(n).is_between(*row.range).all() for n, row in rows.items() if n != "time"]
    return all(frame.select(h.alias(str(i)) for i, h in enumerate(held)).row(0))


def _believed(log: Log, sanity: Sanity) -> pl.DataFrame:
    failed = {
        name: flags > NOT_EVALUATED
        for name, flags in sanity.samples.items()
        if len(flags) == log.rows and name in log.frame.columns and (flags > NOT_EVALUATED).any()
    }
    believed = [
        pl.when(pl.Series(mask)).then(None).otherwise(pl.col(name)).alias(name)
        for name, mask in failed.items()
    ]
    return log.frame.with_columns(believed)


def check_frame(frame: pl.DataFrame) -> list[str]:
    """All that is wrong with a canonical frame, one sentence a column and fault, or []."""
    import pandera.errors

    try:
        canonical_schema(frame.columns).validate(frame, lazy=True)
    except pandera.errors.SchemaErrors as found:
        return _sentences(found)
    return []


def _sentences(found: object) -> list[str]:
    said = []
    for error in getattr(found, "schema_errors", []):
        column = getattr(getattr(error, "schema", None), "name", None) or "the frame"
        told = getattr(getattr(error, "check", None), "error", None)
        reason = str(told or error).strip().splitlines()[0]
        cases = getattr(error, "failure_cases", None)
        count = cases.height if isinstance(cases, pl.DataFrame) else 0
        rows = f" ({count} rows)" if count > 1 else ""
        said.append((column, f"column {column}: {reason}{rows}."))
    typed = {column for column, sentence in said if "to have type" in sentence}
    return sorted({s for column, s in said if column not in typed or "to have type" in s})
