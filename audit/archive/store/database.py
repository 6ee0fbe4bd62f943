"""SQLite and PostgreSQL behind the same few calls. Every difference between the two stands in this file."""

from __future__ import annotations

import os
import re
import sqlite3
import threading
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from audit.archive.store.places import reason
from audit.errors import ArchiveError, UsageError

WAIT_S = 120.0  # for another writer
SCHEMA = "schema"  # what `writing` is told to be about when tables or columns change
TYPES = {"text": "text", "list": "text", "integer": "bigint", "real": "double precision"}
_SERVER = re.compile(r"^postgres(?:ql)?:/+")
_PASSWORD = re.compile(r"(://[^:/@]*):[^@/]*@")


def is_server(address: str | Path) -> bool:
    """Is this the address of a PostgreSQL server rather than a folder or file?"""
    return _SERVER.match(str(address)) is not None


def shown(address: str | Path) -> str:
    """The address without its password."""
    return _PASSWORD.sub(r"\1@", str(address))


class _Open:
    """A connection that is closed when its thread ends or nobody has it any more."""

    def __init__(self, db: Any) -> None:
        self.db, self.pid = db, os.getpid()

    def __del__(self) -> None:
        if self.pid == os.getpid():
            with suppress(Exception):
                self.db.close()


class Database:
    """A database file, or a server by its address. One connection a thread, opened when it is first wanted."""

    def __init__(self, address: str | Path) -> None:
        self.address, self.server = str(address), is_server(address)
        self._here = threading.local()

    # --- asking -------------------------------------------------------------------------------

    def exists(self) -> bool:
        """Is there a file? A server is asked when it is used."""
        return self.server or Path(self.address).exists()

    def rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """All rows of a question, `?` for values. Raises ArchiveError."""
        return self.answer(sql, *values)[1]

    def answer(self, sql: str, *values: Any) -> tuple[list[str], list[tuple[Any, ...]]]:
        """Names of the columns, and the rows."""
        with self._told("cannot be read"):
            found = self._connection().execute(self._own(sql), [plain(v) for v in values])
            names = [c[0] for c in found.description or ()]
            return names, found.fetchall() if names else []

    def columns(self, table: str) -> dict[str, str]:
        """Name -> type of a table's columns; {} for none."""
        if not self.server:
            return {row[1]: row[2].lower() for row in self.rows(f'pragma table_info("{table}")')}
        question = "select column_name, data_type from information_schema.columns where table_schema = current_schema() and table_name = ? order by ordinal_position"
        return dict(self.rows(question, table))

    # --- writing ------------------------------------------------------------------------------

    @contextmanager
    def writing(self, what: str = "") -> Iterator[None]:
        """One transaction, all or nothing; inside another it is part of that one.

        what: on a server, only writers of the same thing wait for one another. Raises ArchiveError.
        """
        if getattr(self._here, "deep", False):
            yield
            return
        with self._told("cannot be written"):
            db = self._connection()
            db.execute("begin" if self.server else "begin immediate")
            if self.server:  # nobody writes while columns change
                shared = "" if what == SCHEMA else "_shared"
                db.execute(f"select pg_advisory_xact_lock{shared}(0)")
                db.execute("select pg_advisory_xact_lock(%s)", [1 + zlib.crc32(what.encode())])
        self._here.deep = True
        try:
            yield
            with self._told("cannot be written"):
                db.execute("commit")
        except BaseException:
            with suppress(Exception):
                db.execute("rollback")
            raise
        finally:
            self._here.deep = False

    def run(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """A statement that changes something, inside `writing`; what it returns."""
        with self._told("cannot be written"):
            found = self._connection().execute(self._own(sql), [plain(v) for v in values])
            return found.fetchall() if found.description else []

    def many(self, sql: str, rows: Iterable[Sequence[Any]]) -> None:
        """The same for many rows."""
        with self._told("cannot be written"):
            self._connection().cursor().executemany(
                self._own(sql), [[plain(v) for v in row] for row in rows]
            )

    def type_of(self, kind: str) -> str:
        """The database's word for a column type of schemas/archive.toml."""
        if kind == "id":
            return (
                "bigint generated by default as identity primary key"
                if self.server
                else "integer primary key"
            )
        return TYPES[kind] if self.server else TYPES[kind].replace("bigint", "integer")

    @property
    def clustered(self) -> str:
        """Closes a table whose rows lie in the order of their key."""
        return "" if self.server else " without rowid"

    @contextmanager
    def claimed(self, what: str) -> Iterator[bool]:
        """Hold something against other services on this server; False when another has it.

        It ends with the connection, so a service that is killed lets go. A file has one service: always True.
        """
        if not self.server:
            yield True
            return
        key = zlib.crc32(what.encode()) + (1 << 32)
        got = bool(self.rows("select pg_try_advisory_lock(?)", key)[0][0])
        try:
            yield got
        finally:
            if got:
                with suppress(ArchiveError):
                    self.rows("select pg_advisory_unlock(?)", key)

    def broken(self) -> list[str]:
        """What the database's own check finds wrong, references included; [] for nothing."""
        if self.server:  # it checks its pages as they are read, and holds its references itself
            return []
        found = [row[0] for row in self.rows("pragma integrity_check(20)") if row[0] != "ok"]
        return found + [
            f"a row of {table} refers to a {parent} that is not there"
            for table, _, parent, _ in self.rows("pragma foreign_key_check")
        ]

    def ask(self, sql: str) -> tuple[list[str], list[tuple[Any, ...]]]:
        """A stranger's question, over a connection of its own that can only read. Raises UsageError for a wrong one."""
        if not re.match(r"\s*(select|with|values|table|explain)\b", sql, re.IGNORECASE):
            raise UsageError("--sql only reads: begin with select or with.")
        try:
            db = self._opened(read_only=True)
            try:
                if self.server:  # prepared, so that it is one statement
                    db.execute("begin read only")
                    found = db.execute(sql, prepare=True)
                else:
                    db.set_authorizer(_only_reading)
                    found = db.execute(sql)
                return [c[0] for c in found.description or ()], (
                    found.fetchall() if found.description else []
                )
            finally:
                db.close()
        except self._errors() as error:
            raise UsageError(f"--sql: {str(error).splitlines()[0].rstrip('.')}.") from None

    # --- connections --------------------------------------------------------------------------

    def close(self) -> None:
        """Close this thread's connection."""
        self._here.open = None

    def _own(self, sql: str) -> str:
        return sql.replace("?", "%s") if self.server else sql

    def _connection(self) -> Any:
        found = getattr(self._here, "open", None)
        if found is None or found.pid != os.getpid():
            found = self._here.open = _Open(self._opened())
        return found.db

    def _opened(self, *, read_only: bool = False) -> Any:
        if self.server:
            import psycopg

            address = _SERVER.sub("postgresql://", self.address)
            return psycopg.connect(address, autocommit=True, connect_timeout=10)
        uri = Path(self.address).absolute().as_uri()
        db = sqlite3.connect(
            f"{uri}?mode={'ro' if read_only else 'rwc'}",
            uri=True,
            timeout=WAIT_S,
            isolation_level=None,
        )
        try:
            db.execute("select count(*) from sqlite_master").fetchone()
        except sqlite3.OperationalError as error:  # a folder where no log of writes can be made
            wal = Path(f"{self.address}-wal")
            known = "unable to open" in str(error) or "readonly" in str(error)
            if not known or (wal.exists() and wal.stat().st_size):
                raise
            db.close()
            db = sqlite3.connect(f"{uri}?immutable=1", uri=True, isolation_level=None)
        db.execute("pragma foreign_keys = on")
        return db

    def _errors(self) -> tuple[type[BaseException], ...]:
        if not self.server:
            return (sqlite3.Error, OverflowError)
        try:
            import psycopg
        except ModuleNotFoundError:
            raise UsageError(
                "an archive on a server needs its driver: pip install 'pullaudit[server]'."
            ) from None
        return (psycopg.Error,)

    @contextmanager
    def _told(self, doing: str) -> Iterator[None]:
        kinds: tuple[type[BaseException], ...] = (OSError, *self._errors())
        try:
            yield
        except kinds as error:
            if not getattr(self._here, "deep", False):
                self.close()  # it may be what is broken
            raise ArchiveError(
                f"{shown(self.address)}: {doing}: {reason(error).rstrip('.')}."
            ) from error


def plain(value: Any) -> Any:
    """The value as both databases take it: a name that is no UTF-8 with its odd bytes written out."""
    if isinstance(value, str) and not value.isascii():
        return value.encode("utf-8", "backslashreplace").decode()
    if isinstance(value, str) and "\0" in value:
        return value.replace("\0", "\\0")
    return value


def _only_reading(action: int, *_about: Any) -> int:
    allowed = (
        sqlite3.SQLITE_SELECT,
        sqlite3.SQLITE_READ,
        sqlite3.SQLITE_FUNCTION,
        sqlite3.SQLITE_RECURSIVE,
    )
    return sqlite3.SQLITE_OK if action in allowed else sqlite3.SQLITE_DENY
