"""Where things lie in an archive, and how a file gets there whole: aside, flushed, renamed.

DIR/archive.json                                 the format number
DIR/lock                                         held while something is written
DIR/logs/car=NAME/date=DAY/HASH.parquet          one normalised log, named by the SHA-256 of its bytes
DIR/records/car=NAME/date=DAY/ID.json.gz         all rows of one night (or note), enough to rebuild the tables
DIR/tables/                                      the same rows as a Delta table, partitioned by kind
DIR/pending/, DIR/aside/                         a write under way; empty otherwise
DIR/set_aside/                                   what a repair took out
DIR/cache/                                       standings for the fleet view; may be deleted at any time
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from audit.errors import ArchiveError

LONGEST_NAME = 120  # bytes of a folder name taken by a car's name; file systems end at 255

REASONS = {
    errno.ENOSPC: "no space is left on the disk; free some and run again",
    errno.EDQUOT: "the disk quota is used up; free some space and run again",
    errno.EFBIG: "a file would be larger than the system lets this program write; raise that limit (ulimit -f) and run again",
    errno.EROFS: "the disk is read-only; mount it for writing or choose another folder",
    errno.EACCES: "there is no permission; change the folder's rights or choose another",
    errno.EPERM: "there is no permission; change the folder's rights or choose another",
    errno.ENOTDIR: "a file stands where a folder is wanted; choose another folder",
    errno.EIO: "the disk reports an input/output error; copy the archive to a sound disk",
}
UNTOLD = {  # what a library says instead of the error number
    "transport error": "the disk did not take a whole file, as when it is full; free some space and run again",
}
SPARE_BYTES = 1 << 20  # besides what is to be written: a commit, its folders, the record


@dataclass(frozen=True, slots=True)
class Places:
    """The paths of one archive."""

    root: Path

    @property
    def format_file(self) -> Path:
        return self.root / "archive.json"

    @property
    def lock(self) -> Path:
        return self.root / "lock"

    @property
    def logs(self) -> Path:
        return self.root / "logs"

    @property
    def records(self) -> Path:
        return self.root / "records"

    @property
    def tables(self) -> Path:
        return self.root / "tables"

    @property
    def pending(self) -> Path:
        return self.root / "pending"

    @property
    def aside(self) -> Path:
        return self.root / "aside"

    @property
    def set_aside(self) -> Path:
        return self.root / "set_aside"

    @property
    def cache(self) -> Path:
        return self.root / "cache"

    def make(self) -> None:
        """Make the folders of a new archive."""
        for folder in (self.root, self.logs, self.records, self.pending, self.aside):
            folder.mkdir(parents=True, exist_ok=True)


def partition(car: str, date: str) -> str:
    """'car=NAME/date=DAY', the name made safe for any file system."""
    name = quote(car, safe=" ()+,")
    if len(name) > LONGEST_NAME:
        name = f"{name[: LONGEST_NAME - 17]}-{hashlib.sha256(car.encode()).hexdigest()[:16]}"
    return f"car={name}/date={date}"


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def flush(path: Path) -> None:
    """Force a file or a folder's entries to the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as error:  # some file systems cannot flush a folder; the rename stays atomic
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(handle)


def move(source: Path, target: Path) -> None:
    """Rename within the archive, atomically, and flush the folder; the target's folders are made."""
    target.parent.mkdir(parents=True, exist_ok=True)
    source.replace(target)
    flush(target.parent)


def write_whole(target: Path, body: bytes, *, aside: Path) -> None:
    """Write bytes so that the target is either absent (or old) or whole."""
    aside.mkdir(parents=True, exist_ok=True)
    part = aside / f"{target.name}.{os.getpid()}.part"
    with part.open("wb") as file:
        file.write(body)
        file.flush()
        os.fsync(file.fileno())
    move(part, target)


def empty_folder(folder: Path) -> None:
    """Remove what is in a folder, which stays."""
    for entry in folder.iterdir() if folder.is_dir() else ():
        shutil.rmtree(entry) if entry.is_dir() else entry.unlink(missing_ok=True)


def reason(error: BaseException) -> str:
    """A cause for people: from the error number when there is one, else the first line of its text."""
    number = getattr(error, "errno", None)
    if number in REASONS:
        return REASONS[number]
    text = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
    for number, sentence in REASONS.items():  # deltalake tells the number only in its text
        if f"os error {number})" in str(error):
            return sentence
    return next((sentence for words, sentence in UNTOLD.items() if words in str(error)), text)


def free_bytes(folder: Path) -> int:
    """Bytes that may still be written to the disk of a folder, which need not be there yet. Raises OSError."""
    there = next(path for path in (folder.absolute(), *folder.absolute().parents) if path.exists())
    return shutil.disk_usage(there).free


def need_room(folder: Path, size: int) -> None:
    """Raise ArchiveError unless the folder's disk has `size` bytes and some to spare.

    Asked first, because libraries that run into a full disk leave files behind and print their own alarm.
    """
    wanted = size + SPARE_BYTES
    if (free := free_bytes(folder)) < wanted:
        raise ArchiveError(
            f"{folder}: no space is left on the disk ({free / 1e6:.1f} MB free, up to {wanted / 1e6:.1f} MB wanted); "
            "free some and run again.",
        )


@contextmanager
def told(doing: str) -> Iterator[None]:
    """Turn what the disk, Delta or Parquet raises into one ArchiveError: '<doing>: <why>.'"""
    import polars as pl
    from deltalake.exceptions import DeltaError

    try:
        yield
    except (OSError, DeltaError, pl.exceptions.PolarsError) as error:
        raise ArchiveError(f"{doing}: {reason(error).rstrip('.')}.") from error
