"""A Log as one Parquet file and back: zstd, canonical names, how each column was understood as
metadata.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import polars as pl

from audit.errors import UnreadableLog
from audit.model import Barometric, Channel, Log, Note

KEY = "pullaudit.log"
VERSION = 1


def log_bytes(log: Log) -> bytes:
    """A log as the bytes of its file.

    Every source column is in it: canonical ones, the others, and untouched source values of
    converted ones.
    """
    about = {
        "version": VERSION,
        "path": log.path,
        "sha256": log.sha256,
        "channels": [asdict(c) for c in log.channels],
        "barometric": log.barometric._asdict(),
        "notes": [asdict(n) for n in log.notes],
        "breaks": list(log.breaks),
        "clock": log.clock,
        "wall_start": log.wall_start,
        "us_units": log.us_units,
        "reader": log.reader,
        "cut_off_s": log.cut_off_s,
    }
    made = io.BytesIO()
    told = {KEY: json.dumps(about, ensure_ascii=False)}
    log.frame.write_parquet(made, compression="zstd", metadata=told)
    return made.getvalue()


def is_ours(path: Path) -> bool:
    """The file is a Parquet file of log_bytes."""
    try:
        return KEY in pl.read_parquet_metadata(path)
    except (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException):
        return False


def read_log(path: Path, data: bytes | None = None) -> Log:
    """The log as it was written, equal field by field. data: the file's bytes, where they are at
    hand.

    Raises UnreadableLog when the file is no Parquet, is torn, or is not one of ours.
    """
    try:
        source = path if data is None else io.BytesIO(data)
        about = pl.read_parquet_metadata(source).get(KEY)
        frame = pl.read_parquet(source, use_pyarrow=False, memory_map=False)
    except (OSError, pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
        raise UnreadableLog(
            f"{path}: not a whole Parquet file ({_first_line(error)}). Screen the log it was made "
            "from again."
        ) from error
    if about is None:
        raise UnreadableLog(
            f"{path}: a Parquet file, but not one of a screened log. Screen it like any other log."
        )
    try:
        return _log(json.loads(about), frame)
    except (KeyError, TypeError, ValueError) as error:
        raise UnreadableLog(
            f"{path}: its description of the columns cannot be used ({_first_line(error)}). "
            "Screen the log it was made from again."
        ) from error


def _log(about: Mapping[str, Any], frame: pl.DataFrame) -> Log:
    if about["version"] != VERSION:
        raise ValueError(
            f"written in version {about['version']}, this program reads version {VERSION}"
        )
    channels = tuple(Channel(**c) for c in about["channels"])
    missing = [c.name for c in channels if c.known and c.name not in frame.columns]
    if missing or "time" not in frame.columns:
        raise ValueError(f"no column for {', '.join(missing) or 'time'}")
    return Log(
        path=about["path"],
        sha256=about["sha256"],
        frame=frame,
        channels=channels,
        barometric=Barometric(**about["barometric"]),
        notes=tuple(Note(**n) for n in about["notes"]),
        breaks=tuple(about["breaks"]),
        clock=about["clock"],
        wall_start=about["wall_start"],
        us_units=about["us_units"],
        reader=about["reader"],
        cut_off_s=about.get("cut_off_s"),  # files of an earlier version do not have it
    )


def _first_line(error: BaseException) -> str:
    return str(error).strip().splitlines()[0][:160] if str(error).strip() else type(error).__name__
