"""What the disk or the database says, in sentences; flushing; room on the disk."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from audit.errors import ArchiveError

NO_SPACE = "no space is left on the disk; free some and run again"
NO_RIGHTS = "there is no permission; change the folder's rights or choose another"
DAMAGED = "the database is damaged; put back the last backup (docs/archive.md, Backup and restore)"
REASONS = {
    errno.ENOSPC: NO_SPACE,
    errno.EDQUOT: "the disk quota is used up; free some space and run again",
    errno.EFBIG: "a file would be larger than the system lets this program write; raise that limit (ulimit -f) and run again",
    errno.EROFS: "the disk is read-only; mount it for writing or choose another folder",
    errno.EACCES: NO_RIGHTS,
    errno.EPERM: NO_RIGHTS,
    errno.ENOTDIR: "a file stands where a folder is wanted; choose another folder",
    errno.EIO: "the disk reports an input/output error; copy the archive to a sound disk",
}
# What a database says where there is no error number.
WORDS = {
    "disk is full": NO_SPACE,
    "no space left": NO_SPACE,
    "transport error": NO_SPACE,
    "permission denied": NO_RIGHTS,
    "readonly database": "it may only be read; change its rights, or mount its disk for writing",
    "locked": "another program has been writing to it for too long; wait for it to end, or end it, and run again",
    "malformed": DAMAGED,
    "not a database": DAMAGED,
    "unable to open": "it cannot be opened; look at the rights of the folder and its files",
    "disk i/o error": "the disk did not take or give what was asked; look at its space, its health and `ulimit -f`",
    "connection": "the database server does not answer; start it, or mend the address",
    "no such table": DAMAGED,
    "no such column": DAMAGED,
    "does not exist": DAMAGED,
}
SPARE_BYTES = 1 << 20


def reason(error: BaseException) -> str:
    """A cause for people: by the error number where there is one, else by the words of the first line."""
    number = getattr(error, "errno", None)
    if number in REASONS:
        return REASONS[number]
    text = str(error).strip().splitlines()[0][:200] if str(error).strip() else type(error).__name__
    low = text.lower()
    return next((f"{said} ({text})" for words, said in WORDS.items() if words in low), text)


@contextmanager
def told(doing: str, *kinds: type[BaseException]) -> Iterator[None]:
    """Turn an OSError, or one of kinds, into one ArchiveError: '<doing>: <why>.'"""
    caught: tuple[type[BaseException], ...] = (OSError, *kinds)
    try:
        yield
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


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def need_room(folder: Path, size: int) -> None:
    """Raise ArchiveError unless the folder's disk has `size` bytes and some to spare; it need not be there yet."""
    there = next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())
    wanted, free = size + SPARE_BYTES, shutil.disk_usage(there).free
    if free < wanted:
        raise ArchiveError(
            f"{folder}: no space is left on the disk ({free / 1e6:.1f} MB free, up to {wanted / 1e6:.1f} MB wanted); "
            "free some and run again."
        )
