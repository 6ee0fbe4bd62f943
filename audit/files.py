"""Writing a file so that it is there whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from audit.errors import UsageError


def write_text(path: Path, text: str) -> None:
    """Write aside, flush, rename. Raises UsageError naming the path when it cannot be written."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> None:
    """As write_text, for bytes."""
    try:
        handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            Path(aside).chmod(0o644)
            Path(aside).replace(path)
        except BaseException:
            Path(aside).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be written ({error.strerror or error}). Give another file."
        ) from None
