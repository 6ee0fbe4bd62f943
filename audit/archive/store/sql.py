"""Questions in SQL over an archive: views nights, logs, pulls, findings, notes, and the tables below them. Reads only."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from audit.archive.store.store import Archive


def ask(archive: Archive, query: str) -> tuple[list[str], list[list[Any]]]:
    """Names and rows of the answer. Raises UsageError for a question that is none or would change something."""
    archive.must_exist()
    names, rows = archive.db.ask(query)
    return names, [[_plain(v) for v in row] for row in rows]


def as_csv(names: list[str], rows: list[list[Any]]) -> str:
    """The answer as CSV; what is nested as JSON in its cell."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(names)
    writer.writerows(
        [json.dumps(v, ensure_ascii=False) if isinstance(v, list | dict) else v for v in row]
        for row in rows
    )
    return out.getvalue()


def as_json(names: list[str], rows: list[list[Any]]) -> str:
    """The answer as JSON: {"columns": [...], "rows": [[...]]}."""
    return json.dumps({"columns": names, "rows": rows}, ensure_ascii=False, indent=2)


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value - value != 0:
        return None
    return (
        value if value is None or isinstance(value, str | int | float | list | dict) else str(value)
    )
