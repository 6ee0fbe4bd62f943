"""How a command writes what is not text, and where it goes."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from typing import Any


def json_alone(text: str, json_to: str | None) -> bool:
    """Deliver the JSON; True when it went to standard output, which then holds nothing else.

    json_to: None for no JSON, '-' for standard output, else a file. Raises UsageError when it cannot be written.
    """
    if json_to == "-":
        sys.stdout.write(text + "\n")
        return True
    if json_to is not None:
        from audit.files import write_text

        write_text(Path(json_to), text + "\n")
    return False


def as_csv(names: list[str], rows: list[list[Any]]) -> str:
    """An answer in SQL as CSV; what is nested as JSON in its cell."""
    out = io.StringIO()
    nested = [[json.dumps(v) if isinstance(v, list | dict) else v for v in row] for row in rows]
    csv.writer(out, lineterminator="\n").writerows([names, *nested])
    return out.getvalue()


def as_json(names: list[str], rows: list[list[Any]]) -> str:
    """An answer in SQL as JSON: {"columns": [...], "rows": [[...]]}."""
    return json.dumps({"columns": names, "rows": rows}, ensure_ascii=False, indent=2)
