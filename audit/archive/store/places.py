"""What the disk or the database says, in sentences; flushing; room on the disk."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from audit.errors import ArchiveError

NO_SPACE = "no space is left on the disk; free some and run again"
NO_RIGHTS = "there is no permission; change the folder's rights or choose another"
DAMAGED = "the database is damaged; put back the last backup (docs/archive.md, Backup and restore)"
WORDS = {  # of the system or a database: what they mean here
    "disk is full": NO_SPACE,
    "no space left": NO_SPACE,
    "transport error": NO_SPACE,
    "disk quota": "the disk quota is used up; free some space and run again",
    "file too large": "a file would be larger than the system lets this program write; "
    "raise that limit (ulimit -f) and run again",
    "read-only file system": "the disk is read-only; mount it for writing or choose another folder",
    "permission denied": NO_RIGHTS,
    "operation not permitted": NO_RIGHTS,
    "not a directory": "a file stands where a folder is wanted; choose another folder",
    "input/output error": "the disk reports an error; copy the archive to a sound disk",
    "readonly database": "it may only be read; change its rights, or mount its disk for writing",
    "locked": "another program has been writing to it for too long; "
    "wait for it to end, or end it, and run again",
    "malformed": DAMAGED,
    "not a database": DAMAGED,
    "unable to open": "it cannot be opened; look at the rights of the folder and its files",
    "disk i/o error": "the disk did not take or give what was asked; "
    "look at its space, its health and `ulimit -f`",
    "connection": "the database server does not answer; start it, or mend the address",
    "no such table": DAMAGED,
    "no such column": DAMAGED,
    "does not exist": DAMAGED,
}
SPARE_BYTES = 1 << 20


def reason(error: BaseException) -> str:
    """A cause for people, by the words of the first line."""
    text = str(error).strip().splitlines()[0][:200] if str(error).strip() else type(error).__name__
    low = text.lower()
    return next((f"{said} ({text})" for words, said in WORDS.items() if words in low), text)


@contextmanager
def told(doing: str, *kinds: type[BaseException]) -> Iterator[None]:
    """Turn an OSError, or one of kinds, into one ArchiveError: '<doing>: <why>.'"""
    caught: tuple[type[BaseException], ...] = (OSError, *kinds)
    try:
        yield
    except ArchiveError:
        raise
    except caught as error:
        raise ArchiveError(f"{doing}: {reason(error).rstrip('.')}.") from error


def flush(path: Path) -> None:
    """Force a file or a folder's entries to the disk."""
    try:  # Windows flushes by a handle that may write, and opens no folder
        handle = os.open(path, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
    except PermissionError:
        if path.is_dir():
            return
        raise
    try:
        os.fsync(handle)
    except OSError as error:  # some file systems cannot flush a folder; the rename stays atomic
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
