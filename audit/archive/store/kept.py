"""Kept logs: Parquet files named by the hash of their bytes, in a folder or where fsspec goes."""

from __future__ import annotations

import hashlib
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.archive.store.places import flush, told
from audit.errors import ArchiveError, UnreadableLog

if TYPE_CHECKING:
    from audit.model import Log

MEND = "Put the file back from a backup, or screen the log it was made from again"


class Kept:
    """The logs of one archive. A file is written once, whole, before the database speaks of it."""

    def __init__(self, address: str) -> None:
        from polars.exceptions import PolarsError

        self.address, self.remote = address.rstrip("/"), "://" in address
        # A store's clients have errors of their own kinds.
        self._errors = (Exception,) if self.remote else (PolarsError,)

    def write(self, log: Log) -> tuple[str, str]:
        """(file, SHA-256) of the log as it is kept now. Raises ArchiveError."""
        from audit.intake.parquet import write_log

        with told(f"{self.address}: cannot keep the log {log.path}", *self._errors):
            if not self.remote:
                Path(self.address).mkdir(parents=True, exist_ok=True)
            beside = None if self.remote else self.address
            with tempfile.TemporaryDirectory(prefix=".part-", dir=beside) as folder:
                part = Path(folder) / "log"
                write_log(log, part)  # flushed
                data = part.read_bytes()
                digest = hashlib.sha256(data).hexdigest()
                file = f"{digest[:2]}/{digest}.parquet"
                if self.remote:
                    system, root = self._system()
                    system.pipe_file(f"{root}/{file}", data)
                else:
                    target = Path(self.address) / file
                    target.parent.mkdir(exist_ok=True)
                    part.replace(target)
                    flush(target.parent)
        return file, digest

    def read(self, file: str) -> Log:
        """A kept log. Raises ArchiveError for one that is missing, damaged or has other bytes."""
        from audit.intake.parquet import read_log

        data, where = self._bytes(file), f"{self.address}/{file}"
        if hashlib.sha256(data).hexdigest() != Path(file).stem:
            raise ArchiveError(f"{where}: its bytes do not match its hash. {MEND}.")
        try:
            return read_log(Path(where), data)
        except UnreadableLog as error:
            raise ArchiveError(f"{error}") from error

    def sound(self, file: str) -> bool:
        """Is the file there with its own bytes?"""
        try:
            return hashlib.sha256(self._bytes(file)).hexdigest() == Path(file).stem
        except ArchiveError:
            return False

    def every(self) -> set[str]:
        """The files that are there. Raises ArchiveError."""
        with told(f"{self.address}: cannot be looked through", *self._errors):
            if not self.remote:
                root = Path(self.address)
                return {p.relative_to(root).as_posix() for p in root.glob("[!.]*/*") if p.is_file()}
            system, below = self._system()
            found = system.find(below) if system.exists(below) else []
            return {"/".join(str(p).split("/")[-2:]) for p in found}

    def _bytes(self, file: str) -> bytes:
        where = f"{self.address}/{file}"
        if not self.remote and not Path(where).is_file():
            raise ArchiveError(f"{where}: this kept log is missing. {MEND}.")
        with told(f"{where}: this kept log cannot be read", *self._errors):
            if not self.remote:
                return Path(where).read_bytes()
            system, root = self._system()
            data: bytes = system.cat_file(f"{root}/{file}")
            return data

    def _system(self) -> tuple[Any, str]:
        import fsspec

        system, root = fsspec.core.url_to_fs(self.address)
        return system, str(root).rstrip("/")
