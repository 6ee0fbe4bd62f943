"""Record files: all rows of one night or note in one checked file, the truth that the tables are made from."""

from __future__ import annotations

import gzip
import hashlib
import json
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit.archive.store.migrate import upgraded
from audit.archive.store.places import partition
from audit.errors import ArchiveError

Rows = Mapping[str, list[dict[str, Any]]]


@dataclass(frozen=True, slots=True)
class Record:
    """rows: kind ('night', 'log', 'pull', 'finding', 'note') -> rows. format: the archive format they follow."""

    id: str
    car: str
    date: str
    rows: Rows
    format: int

    @property
    def place(self) -> str:
        """Its file, from the records folder."""
        return f"{partition(self.car, self.date)}/{self.id}.json.gz"


def to_bytes(record: Record) -> bytes:
    """The file's bytes: gzipped JSON with the SHA-256 of its rows."""
    rows = _canonical(record.rows)
    head = {"format": record.format, "id": record.id, "car": record.car, "date": record.date}
    head["sha256"] = hashlib.sha256(rows).hexdigest()
    body = json.dumps(head, ensure_ascii=False).encode()[:-1] + b', "rows": ' + rows + b"}"
    return gzip.compress(body, compresslevel=6, mtime=0)


def read_record(path: Path) -> Record:
    """Read a record, bring it to today's format.

    Raises ArchiveError when the file is torn, changed or not a record.
    """
    try:
        loaded = json.loads(gzip.decompress(path.read_bytes()))
        whole = hashlib.sha256(_canonical(loaded["rows"])).hexdigest() == loaded["sha256"]
        record = Record(**{key: loaded[key] for key in ("id", "car", "date", "rows", "format")})
    except (OSError, EOFError, ValueError, KeyError, TypeError, zlib.error) as error:
        raise ArchiveError(
            f"{path}: the record is torn or is no record ({type(error).__name__})."
        ) from error
    if not whole:
        raise ArchiveError(f"{path}: the record's rows do not match their checksum.")
    return upgraded(record)


def _canonical(rows: Rows) -> bytes:
    return json.dumps(
        rows, ensure_ascii=False, sort_keys=True, separators=(",", ":"), allow_nan=False
    ).encode()
