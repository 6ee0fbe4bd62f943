"""The archive's format number, and the steps from an older one.

A record says which format it follows. Reading one brings it up step by step, so the way from any old
format is: upgrade the records, rebuild the tables from them (audit.archive.store.verify does), write the new number.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from audit.archive.store.places import Places, write_whole
from audit.errors import ArchiveError

if TYPE_CHECKING:
    from audit.archive.store.record import Record

FORMAT = 1

Step = Callable[[dict[str, list[dict[str, Any]]]], dict[str, list[dict[str, Any]]]]

# from format n to n + 1: rows in, rows out
STEPS: Mapping[int, Step] = {}


def upgraded(record: Record, *, steps: Mapping[int, Step] = STEPS, to: int = FORMAT) -> Record:
    """The record in format `to`. Raises ArchiveError for a newer one, or one with no way up."""
    if record.format > to:
        raise ArchiveError(
            f"record {record.id}: written in archive format {record.format}, this program knows up to {to}. "
            "Use a newer pullaudit.",
        )
    rows = {kind: list(found) for kind, found in record.rows.items()}
    for number in range(record.format, to):
        if number not in steps:
            raise ArchiveError(
                f"record {record.id}: no way from archive format {number} to {number + 1}."
            )
        rows = steps[number](rows)
    return dataclasses.replace(record, rows=rows, format=to)


def read_format(places: Places) -> int | None:
    """The archive's format, None for no archive. Raises ArchiveError when the file cannot be understood."""
    if not places.format_file.exists():
        return None
    try:
        found = json.loads(places.format_file.read_text(encoding="utf-8"))["format"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise ArchiveError(
            f"{places.format_file}: the format number cannot be read. `pullaudit verify --repair` writes it anew.",
        ) from error
    if not isinstance(found, int) or found > FORMAT:
        raise ArchiveError(
            f"{places.root}: archive format {found}, this program knows up to {FORMAT}. Use a newer pullaudit.",
        )
    return found


def write_format(places: Places) -> None:
    """Write today's format number."""
    body = json.dumps({"what": "pullaudit archive", "format": FORMAT}).encode()
    write_whole(places.format_file, body, aside=places.aside)
