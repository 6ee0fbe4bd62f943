"""What has been done already, by content: so that a restart, a copy or a new name does nothing
twice.

One SQLite file beside an archive in a folder; tables in the archive's own database where that is a
server, so that several services share it. Should it be lost, the archive still knows its logs:
every file would be read once more, nothing would be kept twice, and standing holds and stops would
be told once more.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from audit import __version__
from audit.database import Database
from audit.errors import ArchiveError
from audit.night.days import now as utc_now

FORMAT = 3
# A file's way, once it is complete. Kept in the ledger: its reading has begun; its logs are kept,
# their nights judged, their verdicts told or to be told; it is set aside with a reason.
BEGUN, READ, SET_ASIDE = "begun", "read", "set_aside"
# It grew while it was read: it is to be complete anew.
CHANGED = "changed"
# It is left for so long, s: the first time, the second, and so on.
FAILED, ELSEWHERE, BLOCKED = "failed", "elsewhere", "blocked"
AGAIN_S: Mapping[str, Sequence[float]] = {
    FAILED: (5.0, 30.0, 60.0),  # the disk, a share or somebody's rights are in the way
    ELSEWHERE: (1.0,),  # another service has files of its car in hand
    BLOCKED: (math.inf,),  # its car file, or the inbox's rules, must be mended first
}
_TABLES = """
table if not exists inbox_format (format bigint primary key);
table if not exists inbox_file (path text primary key, size bigint, stamp bigint, car text,
    sha256 text, state text, reason text, tries bigint, tool text, at text);
index if not exists inbox_content on inbox_file (car, sha256);
table if not exists inbox_log (car text, log_id text, start double precision,
    stop double precision, error text, path text, primary key (car, log_id));
table if not exists inbox_night (car text, name text, verdict text, primary key (car, name));
table if not exists inbox_event (id {id}, key text unique, body text, tries bigint default 0,
    due double precision default 0, told text default '', started bigint default 0)
"""
# What another version set aside is new to this one.
_DONE = "(state = 'read' or (state = 'set_aside' and tool = ?))"


@dataclass(frozen=True, slots=True)
class File:
    """A complete file on its way. stamp: its time of change, ns; sha256: of its bytes."""

    path: Path
    size: int = 0
    stamp: int = 0
    car: str = ""
    sha256: str = ""
    state: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Entry:
    """One log in time. start, stop: seconds of the local clock, counted as if it were UTC; error:
    why it was not read, "" when it was.
    """

    car: str
    log_id: str
    start: float
    stop: float
    error: str
    path: str

    @property
    def day(self) -> str:
        """ISO day of its start."""
        return dt.datetime.fromtimestamp(self.start, dt.UTC).date().isoformat()


@dataclass(frozen=True, slots=True)
class Event:
    """Something to tell. told: the ways that have it; started: how often telling was begun."""

    id: int
    body: dict[str, Any]
    tries: int
    told: tuple[str, ...]
    started: int


class Ledger:
    """The ledger in a file, or on a server by its address. Use one object a thread."""

    def __init__(self, at: Path | str) -> None:
        self.db = Database(at)
        if isinstance(at, Path):
            at.parent.mkdir(parents=True, exist_ok=True)
        try:
            self._open()
        except ArchiveError as error:
            if "damaged" not in str(error) or not isinstance(at, Path):
                raise
            self.close()
            _move_aside(at)
            self._open()

    def _open(self) -> None:
        if not self.db.columns("inbox_file"):
            with self.db.writing("schema"):
                for made in _TABLES.split(";"):
                    self.db.rows(f"create {made.strip().format(id=self.db.types['id'])}")
                self._put("inbox_format", [(FORMAT,)], 1)
        found = max(row[0] for row in self.db.rows("select format from inbox_format"))
        if found > FORMAT:
            raise ArchiveError(
                f"{self.db.address}: written by a newer pullaudit (format {found}, known "
                f"{FORMAT}). Use that one."
            )

    def close(self) -> None:
        self.db.close()

    def claimed(self, car: str) -> AbstractContextManager[bool]:
        """Hold a car's files against other services; gives False when another has them."""
        return self.db.claimed(f"inbox {car}")

    def _put(self, table: str, rows: Iterable[Sequence[Any]], keys: int) -> None:
        """Rows of a table, in place of those with the same first `keys` columns."""
        names = list(self.db.columns(table))
        self.db.put(table, [dict(zip(names, row, strict=True)) for row in rows], names[:keys])

    # --- files -----------------------------------------------------------------------------------

    def places(self) -> dict[str, tuple[int, int]]:
        """Path -> (size, stamp) of files dealt with."""
        rows = self.db.rows(f"select path, size, stamp from inbox_file where {_DONE}", __version__)
        return {path: (size, stamp) for path, size, stamp in rows}

    def outcome(self, file: File) -> tuple[str, str, str] | None:
        """(state, reason, path) of the first file of this content that was dealt with, or None."""
        sql = "select state, reason, path from inbox_file where car = ? and sha256 = ? and "
        found = self.db.rows(f"{sql}{_DONE} order by at, path", file.car, file.sha256, __version__)
        return next(iter(found), None)

    def begin(self, files: Iterable[File]) -> None:
        """Note that these files are about to be read."""
        with self.db.writing("inbox"):
            for file in files:
                self._put_file(file, BEGUN, self.attempts(file) + 1)

    def attempts(self, file: File) -> int:
        """How often reading this content was begun without an end."""
        sql = "select max(tries) from inbox_file where car = ? and sha256 = ?"
        return self.db.rows(sql, file.car, file.sha256)[0][0] or 0

    def finish(
        self,
        files: Sequence[File],
        *,
        entries: Sequence[Entry] = (),
        night: tuple[str, str, str] | None = None,
        event: tuple[str, dict[str, Any]] | None = None,
        gone: Sequence[Entry] = (),
    ) -> bool:
        """Commit all that became of some files at once; True when `event` is a new one.

        night: (car, name, verdict). event: (key, body); the same key is told once. gone: logs that
        were replaced.
        """
        with self.db.writing("inbox"):
            for file in files:
                begun = "delete from inbox_file where car = ? and sha256 = ? and state = 'begun'"
                self.db.rows(begun, file.car, file.sha256)  # under another name, too
                self._put_file(file, file.state, 0)
            for e in gone:
                self.db.rows("delete from inbox_log where car = ? and log_id = ?", e.car, e.log_id)
            self._put("inbox_log", map(astuple, entries), 2)
            self._put("inbox_night", [night] if night else [], 2)
            if event is None:
                return False
            sql = "insert into inbox_event (key, body) values (?, ?) on conflict (key) do nothing"
            return bool(self.db.rows(f"{sql} returning id", event[0], json.dumps(event[1])))

    def _put_file(self, f: File, state: str, tries: int) -> None:
        row = str(f.path), f.size, f.stamp, f.car, f.sha256, state, f.reason, tries
        self._put("inbox_file", [(*row, __version__, utc_now())], 1)

    def entries(self, car: str) -> list[Entry]:
        """Every log of a car with its times, so that nights can be told."""
        sql = "select car, log_id, start, stop, error, path from inbox_log where car = ?"
        return [Entry(*row) for row in self.db.rows(f"{sql} order by start, log_id", car)]

    def stamps(self, car: str) -> dict[str, float]:
        """Path -> when a file of the car was last written, s since 1970."""
        rows = self.db.rows("select path, stamp from inbox_file where car = ?", car)
        return {path: stamp / 1e9 for path, stamp in rows}

    def night(self, car: str, name: str) -> str | None:
        """The last verdict of a night."""
        sql = "select verdict from inbox_night where car = ? and name = ?"
        return next((verdict for (verdict,) in self.db.rows(sql, car, name)), None)

    def counts(self) -> tuple[int, int]:
        """How many contents were read, and how many set aside."""
        each = "select distinct car, sha256, state from inbox_file"
        rows = self.db.rows(f"select state, count(*) from ({each}) x group by state")
        found = dict(rows)
        return found.get(READ, 0), found.get(SET_ASIDE, 0)

    # --- what is to be told ----------------------------------------------------------------------

    def events(self, *, ways: Sequence[str], most: int, due_before: float) -> list[Event]:
        """Events that some way has not told yet, oldest first; given up after `most` tries."""
        sql = "select id, body, tries, told, started from inbox_event where tries < ? and due <= ?"
        found = (
            Event(i, json.loads(body), tries, tuple(told.split()), started)
            for i, body, tries, told, started in self.db.rows(
                f"{sql} order by id", most, due_before
            )
        )
        return [e for e in found if not set(ways) <= set(e.told)]

    def telling(self, event: Event) -> None:
        """Note that telling begins: after a crash a receiver is told that it may hear it again."""
        with self.db.writing("inbox"):
            self.db.rows("update inbox_event set started = started + 1 where id = ?", event.id)

    def told(self, event: Event, ways: Sequence[str], *, again_at: float | None) -> None:
        """These ways have it. again_at: when to try the others, None when all have it."""
        failed = int(again_at is not None)
        sql = "update inbox_event set told = ?, tries = tries + ?, due = ? where id = ?"
        with self.db.writing("inbox"):
            self.db.rows(sql, " ".join(ways), failed, again_at or 0.0, event.id)


def _move_aside(path: Path) -> None:
    """A torn ledger is kept for whoever wants to look, and a new one begun."""
    number = 1
    while (other := path.with_name(f"{path.name}.torn-{number}")).exists():
        number += 1
    path.replace(other)
    for more in ("-journal", "-wal", "-shm"):
        path.with_name(path.name + more).unlink(missing_ok=True)
