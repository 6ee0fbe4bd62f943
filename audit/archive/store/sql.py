"""Questions in SQL over an archive: its views and the tables below them. Reads only."""

from __future__ import annotations

import csv
import io
import json
from typing import Any

from audit.archive.store.tables import Tables


def ask(archive: Tables, query: str) -> tuple[list[str], list[list[Any]]]:
    """Names and rows of the answer. Raises UsageError for a question that is none or changes."""
    archive.must_exist()
    names, rows = archive.db.ask(query)
    return names, [[_plain(v) for v in row] for row in rows]


def as_csv(names: list[str], rows: list[list[Any]]) -> str:
    """The answer as CSV; what is nested as JSON in its cell."""
    out = io.StringIO()
    nested = [[json.dumps(v) if isinstance(v, list | dict) else v for v in row] for row in rows]
    csv.writer(out, lineterminator="\n").writerows([names, *nested])
    return out.getvalue()


def as_json(names: list[str], rows: list[list[Any]]) -> str:
    """The answer as JSON: {"columns": [...], "rows": [[...]]}."""
    return json.dumps({"columns": names, "rows": rows}, ensure_ascii=False, indent=2)


def _plain(value: Any) -> Any:
    if isinstance(value, float) and value - value != 0:
        return None
    return value if isinstance(value, str | int | float | list | dict | None) else str(value)
