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

from audit.intake.bytes.containers import Source
from audit.intake.raw import RawColumn, RawLog
from audit.intake.said import refused
from audit.intake.text.cells import finite, learn, to_numbers
from audit.intake.text.header import Header, describe_columns

MOST_SHEETS = 50
UNIT_KEYS = frozenset(("unit", "units", "uom", "einheit"))  # of a column's metadata: its unit


def read_parquet(source: Source) -> RawLog:
    """Any Parquet file's columns as a table; units from its metadata, else from the names."""
    try:
        frame = pl.read_parquet(BytesIO(source.data.tobytes()))
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException, OSError, ValueError) as error:
        raise refused("damaged_parquet") from error
    if frame.height == 0 or frame.width < 2:
        raise refused("empty_parquet")
    told, none = _units_told(source), ("",) * frame.width
    series, columns = [], []
    described = describe_columns(Header(tuple(frame.columns), none, 0), frame.width)
    for values, column in zip(frame.get_columns(), described, strict=True):
        plain, of_kind = _plain(values)
        unit = told.get(values.name) or ("" if column.unit else of_kind)
        unit_from = "format" if unit else column.unit_from
        numeric = plain.dtype == pl.Float64
        columns.append(RawColumn(values.name, unit or column.unit, unit_from, numeric, column.name))
        series.append(plain.alias(values.name))
    return _table(pl.DataFrame(series), columns, "Parquet")


def _table(frame: pl.DataFrame, columns: list[RawColumn], words: str, *preamble: str) -> RawLog:
    return RawLog(
        frame=frame,
        columns=tuple(columns),
        lines=np.arange(1, frame.height + 1),
        preamble=preamble,
        dialect=words,
    )


def _units_told(source: Source) -> dict[str, str]:
    """Units that the file's columns carry as metadata; {} when none does."""
    import pyarrow.parquet as pq  # only this reader gives the columns' own metadata

    try:
        fields = list(pq.read_schema(BytesIO(source.data.tobytes())))
    except Exception:  # units are a help, not a need: the table itself has been read
        return {}
    told = (
        (field.name, value.decode("utf-8", "replace").strip().strip('"'))
        for field in fields
        for key, value in (field.metadata or {}).items()
        if key.decode("utf-8", "replace").strip().lower() in UNIT_KEYS
    )
    return {name: unit for name, unit in dict(told).items() if unit}


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
    if kind.is_nested():
        return pl.Series(values.name, [None] * len(values), dtype=pl.String), ""
    text = values.cast(pl.String, strict=False)
    rule = learn(text.drop_nulls().head(300), ".")
    return (to_numbers(text, rule), "") if rule is not None and rule.numeric else (text, "")


def spreadsheet_texts(source: Source) -> Iterator[tuple[str, bytes]]:
    """Each sheet of a spreadsheet (.xlsx, .ods) that holds cells, as its name and a text with tabs
    between cells.

    Raises UnreadableLog for a damaged, locked or empty one.
    """
    import fastexcel  # heavy, and only ever needed here

    try:
        book = fastexcel.read_excel(source.data.tobytes())
        sheets = {
            name: pl.DataFrame(book.load_sheet(name, header_row=None, dtypes="string").to_polars())
            for name in book.sheet_names[:MOST_SHEETS]
        }
    except Exception as error:  # the reader raises whatever its parts raise
        raise refused("damaged_sheet", kind=type(error).__name__) from error
    full = {n: cells for n, cells in sheets.items() if cells.height > 1 and cells.width > 1}
    if not full:
        raise refused("empty_sheet")
    for name, cells in full.items():
        plain = cells.select(pl.all().str.replace_all(r"[\t\r\n\"]+", " "))
        text = plain.write_csv(include_header=False, separator="\t", quote_style="never")
        yield name, text.encode()


def read_mdf(source: Source) -> RawLog:
    """All channel groups of an MDF file on one merged clock, blank where a group has no sample."""
    if importlib.util.find_spec("asammdf") is None:
        raise refused("no_mdf")
    if source.file is not None:
        return _merge_groups(source.file)
    with NamedTemporaryFile(suffix=".mf4") as copy:
        copy.write(source.data.tobytes())
        copy.flush()
        return _merge_groups(Path(copy.name))


def _merge_groups(path: Path) -> RawLog:
    from asammdf import MDF  # type: ignore[import-not-found,import-untyped,unused-ignore]

    try:
        with MDF(path) as mdf:
            signals = [
                s for s in mdf.iter_channels(skip_master=True, raw=False) if len(s.timestamps)
            ]
            start = getattr(mdf.header, "start_time", None)
    except Exception as error:  # the reader raises whatever its parts raise
        raise refused("damaged_mdf", kind=type(error).__name__) from error
    kept = [
        s for s in signals if getattr(s.samples, "ndim", 1) == 1 and s.samples.dtype.kind in "fiub"
    ]
    if not kept:
        raise refused("empty_mdf")
    clock = np.unique(np.concatenate([s.timestamps for s in kept]))
    series: dict[str, Any] = {"time": pl.Series("time", clock)}
    columns = [RawColumn("time", "s", "format", True, "time")]
    for signal in kept:
        name, unit = signal.name, str(signal.unit or "")
        while name in series:
            name += " (2)"
        values = np.full(len(clock), np.nan)
        values[np.searchsorted(clock, signal.timestamps)] = signal.samples.astype(np.float64)
        series[name] = finite(pl.Series(name, values))
        columns.append(RawColumn(signal.name, unit, "format" if unit else "", True, signal.name))
    dated = start is not None and start.year > 1990
    preamble = (f"start {start:%Y-%m-%d %H:%M:%S}",) if dated else ()
    return _table(pl.DataFrame(list(series.values())), columns, "MDF", *preamble)
