"""Where the JSON of a command goes."""

from __future__ import annotations

import sys
from pathlib import Path


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
