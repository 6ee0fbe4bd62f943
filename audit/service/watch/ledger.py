"""What has been done already, by content: so that a restart, a copy or a new name does nothing twice.

One SQLite file, changed in transactions. Should it be lost, the archive still knows its logs: every file would be
read once more, nothing would be kept twice, and standing holds and stops would be told once more.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audit import __version__
from audit.errors import ArchiveError
from audit.service.watch.nights import Entry

FORMAT = 1
READ, SET_ASIDE = "read", "set_aside"
_TABLES = """
create table if not exists content (car text, sha256 text, outcome text, reason text, path text, size integer,
    tool text, at text, primary key (car, sha256));
create table if not exists place (path text primary key, size integer, stamp integer, car text, sha256 text);
create table if not exists log (car text, log_id text, start real, stop real, error text, path text, primary key (car, log_id));
create table if not exists night (car text, name text, verdict text, primary key (car, name));
create table if not exists attempt (car text, sha256 text, count integer, primary key (car, sha256));
create table if not exists event (id integer primary key, key text unique, body text, tries integer default 0,
    due real default 0, told text default '', started integer default 0);
"""


@dataclass(frozen=True, slots=True)
class Done:
    """One file's outcome. sha256: of the file's bytes; stamp: its time of change, ns."""

    path: Path
    size: int
    stamp: int
    car: str
    sha256: str
    outcome: str
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Event:
    """Something to tell. told: the ways that have it already; started: how often telling was begun."""

    id: int
    body: dict[str, Any]
    tries: int
    told: tuple[str, ...]
    started: int


class Ledger:
    """The ledger in a file. Use one object a thread."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._db = _opened(path)
        except sqlite3.DatabaseError:
            _move_aside(path)
            self._db = _opened(path)

    def close(self) -> None:
        self._db.close()

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        try:
            with self._db:
                self._db.execute("begin immediate")
                yield self._db
        except sqlite3.Error as error:
            raise ArchiveError(
                f"{self.path}: cannot be written ({error}). Free some space or mend its rights."
            ) from None

    def _rows(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        try:
            with closing(self._db.execute(sql, values)) as found:
                return found.fetchall()
        except sqlite3.Error as error:
            raise ArchiveError(
                f"{self.path}: cannot be read ({error}). Move it away; it is made anew."
            ) from None

    # --- files -----------------------------------------------------------------------------------

    def places(self) -> dict[str, tuple[int, int]]:
        """Path -> (size, stamp) of every file dealt with; one set aside by another version counts as new."""
        rows = self._rows(
            "select p.path, p.size, p.stamp from place p join content c on c.car = p.car and c.sha256 = p.sha256 "
            "where c.outcome = ? or c.tool = ?",
            READ,
            __version__,
        )
        return {path: (size, stamp) for path, size, stamp in rows}

    def outcome(self, car: str, sha256: str) -> tuple[str, str, str] | None:
        """(outcome, reason, path) of a content; None when it is new, or was set aside by another version."""
        rows = self._rows(
            "select outcome, reason, path, tool from content where car = ? and sha256 = ?",
            car,
            sha256,
        )
        if not rows or (rows[0][0] == SET_ASIDE and rows[0][3] != __version__):
            return None
        return rows[0][:3]

    def at(self, path: Path) -> tuple[str, str, int] | None:
        """(car, sha256, size) of what was last dealt with at a path."""
        rows = self._rows("select car, sha256, size from place where path = ?", str(path))
        return rows[0] if rows else None

    def begin(self, keys: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
        """Note that these contents are about to be read; how often that was begun before without an end."""
        with self._writing() as db:
            before = {}
            for key in keys:
                row = db.execute(
                    "select count from attempt where car = ? and sha256 = ?", key
                ).fetchone()
                before[key] = row[0] if row else 0
                db.execute(
                    "insert or replace into attempt values (?, ?, ?)", (*key, before[key] + 1)
                )
        return before

    def attempts(self, car: str, sha256: str) -> int:
        """How often reading this content was begun without an end."""
        rows = self._rows("select count from attempt where car = ? and sha256 = ?", car, sha256)
        return int(rows[0][0]) if rows else 0

    def finish(
        self,
        done: Sequence[Done],
        *,
        entries: Sequence[Entry] = (),
        night: tuple[str, str, str] | None = None,
        event: tuple[str, dict[str, Any]] | None = None,
        gone: Sequence[Entry] = (),
    ) -> bool:
        """Commit all that became of some files at once; True when `event` is a new one.

        night: (car, name, verdict). event: (key, body); the same key is told once. gone: logs that were replaced.
        """
        with self._writing() as db:
            for d in done:
                at = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
                db.execute(
                    "insert or replace into content values (?,?,?,?,?,?,?,?)",
                    (d.car, d.sha256, d.outcome, d.reason, str(d.path), d.size, __version__, at),
                )
                db.execute("delete from attempt where car = ? and sha256 = ?", (d.car, d.sha256))
                self._place(db, d)
            for e in gone:
                db.execute("delete from log where car = ? and log_id = ?", (e.car, e.log_id))
            for e in entries:
                db.execute(
                    "insert or replace into log values (?,?,?,?,?,?)",
                    (e.car, e.log_id, e.start, e.stop, e.error, e.path),
                )
            if night is not None:
                db.execute("insert or replace into night values (?,?,?)", night)
            if event is None:
                return False
            added = db.execute(
                "insert or ignore into event (key, body) values (?, ?)",
                (event[0], json.dumps(event[1])),
            )
            return added.rowcount == 1

    def also_at(self, done: Done) -> None:
        """A content that is known lies at this path too."""
        with self._writing() as db:
            self._place(db, done)

    @staticmethod
    def _place(db: sqlite3.Connection, d: Done) -> None:
        db.execute(
            "insert or replace into place values (?,?,?,?,?)",
            (str(d.path), d.size, d.stamp, d.car, d.sha256),
        )

    def entries(self, car: str) -> list[Entry]:
        """Every log of a car with its times, so that nights can be told."""
        rows = self._rows(
            "select car, log_id, start, stop, error, path from log where car = ? order by start, log_id",
            car,
        )
        return [Entry(*row) for row in rows]

    def stamps(self, car: str) -> dict[str, float]:
        """Path -> when its file was last written, seconds since 1970, of a car's files that were dealt with."""
        return {
            path: stamp / 1e9
            for path, stamp in self._rows("select path, stamp from place where car = ?", car)
        }

    def night(self, car: str, name: str) -> str | None:
        """The last verdict of a night."""
        rows = self._rows("select verdict from night where car = ? and name = ?", car, name)
        return str(rows[0][0]) if rows else None

    def counts(self) -> dict[str, int]:
        """How many contents came out how."""
        return dict(self._rows("select outcome, count(*) from content group by outcome"))

    def set_aside(self) -> list[tuple[str, str]]:
        """(path, reason) of what could not be read."""
        return self._rows(
            "select path, reason from content where outcome = ? order by at", SET_ASIDE
        )

    # --- what is to be told ------------------------------------------------------------------------

    def events(self, *, ways: Sequence[str], most: int, due_before: float) -> list[Event]:
        """Events that some way has not told yet, oldest first; given up after `most` tries."""
        rows = self._rows(
            "select id, body, tries, told, started from event where tries < ? and due <= ? order by id",
            most,
            due_before,
        )
        found = [
            Event(i, json.loads(b), tries, tuple(told.split()), started)
            for i, b, tries, told, started in rows
        ]
        return [e for e in found if not set(ways) <= set(e.told)]

    def telling(self, event: Event) -> None:
        """Note that telling begins: after a crash the receiver can be warned that it may hear it again."""
        with self._writing() as db:
            db.execute("update event set started = started + 1 where id = ?", (event.id,))

    def told(self, event: Event, ways: Sequence[str], *, again_at: float | None) -> None:
        """These ways have it. again_at: when to try the others, None when all have it."""
        with self._writing() as db:
            failed = 0 if again_at is None else 1
            db.execute(
                "update event set told = ?, tries = tries + ?, due = ? where id = ?",
                (" ".join(ways), failed, again_at or 0.0, event.id),
            )


def _opened(path: Path) -> sqlite3.Connection:
    path.parent.mkdir(parents=True, exist_ok=True)
    db = sqlite3.connect(path, timeout=30.0, isolation_level=None)
    db.execute("pragma synchronous = full")
    found = db.execute("pragma user_version").fetchone()[0]
    if found > FORMAT:
        raise ArchiveError(
            f"{path}: written by a newer pullaudit (format {found}, known {FORMAT}). Use that one."
        )
    db.executescript(_TABLES)
    db.execute(f"pragma user_version = {FORMAT}")
    return db


def _move_aside(path: Path) -> None:
    """A torn ledger is kept for whoever wants to look, and a new one begun."""
    number = 1
    while (other := path.with_name(f"{path.name}.torn-{number}")).exists():
        number += 1
    path.replace(other)
    for more in ("-journal", "-wal", "-shm"):
        path.with_name(path.name + more).unlink(missing_ok=True)
