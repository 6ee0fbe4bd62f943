"""The canonical frame as a pandera schema, built from the channel table.

Heavy, so imported only where a frame comes from outside (Parquet in) and in tests; never while screening.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import polars as pl

from audit.errors import UnreadableLog
from audit.tables import ChannelRow, channel_row, channel_rows

if TYPE_CHECKING:
    import pandera.polars as pa


def canonical_schema(names: Iterable[str] = ()) -> pa.DataFrameSchema:
    """Time strictly increasing and finite; each channel of the table Float64, nullable, in its physical range.

    names: the columns of the frame, for further sensors of a quantity (lambda_2), which are held to the row of the
    first. Columns that are no channel ride along unchecked.
    """
    import pandera.polars as pa

    rows = dict(channel_rows())
    rows |= {name: row for name in names if (row := channel_row(name)) is not None}
    columns = {"time": pa.Column(pl.Float64, [_increasing()], nullable=False)}
    columns |= {name: _column(row) for name, row in rows.items() if name != "time"}
    return pa.DataFrameSchema(columns, strict=False)


def _column(row: ChannelRow) -> pa.Column:
    import pandera.polars as pa

    low, high = row.range
    return pa.Column(
        pl.Float64,
        [pa.Check.in_range(low, high, error=f"outside {low:g} to {high:g} {row.unit}")],
        nullable=True,
        required=False,
    )


def _increasing() -> pa.Check:
    import pandera.polars as pa

    def later(data: pa.PolarsData) -> pl.LazyFrame:
        step = pl.col(data.key).diff()
        return data.lazyframe.select((step.is_null() | (step > 0)) & pl.col(data.key).is_finite())

    return pa.Check(later, error="time does not increase from row to row")


def check_frame(frame: pl.DataFrame) -> list[str]:
    """All that is wrong with a canonical frame, one sentence a column and fault; [] when nothing is."""
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
        reason = (
            str((getattr(error, "check", "") and getattr(error.check, "error", "")) or error)
            .strip()
            .splitlines()[0]
        )
        cases = getattr(error, "failure_cases", None)
        count = cases.height if isinstance(cases, pl.DataFrame) else 0
        said.append(
            (column, f"column {column}: {reason}" + (f" ({count} rows)" if count > 1 else "") + ".")
        )
    typed = {column for column, sentence in said if "to have type" in sentence}
    return sorted({s for column, s in said if column not in typed or "to have type" in s})


def require_canonical(frame: pl.DataFrame, path: str) -> None:
    """Raise UnreadableLog naming every fault of a frame that should be canonical."""
    wrong = check_frame(frame)
    if wrong:
        raise UnreadableLog(f"{path}: the columns are not as they should be: " + " ".join(wrong))
