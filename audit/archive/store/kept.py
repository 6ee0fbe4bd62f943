"""Kept logs: Parquet files named by the hash of their bytes, in a folder or at any address that fsspec knows."""

from __future__ import annotations

import hashlib
import re
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.archive.store.places import flush, sha256_of, told
from audit.errors import ArchiveError, UnreadableLog

if TYPE_CHECKING:
    from audit.model import Log

MEND = "Put the file back from a backup, or screen the log it was made from again"


class Kept:
    """The logs of one archive. A file is written once, whole, before the database speaks of it."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.remote = re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", address) is not None

    def write(self, log: Log) -> tuple[str, str]:
        """(file, SHA-256) of the log as it is kept now. Raises ArchiveError."""
        from audit.intake.parquet import write_log

        with told(f"{self.address}: cannot keep the log {log.path}", *self._errors()):
            if not self.remote:
                Path(self.address).mkdir(parents=True, exist_ok=True)
            beside = None if self.remote else self.address
            with tempfile.TemporaryDirectory(prefix=".part-", dir=beside) as folder:
                part = Path(folder) / "log"
                write_log(log, part)  # flushed
                digest = sha256_of(part)
                if self.remote:
                    system, root = self._system()
                    system.pipe_file(f"{root}/{_place(digest)}", part.read_bytes())
                else:
                    target = Path(self.address) / _place(digest)
                    target.parent.mkdir(exist_ok=True)
                    part.replace(target)
                    flush(target.parent)
        return _place(digest), digest

    def read(self, file: str) -> Log:
        """A kept log. Raises ArchiveError where it is not there, is damaged, or has other bytes than it was kept with."""
        from audit.intake.parquet import read_log

        data = self._bytes(file)
        if hashlib.sha256(data).hexdigest() != Path(file).stem:
            raise ArchiveError(f"{self._where(file)}: its bytes do not match its hash. {MEND}.")
        if not self.remote:
            return _read(read_log, Path(self.address) / file)
        with tempfile.TemporaryDirectory(prefix="pullaudit-") as folder:
            part = Path(folder) / Path(file).name
            part.write_bytes(data)
            return _read(read_log, part)

    def sound(self, file: str) -> bool:
        """Is the file there with its own bytes?"""
        try:
            return hashlib.sha256(self._bytes(file)).hexdigest() == Path(file).stem
        except ArchiveError:
            return False

    def every(self) -> set[str]:
        """The files that are there. Raises ArchiveError."""
        with told(f"{self.address}: cannot be looked through", *self._errors()):
            if not self.remote:
                root = Path(self.address)
                return {p.relative_to(root).as_posix() for p in root.glob("[!.]*/*") if p.is_file()}
            system, below = self._system()
            found = system.find(below) if system.exists(below) else []
            return {str(p).rsplit(below.strip("/") + "/", 1)[-1] for p in found}

    def _bytes(self, file: str) -> bytes:
        if not self.remote and not (Path(self.address) / file).is_file():
            raise ArchiveError(f"{self._where(file)}: this kept log is missing. {MEND}.")
        with told(f"{self._where(file)}: this kept log cannot be read", *self._errors()):
            if not self.remote:
                return (Path(self.address) / file).read_bytes()
            system, root = self._system()
            data: bytes = system.cat_file(f"{root}/{file}")
            return data

    def _where(self, file: str) -> str:
        return f"{self.address.rstrip('/')}/{file}"

    def _system(self) -> tuple[Any, str]:
        import fsspec

        system, root = fsspec.core.url_to_fs(self.address)
        return system, str(root).rstrip("/")

    def _errors(self) -> tuple[type[BaseException], ...]:
        """What a store may raise: its clients have errors of their own kinds."""
        from polars.exceptions import PolarsError

        return (Exception,) if self.remote else (PolarsError,)


def _place(digest: str) -> str:
    return f"{digest[:2]}/{digest}.parquet"


def _read(read: Any, path: Path) -> Log:
    try:
        found: Log = read(path)
    except UnreadableLog as error:
        raise ArchiveError(f"{error}") from error
    return found
