"""Kept logs: Parquet files named by the hash of their bytes, in a folder or where fsspec goes."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from audit.archive.store.rows import words
from audit.errors import ArchiveError, UnreadableLog
from audit.files import flush_folder, told, write_whole
from audit.model import Log


class Kept:
    """The logs of one archive. A file is written once, whole, before the database speaks of it."""

    def __init__(self, address: str) -> None:
        from polars.exceptions import PolarsError

        self.address, self.remote = address.rstrip("/"), "://" in address
        # A store's clients have errors of their own kinds.
        self._errors = (Exception,) if self.remote else (PolarsError,)

    def write(self, log: Log) -> str:
        """The file that the log is kept in now. Raises ArchiveError."""
        from audit.intake.parquet import log_bytes

        with told(f"{self.address}: cannot keep the log {log.path}", *self._errors):
            data = log_bytes(log)
            digest = hashlib.sha256(data).hexdigest()
            file = f"{digest[:2]}/{digest}.parquet"
            if self.remote:
                system, root = self._system()
                system.pipe_file(f"{root}/{file}", data)
            else:
                target = Path(self.address) / file
                target.parent.mkdir(parents=True, exist_ok=True)
                write_whole(target, data)
                flush_folder(target.parent)
        return file

    def read(self, file: str) -> Log:
        """A kept log. Raises ArchiveError for one that is missing, damaged or has other bytes."""
        from audit.intake.parquet import read_log

        where = f"{self.address}/{file}"
        if not self.remote and not Path(where).is_file():
            raise ArchiveError(words("log_missing", where=where))
        with told(f"{where}: this kept log cannot be read", *self._errors):
            if self.remote:
                system, root = self._system()
                data: bytes = system.cat_file(f"{root}/{file}")
            else:
                data = Path(where).read_bytes()
        if hashlib.sha256(data).hexdigest() != Path(file).stem:
            raise ArchiveError(words("log_changed", where=where))
        try:
            return read_log(Path(where), data)
        except UnreadableLog as error:
            raise ArchiveError(f"{error}") from error

    def sound(self, file: str) -> bool:
        """Can the file be read, with its own bytes?"""
        try:
            self.read(file)
        except ArchiveError:
            return False
        return True

    def every(self) -> set[str]:
        """The files that are there. Raises ArchiveError."""
        with told(f"{self.address}: cannot be looked through", *self._errors):
            if self.remote:
                system, below = self._system()
                found = system.find(below) if system.exists(below) else []
            else:
                found = [p for p in Path(self.address).glob("[!.]*/[!.]*") if p.is_file()]
            return {"/".join(Path(p).parts[-2:]) for p in found}

    def _system(self) -> tuple[Any, str]:
        import fsspec

        system, root = fsspec.core.url_to_fs(self.address)
        return system, str(root).rstrip("/")
