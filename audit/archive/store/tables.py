"""The Delta table of all rows: one table partitioned by kind, so that one commit holds a whole night.

Delta commits are atomic a table, not across tables; nights, logs, pulls, findings and notes therefore
share one, each kind in its own partition with its own columns.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote, urlparse

from audit.archive.store.places import Places, flush, free_bytes, need_room, told

if TYPE_CHECKING:
    import polars as pl
    from deltalake import DeltaTable

    from audit.archive.store.record import Rows

TEXT, WHOLE, REAL, FLAG, TEXTS = "String", "Int64", "Float64", "Boolean", "List(String)"

COMMON = {"car": TEXT, "date": TEXT, "night_id": TEXT, "revision": WHOLE}
COLUMNS: Mapping[str, Mapping[str, str]] = {
    "night": {
        **COMMON,
        "setting": TEXT,
        "verdict": TEXT,
        "reasons": TEXTS,
        "checks": TEXT,
        "car_file": TEXT,
        "tool": TEXT,
        "added_at": TEXT,
        "us_units": FLAG,
        "assumed": TEXTS,
    },
    "log": {
        **COMMON,
        "log_id": TEXT,
        "path": TEXT,
        "sha256": TEXT,
        "status": TEXT,
        "error": TEXT,
        "file": TEXT,
        "file_sha256": TEXT,
        "rows": WHOLE,
        "duration_s": REAL,
        "rate_hz": REAL,
        "barometric_kpa": REAL,
        "ambient_c": REAL,
        "wall_start": TEXT,
        "checks": TEXT,
    },
    "pull": {
        **COMMON,
        "log_id": TEXT,
        "index": WHOLE,
        "start_s": REAL,
        "end_s": REAL,
        "gear": WHOLE,
        "gear_ratio": REAL,
        "rpm_start": REAL,
        "rpm_end": REAL,
        "ended_by": TEXT,
        "score": REAL,
        "barometric_kpa": REAL,
        "ambient_c": REAL,
        "fuel": TEXT,
        "setting": TEXT,
        "checks": TEXT,
    },
    "finding": {
        **COMMON,
        "level": TEXT,
        "log_id": TEXT,
        "index": WHOLE,
        "code": TEXT,
        "severity": TEXT,
        "message": TEXT,
        "channel": TEXT,
        "start_s": REAL,
        "end_s": REAL,
        "value": REAL,
        "limit": REAL,
        "unit": TEXT,
        "likely": TEXTS,
        "look_at": TEXTS,
    },
    "note": {**COMMON, "text": TEXT, "touches": TEXTS, "added_at": TEXT},
}
MEASURED = ("log", "pull")  # kinds with a column a measure beside the fixed ones
FIXED = {name: kind for columns in COLUMNS.values() for name, kind in columns.items()}

SMALL_FILES = 48  # of one kind, before they are put together
SMALL_BYTES = 1 << 18
TARGET_BYTES = (
    1 << 20
)  # files are put together up to this size, which bounds what a compaction rewrites
COMPACTION_BYTES = (
    64 << 20
)  # free bytes without which files stay small: the night itself comes first
KEEP_HOURS = 2  # how long replaced files stay for readers of an older version
CONFIGURATION = {
    "delta.checkpointInterval": "50",
    "delta.logRetentionDuration": "interval 2 days",
    "delta.deletedFileRetentionDuration": f"interval {KEEP_HOURS} hours",
}
MOST_OPEN = 16
_opened: dict[
    str, tuple[tuple[str, int, int], DeltaTable]
] = {}  # path -> (its newest commit, the table then)


def frame_of(rows: Rows) -> pl.DataFrame:
    """Rows of all kinds as one frame with every fixed column and the measures' columns."""
    import polars as pl

    flat: list[dict[str, Any]] = [
        {"kind": kind, **row} for kind, found in rows.items() for row in found
    ]
    measures = sorted({name for row in flat for name in row} - set(FIXED) - {"kind"})
    schema: dict[str, pl.DataType] = {"kind": pl.String()} | {
        name: _dtype(kind) for name, kind in FIXED.items()
    }
    schema |= {name: pl.Float64() for name in measures}
    return pl.DataFrame(flat, schema=schema)


def _dtype(kind: str) -> pl.DataType:
    import polars as pl

    return pl.List(pl.String()) if kind == TEXTS else getattr(pl, kind)()


def append(places: Places, rows: Rows) -> None:
    """Add the rows in one commit and flush it. Raises ArchiveError; nothing is added then.

    The caller holds the archive's lock.
    """
    append_frame(places, frame_of(rows))


def append_frame(places: Places, frame: pl.DataFrame) -> None:
    """As append, for a frame made by frame_of."""
    from deltalake import write_deltalake

    with told(f"{places.tables}: cannot add to the tables"):
        need_room(places.root, int(frame.estimated_size()))
        write_deltalake(
            str(places.tables),
            frame,
            mode="append",
            partition_by=["kind"],
            schema_mode="merge",
            configuration=CONFIGURATION,
            writer_properties=_zstd(),
        )
        _flush_last_commit(places)


def _zstd() -> Any:
    from deltalake import WriterProperties

    return WriterProperties(compression="ZSTD", compression_level=3)


def _flush_last_commit(places: Places) -> None:
    log = places.tables / "_delta_log"
    last = max(log.glob("*.json"), key=lambda path: path.name)
    for line in last.read_text(encoding="utf-8").splitlines():
        if added := json.loads(line).get("add"):
            flush(places.tables / unquote(added["path"]))
    flush(last)
    flush(log)


def exists(places: Places) -> bool:
    """Is there a table yet?"""
    return (places.tables / "_delta_log").is_dir()


def scan(
    places: Places,
    kind: str,
    *,
    car: str | Collection[str] | None = None,
    columns: Sequence[str] | None = None,
) -> pl.DataFrame:
    """Rows of one kind, of one car, of several or of all; `columns`, or every column of the kind with its measures.

    A column that is not there yet is left out. Raises ArchiveError when the table cannot be read.
    """
    import polars as pl

    with told(f"{places.tables}: cannot read the tables (`pullaudit verify` tells more)"):
        if not exists(places):
            return pl.DataFrame(
                schema={name: _dtype(dtype) for name, dtype in COLUMNS[kind].items()}
            )
        lazy = pl.scan_delta(_table_as_now(places))
        known = lazy.collect_schema().names()
        wanted = [name for name in (columns or columns_of(kind, known)) if name in known]
        where = pl.col("kind") == kind
        if car is not None:
            where &= (
                pl.col("car") == car if isinstance(car, str) else pl.col("car").is_in(list(car))
            )
        found = lazy.filter(where).select(wanted).collect()
    if columns is None and kind in MEASURED:
        empty = [
            c
            for c in found.columns
            if c not in COLUMNS[kind] and found[c].null_count() == found.height
        ]
        found = found.drop(empty)
    return found


def _table_as_now(places: Places) -> DeltaTable:
    """The table at its newest commit, opened once a commit: to open it costs as much as to read one car's nights."""
    from deltalake import DeltaTable

    log = places.tables / "_delta_log"
    newest = max(
        (entry.name for entry in os.scandir(log) if entry.name.endswith(".json")), default=""
    )
    about = (log / newest).stat()  # a rebuilt table has the same names again
    state = (newest, about.st_ino, about.st_mtime_ns)
    known = _opened.get(str(places.tables))
    if known is None or known[0] != state:
        known = (state, DeltaTable(str(places.tables)))
        if len(_opened) >= MOST_OPEN:
            _opened.clear()
        _opened[str(places.tables)] = known
    return known[1]


def forget(places: Places) -> None:
    """Open the table anew at the next look: for those who doubt what is on the disk."""
    _opened.pop(str(places.tables), None)


def columns_of(kind: str, known: Sequence[str]) -> list[str]:
    """The fixed columns of a kind and, where it has measures, the table's columns that are none of any kind's."""
    measures = (
        [name for name in known if name not in FIXED and name != "kind"] if kind in MEASURED else []
    )
    return [*COLUMNS[kind], *measures]


def open_table(places: Places) -> DeltaTable:
    """The Delta table itself. Raises ArchiveError when it cannot be opened."""
    from deltalake import DeltaTable

    with told(f"{places.tables}: cannot open the tables"):
        return DeltaTable(str(places.tables))


def files_of(places: Places, kind: str) -> list[str]:
    """The Parquet files that hold one kind now."""
    return [str(path) for path in _paths(open_table(places), kind)]


def _paths(table: DeltaTable, kind: str) -> list[Path]:
    found = (Path(unquote(urlparse(uri).path)) for uri in table.file_uris())
    return [path for path in found if path.parent.name == f"kind={kind}"]


def compact_if_due(places: Places) -> bool:
    """Put small files together once there are many of a kind; True when something was done.

    Files that do not fit together below TARGET_BYTES stay as they are; all do while the disk is nearly full. The caller
    holds the lock.
    """
    if not exists(places) or free_bytes(places.root) < COMPACTION_BYTES:
        return False
    table = open_table(places)
    with told(f"{places.tables}: cannot compact the tables"):
        due = [kind for kind in COLUMNS if _small(table, kind) >= SMALL_FILES]
        for kind in due:
            table.optimize.compact(
                [("kind", "=", kind)], target_size=TARGET_BYTES, writer_properties=_zstd()
            )
        if due:
            _flush_last_commit(places)
            table.vacuum(KEEP_HOURS, dry_run=False)
    return bool(due)


def _small(table: DeltaTable, kind: str) -> int:
    return sum(path.stat().st_size < SMALL_BYTES for path in _paths(table, kind))
