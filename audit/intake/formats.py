"""Tables that are no text: Parquet, and MDF 4 through the optional reader."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.bytes.containers import Source
from audit.intake.raw import RawColumn
from audit.intake.text.cells import Rule, finite, learn, to_numbers
from audit.intake.text.header import Header, describe_columns
from audit.intake.text.table import Table

MOST_SHEETS = 50
UNIT_KEYS = frozenset(
    ("unit", "units", "uom", "einheit")
)  # keys of a column's metadata that hold its unit


def read_parquet(source: Source) -> Table:
    """Any Parquet file's columns as a Table; units from its metadata where there, else from the
    names.
    """
    try:
        frame = pl.read_parquet(BytesIO(source.data.tobytes()))
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, ValueError) as error:
        raise UnreadableLog("a damaged Parquet file. Write it again from its source") from error
    if frame.height == 0 or frame.width < 2:
        raise UnreadableLog(
            "a Parquet file without rows, or with a single column. Write it again with the log's "
            "columns"
        )
    told = _units_told(source)
    series, columns = [], []
    for name, column in zip(
        frame.columns,
        describe_columns(Header(tuple(frame.columns), ("",) * frame.width, 0), frame.width),
        strict=True,
    ):
        values, kind = _plain(frame[name])
        from_format = told.get(name) or ("" if column.unit else kind)
        unit, unit_from = (
            (from_format, "format") if from_format else (column.unit, column.unit_from)
        )
        columns.append(RawColumn(name, unit, unit_from, values.dtype == pl.Float64, column.name))
        series.append(values.alias(name))
    table = pl.DataFrame(series)
    return Table(table, tuple(columns), np.arange(1, table.height + 1), (), (), (), "Parquet")


def _units_told(source: Source) -> dict[str, str]:
    """Units that the file's columns carry as metadata; {} when none does."""
    import pyarrow.parquet as pq  # only this reader gives the columns' own metadata

    try:
        fields = list(pq.read_schema(BytesIO(source.data.tobytes())))
    except Exception:  # units are a help, not a need: the table itself has been read
        return {}
    found: dict[str, str] = {}
    for field in fields:
        for key, value in (field.metadata or {}).items():
            if key.decode("utf-8", "replace").strip().lower() in UNIT_KEYS:
                found[field.name] = value.decode("utf-8", "replace").strip().strip('"')
    return {name: unit for name, unit in found.items() if unit}


def _plain(values: pl.Series) -> tuple[pl.Series, str]:
    """A column as Float64 or String, and the unit its type tells (times only)."""
    kind = values.dtype
    if kind.is_numeric() or kind == pl.Boolean:
        return finite(values.cast(pl.Float64)), ""
    if isinstance(kind, pl.Datetime):
        return values.dt.epoch("us").cast(pl.Float64) / 1e6, "s"
    if isinstance(kind, pl.Duration):
        return values.dt.total_microseconds().cast(pl.Float64) / 1e6, "s"
    if kind == pl.Time:
        return values.cast(pl.Int64).cast(pl.Float64) / 1e9, "s"
    text = (
        values.cast(pl.String, strict=False)
        if not kind.is_nested()
        else pl.Series(
            values.name, [str(v) for v in values.head(0)] or [None] * len(values), dtype=pl.String
        )
    )
    rule: Rule | None = learn(text.drop_nulls().head(300), ".")
    return (to_numbers(text, rule), "") if rule is not None and rule.numeric else (text, "")


def spreadsheet_texts(source: Source) -> Iterator[tuple[str, bytes]]:
    """Each sheet of a spreadsheet (.xlsx, .ods) that holds cells, as its name and a text with tabs
    between cells.

    Raises UnreadableLog for a damaged, locked or empty one.
    """
    import fastexcel  # heavy, and only ever needed here

    try:
        book = fastexcel.read_excel(source.data.tobytes())
        sheets = [(name, _cells(book, name)) for name in book.sheet_names[:MOST_SHEETS]]
    except Exception as error:  # the reader raises whatever its parts raise
        raise UnreadableLog(
            f"a damaged or locked spreadsheet ({type(error).__name__}). Save the sheet as CSV"
        ) from error
    full = [(name, cells) for name, cells in sheets if cells.height > 1 and cells.width > 1]
    if not full:
        raise UnreadableLog("a spreadsheet without a table in it. Save the log's sheet as CSV")
    for name, cells in full:
        plain = cells.select(pl.all().str.replace_all(r"[\t\r\n\"]+", " "))
        yield (
            name,
            plain.write_csv(include_header=False, separator="\t", quote_style="never").encode(),
        )


def _cells(book: Any, name: str) -> pl.DataFrame:
    sheet = book.load_sheet(name, header_row=None, dtypes="string")
    return pl.DataFrame(sheet.to_polars())


def read_mdf(source: Source) -> Table:
    """All channel groups of an MDF file on one merged clock, blank where a group has no sample."""
    if importlib.util.find_spec("asammdf") is None:
        raise UnreadableLog(
            "an MDF measurement file; its reader is not installed. Run: pip install "
            "'pullaudit[mdf]'"
        )
    if source.file is not None:
        return _merge_groups(source.file)
    with NamedTemporaryFile(suffix=".mf4") as copy:
        copy.write(source.data.tobytes())
        copy.flush()
        return _merge_groups(Path(copy.name))


def _merge_groups(path: Path) -> Table:
    from asammdf import MDF  # type: ignore[import-not-found,import-untyped,unused-ignore]

    try:
        with MDF(path) as mdf:
            signals = [
                s for s in mdf.iter_channels(skip_master=True, raw=False) if len(s.timestamps)
            ]
            start = getattr(mdf.header, "start_time", None)
    except Exception as error:  # the reader raises whatever its parts raise
        raise UnreadableLog(
            f"a damaged MDF file ({type(error).__name__}). Save it again from the measuring "
            "software"
        ) from error
    kept = [
        s for s in signals if getattr(s.samples, "ndim", 1) == 1 and s.samples.dtype.kind in "fiub"
    ]
    if not kept:
        raise UnreadableLog("an MDF file without a channel of numbers. Record the log again")
    clock = np.unique(np.concatenate([s.timestamps for s in kept]))
    names: dict[str, Any] = {}
    columns = [RawColumn("time", "s", "format", True, "time")]
    for signal in kept:
        name = signal.name
        while name in names or name == "time":
            name += " (2)"
        values = np.full(len(clock), np.nan)
        values[np.searchsorted(clock, signal.timestamps)] = signal.samples.astype(np.float64)
        names[name] = finite(pl.Series(name, values))
        columns.append(
            RawColumn(
                signal.name,
                str(signal.unit or ""),
                "format" if signal.unit else "",
                True,
                signal.name,
            )
        )
    frame = pl.DataFrame([pl.Series("time", clock), *names.values()])
    preamble = (
        (f"start {start:%Y-%m-%d %H:%M:%S}",) if start is not None and start.year > 1990 else ()
    )
    return Table(frame, tuple(columns), np.arange(1, frame.height + 1), (), (), preamble, "MDF")
