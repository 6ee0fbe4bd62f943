"""What has been done already, by content: so that a restart, a copy or a new name does nothing
twice.

One SQLite file beside an archive in a folder; tables in the archive's own database where that is a
server, so that several services share it. Should it be lost, the archive still knows its logs:
every file would be read once more, nothing would be kept twice, and standing holds and stops would
be told once more.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from audit import __version__
from audit.database import Database
from audit.errors import ArchiveError
from audit.night.days import now as utc_now
from audit.service.watch.nights import Entry

FORMAT = 2
READ, SET_ASIDE = "read", "set_aside"
_TABLES = """
inbox_format (format bigint primary key);
inbox_content (car text, sha256 text, outcome text, reason text, path text, size bigint,
    tool text, at text, primary key (car, sha256));
inbox_place (path text primary key, size bigint, stamp bigint, car text, sha256 text);
inbox_log (car text, log_id text, start double precision, stop double precision, error text,
    path text, primary key (car, log_id));
inbox_night (car text, name text, verdict text, primary key (car, name));
inbox_attempt (car text, sha256 text, count bigint, primary key (car, sha256));
inbox_event (id {id}, key text unique, body text, tries bigint default 0,
    due double precision default 0, told text default '', started bigint default 0)
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
        if not self.db.columns("inbox_event"):
            with self.db.writing("schema"):
                for table in _TABLES.split(";"):
                    made = table.format(id=self.db.types["id"])
                    self.db.rows(f"create table if not exists {made}")
                self._put("inbox_format", [(FORMAT,)], 1)
        found = max(row[0] for row in self.db.rows("select format from inbox_format"))
        if found > FORMAT:
            raise ArchiveError(
                f"{self.db.address}: written by a newer pullaudit (format {found}, known "
                f"{FORMAT}). Use that one."
            )

    def close(self) -> None:
        self.db.close()

    def claimed(self, car: str) -> Any:
        """Hold a car's files against other services; gives False when another has them."""
        return self.db.claimed(f"inbox {car}")

    def _put(self, table: str, rows: Sequence[Sequence[Any]], keys: int) -> None:
        """Rows of a table, in place of those with the same first `keys` columns."""
        names = list(self.db.columns(table))
        made = [dict(zip(names, row, strict=True)) for row in rows]
        self.db.put(table, made, names[:keys])

    def _of(self, table: str, columns: str, **where: Any) -> list[tuple[Any, ...]]:
        """Columns of the rows with these values."""
        wanted = " and ".join(f"{name} = ?" for name in where)
        return self.db.rows(f"select {columns} from {table} where {wanted}", *where.values())

    def _drop(self, table: str, key: str, car: str, value: str) -> None:
        self.db.rows(f"delete from {table} where car = ? and {key} = ?", car, value)

    # --- files -----------------------------------------------------------------------------------

    def places(self) -> dict[str, tuple[int, int]]:
        """Path -> (size, stamp) of files dealt with; one set aside by another version is new."""
        rows = self.db.rows(
            "select p.path, p.size, p.stamp from inbox_place p join inbox_content c "
            "on c.car = p.car and c.sha256 = p.sha256 where c.outcome = ? or c.tool = ?",
            READ,
            __version__,
        )
        return {path: (size, stamp) for path, size, stamp in rows}

    def outcome(self, car: str, sha256: str) -> tuple[str, str, str] | None:
        """(outcome, reason, path) of a content; None for a new one, or one that another version
        set aside.
        """
        columns = "outcome, reason, path, tool"
        for *found, tool in self._of("inbox_content", columns, car=car, sha256=sha256):
            if found[0] != SET_ASIDE or tool == __version__:
                return found[0], found[1], found[2]
        return None

    def begin(self, keys: Sequence[tuple[str, str]]) -> None:
        """Note that these contents are about to be read."""
        with self.db.writing("inbox"):
            self._put("inbox_attempt", [(*key, self.attempts(*key) + 1) for key in keys], 2)

    def attempts(self, car: str, sha256: str) -> int:
        """How often reading this content was begun without an end."""
        return sum(n for (n,) in self._of("inbox_attempt", "count", car=car, sha256=sha256))

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

        night: (car, name, verdict). event: (key, body); the same key is told once. gone: logs that
        were replaced.
        """
        at = utc_now()
        with self.db.writing("inbox"):
            contents = [
                (d.car, d.sha256, d.outcome, d.reason, str(d.path), d.size, __version__, at)
                for d in done
            ]
            self._put("inbox_content", contents, 2)
            for d in done:
                self._drop("inbox_attempt", "sha256", d.car, d.sha256)
                self._place(d)
            for e in gone:
                self._drop("inbox_log", "log_id", e.car, e.log_id)
            self._put("inbox_log", [astuple(e) for e in entries], 2)
            self._put("inbox_night", [night] if night else [], 2)
            if event is None:
                return False
            sql = "insert into inbox_event (key, body) values (?, ?) on conflict (key) do nothing"
            return bool(self.db.rows(f"{sql} returning id", event[0], json.dumps(event[1])))

    def also_at(self, done: Done) -> None:
        """A content that is known lies at this path too."""
        with self.db.writing("inbox"):
            self._place(done)

    def _place(self, d: Done) -> None:
        self._put("inbox_place", [(str(d.path), d.size, d.stamp, d.car, d.sha256)], 1)

    def entries(self, car: str) -> list[Entry]:
        """Every log of a car with its times, so that nights can be told."""
        rows = self._of("inbox_log", "car, log_id, start, stop, error, path", car=car)
        return sorted((Entry(*row) for row in rows), key=lambda e: (e.start, e.log_id))

    def stamps(self, car: str) -> dict[str, float]:
        """Path -> when a file of the car that was dealt with was last written, s since 1970."""
        return {path: ns / 1e9 for path, ns in self._of("inbox_place", "path, stamp", car=car)}

    def night(self, car: str, name: str) -> str | None:
        """The last verdict of a night."""
        return next((v for (v,) in self._of("inbox_night", "verdict", car=car, name=name)), None)

    def counts(self) -> tuple[int, int]:
        """How many contents were read, and how many set aside."""
        sql = "select outcome, count(*) from inbox_content group by outcome"
        found = dict(self.db.rows(sql))
        return found.get(READ, 0), found.get(SET_ASIDE, 0)

    # --- what is to be told ----------------------------------------------------------------------

    def events(self, *, ways: Sequence[str], most: int, due_before: float) -> list[Event]:
        """Events that some way has not told yet, oldest first; given up after `most` tries."""
        sql = "select id, body, tries, told, started from inbox_event where tries < ? and due <= ?"
        found = [
            Event(i, json.loads(body), tries, tuple(told.split()), started)
            for i, body, tries, told, started in self.db.rows(
                f"{sql} order by id", most, due_before
            )
        ]
        return [e for e in found if not set(ways) <= set(e.told)]

    def telling(self, event: Event) -> None:
        """Note that telling begins: after a crash a receiver is told that it may hear it again."""
        with self.db.writing("inbox"):
            self.db.rows("update inbox_event set started = started + 1 where id = ?", event.id)

    def told(self, event: Event, ways: Sequence[str], *, again_at: float | None) -> None:
        """These ways have it. again_at: when to try the others, None when all have it."""
        with self.db.writing("inbox"):
            failed = 0 if again_at is None else 1
            self.db.rows(
                "update inbox_event set told = ?, tries = tries + ?, due = ? where id = ?",
                " ".join(ways),
                failed,
                again_at or 0.0,
                event.id,
            )


def _move_aside(path: Path) -> None:
    """A torn ledger is kept for whoever wants to look, and a new one begun."""
    number = 1
    while (other := path.with_name(f"{path.name}.torn-{number}")).exists():
        number += 1
    path.replace(other)
    for more in ("-journal", "-wal", "-shm"):
        path.with_name(path.name + more).unlink(missing_ok=True)
