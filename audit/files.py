"""Writing a file so that it is there whole or not at all; what a disk says, in sentences."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from audit.errors import ArchiveError, UsageError
from audit.tables import toml_table

SPARE_BYTES = 1 << 20


def write_text(path: Path, text: str) -> None:
    """Write aside, flush, rename. Raises UsageError naming the path when it cannot be written."""
    write_bytes(path, text.encode("utf-8"))


def write_bytes(path: Path, data: bytes) -> None:
    """As write_text, for bytes."""
    try:
        write_whole(path, data)
    except OSError as error:
        raise UsageError(
            f"{path}: cannot be written ({error.strerror or error}). Give another file."
        ) from None


def write_whole(path: Path, data: bytes) -> None:
    """As write_bytes, but raises OSError. A device or a pipe is written to, not replaced."""
    if path.exists() and not path.is_file():
        path.write_bytes(data)
        return
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


def flush_folder(path: Path) -> None:
    """Force a folder's entries to the disk, where its file system can."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except PermissionError:  # Windows opens no folder
        return
    try:
        os.fsync(handle)
    except OSError as error:  # some file systems cannot; the rename stays atomic
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def need_room(folder: Path, size: int) -> None:
    """Raise ArchiveError unless the folder's disk has `size` bytes and some to spare.

    The folder need not be there yet.
    """
    there = next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())
    wanted, free = size + SPARE_BYTES, shutil.disk_usage(there).free
    if free < wanted:
        raise ArchiveError(
            f"{folder}: no space is left on the disk ({free / 1e6:.1f} MB free, up to "
            f"{wanted / 1e6:.1f} MB wanted); free some and run again."
        )


@contextmanager
def told(doing: str, *kinds: type[BaseException]) -> Iterator[None]:
    """Turn an OSError, or one of kinds, into one ArchiveError: '<doing>: <why>.'"""
    caught: tuple[type[BaseException], ...] = (OSError, *kinds)
    try:
        yield
    except ArchiveError:
        raise
    except caught as error:
        raise ArchiveError(f"{doing}: {_reason(error).rstrip('.')}.") from error


def _reason(error: BaseException) -> str:
    """A cause for people, by the words of the first line."""
    text = str(error).strip().splitlines()[0][:200] if str(error).strip() else type(error).__name__
    for row in toml_table("refusals.toml")["row"]:
        if any(words in text.lower() for words in row["words"]):
            return f"{row['means']} ({text})"
    return text
