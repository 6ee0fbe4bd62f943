"""An archive in a folder or on a server: made, brought up to date, and read."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property, partialmethod
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.archive.store import schema
from audit.archive.store.kept import Kept
from audit.archive.store.rows import PARTS, Row, Rows, car_from_json, digest_of, listed
from audit.database import Database, is_server, quoted, shown
from audit.errors import ArchiveError, UsageError, did_you_mean
from audit.files import need_room, told
from audit.model import LogAudit

if TYPE_CHECKING:
    import polars as pl

    from audit.model import Car

Some = str | Collection[str] | None  # one, several, or all
ALWAYS = ("night_id", "revision", "date")  # columns that every answer has


class Tables:
    """The tables of an archive in a folder, or on a server by its address.

    Reading where there is none raises ArchiveError; the first write makes it. logs: where a new
    archive keeps its logs, else the folder's own.
    """

    def __init__(self, path: str | Path, *, logs: str | None = None) -> None:
        self.server, self.root, self._logs = is_server(path), str(path), logs
        self.place = Database(path if self.server else Path(path) / "archive.db")
        self._ready = False

    @property
    def db(self) -> Database:
        """The database of an archive that is there, brought up to date."""
        if not self.exists():
            raise ArchiveError(
                f"{shown(self.root)}: no archive there. "
                f"`pullaudit screen … --archive {shown(self.root)}` makes one."
            )
        self.make()
        return self.place

    def exists(self) -> bool:
        """Is there an archive? Raises ArchiveError where it cannot be understood."""
        return self._ready or bool(self._facts())

    def make(self, audits: Sequence[LogAudit] = ()) -> None:
        """Make the archive, with room for these logs, or bring an older one up to date."""
        if self._ready:
            return
        found = self._facts()
        if self.server and self._logs is None and not found:
            raise ArchiveError(
                f"{shown(self.root)}: say where its logs are to be kept: --logs FOLDER or an "
                "address such as s3://bucket/logs."
            )
        if not self.server and (audits or not found):
            size = sum(int(a.log.frame.estimated_size()) for a in audits if a.log is not None)
            need_room(Path(self.root), size)
            with told(f"{self.root}: cannot make an archive there"):
                Path(self.root).mkdir(parents=True, exist_ok=True)
        if found.get("schema_version") != str(schema.VERSION):
            logs = self._logs or "logs"
            there = logs if "://" in logs or not self._logs else str(Path(logs).absolute())
            schema.make(self.place, {"logs": there})
        self._ready = True

    def _facts(self) -> dict[str, str]:
        if not self.server and (Path(self.root) / "archive.json").exists():
            raise ArchiveError(
                f"{self.root}: an archive of an earlier format. "
                f"`pullaudit adopt {self.root} --archive NEW` brings it over."
            )
        return schema.facts(self.place)

    def changes(self) -> str:
        """A word that is another after every write, "" for no archive."""
        return self._facts().get("changes", "")

    @cached_property
    def kept(self) -> Kept:
        """The kept logs."""
        found = self._facts().get("logs", "logs")
        return Kept(found if "://" in found else str(Path(self.root) / found))

    @contextmanager
    def writing(self, car: str) -> Iterator[None]:
        """One transaction on one car's rows; its standing is to be worked out anew."""
        with self.db.writing(car):
            self.db.rows("delete from standing where car = ?", car)
            yield
            bumped = "cast(cast(value as integer) + 1 as text)"
            self.db.rows(f"update about set value = {bumped} where key = 'changes'")

    def night(self, name: str) -> Row:
        """The row of a night, withdrawn ones too. Raises UsageError for one that is not there."""
        for row in self.db.dicts("select * from night where night_id = ?", name):
            return row
        raise UsageError(
            f"{name}: no such night in {shown(self.root)}. `trends --season` lists a car's nights "
            'by day, `trends --sql "select night_id, car, date from nights"` by name.'
        )

    def names_of(self, day: str, *, withdrawn: bool = False) -> list[str]:
        """The names of a day's nights that count, or of those withdrawn, in their order."""
        which = "not null" if withdrawn else "null"
        sql = f"select night_id from night where date = ? and withdrawn_at is {which}"
        return [row[0] for row in self.db.rows(f"{sql} order by added_at, night_id", day)]

    def revision(self, name: str, *, id: int | None = None) -> Rows:  # noqa: A002
        """All rows of a night's newest revision, or of another by its id, as they are kept."""
        wanted = self.night(name)["latest"] if id is None else id
        asked = dict.fromkeys(PARTS, "revision_id = ? order by place") | {"revision": "id = ?"}
        return {
            kind: self.db.dicts(f"select * from {kind} where {which}", wanted)
            for kind, which in asked.items()
        }

    def is_sound(self, name: str, *, id: int | None = None) -> bool:  # noqa: A002
        """Are the rows of a night's newest revision, or of another, those that were written?"""
        rows = self.revision(name, id=id)
        said = rows["revision"]
        return bool(said) and digest_of(self.night(name), rows) == said[0]["sha256"]

    def frame(
        self,
        view: str,
        car: Some = None,
        *,
        columns: Sequence[str] | None = None,
        night: Some = None,
    ) -> pl.DataFrame:
        """Rows of one of the reader's views by date, see docs/archive.md.

        columns: those that there are of these, and ALWAYS.
        """
        import polars as pl

        there, asked = self.db.columns(view), {"car": car, "night_id": night}
        wanted = {n: [v] if isinstance(v, str) else v for n, v in asked.items() if v is not None}
        where = [f"{n} in ({', '.join('?' * len(v)) or 'null'})" for n, v in wanted.items()]
        every = dict.fromkeys([*(there if columns is None else columns), *ALWAYS])
        names = [name for name in every if name in there]
        sql = f"select {', '.join(map(quoted, names))} from {view} "
        sql += f"where {' and '.join(where) or 'true'} order by {schema.views()[view]['order']}"
        rows = self.db.rows(sql, *(v for some in wanted.values() for v in some))
        kinds: dict[str, Any] = {"text": pl.String, "integer": pl.Int64, "bigint": pl.Int64}
        kinds |= {there[name]: pl.Float64 for name in there if there[name] not in kinds}
        made = []
        for name, *cells in zip(names, *rows, strict=True):
            if name in schema.lists():
                made.append(pl.Series(name, list(map(listed, cells)), pl.List(pl.String)))
            else:
                made.append(pl.Series(name, cells, kinds[there[name]], strict=False))
        return pl.DataFrame(made)

    nights = partialmethod(frame, "nights")
    logs = partialmethod(frame, "logs")
    pulls = partialmethod(frame, "pulls")
    findings = partialmethod(frame, "findings")
    revisions = partialmethod(frame, "revisions")
    notes = partialmethod(frame, "notes")

    def cars(self) -> list[str]:
        """The names of all cars."""
        counts = "select 1 from night where night.car = car.car and withdrawn_at is null"
        return [
            row[0]
            for row in self.db.rows(f"select car from car where exists ({counts}) order by car")
        ]

    def car(self, name: str) -> Car:
        """The car as its last night's car file had it. Raises UsageError for one not there."""
        sql = "select car_file from nights where car = ? order by date desc, added_at desc limit 1"
        for row in self.db.rows(sql, name):
            return car_from_json(row[0])
        near = did_you_mean(name, self.cars())
        raise UsageError(f"{shown(self.root)}: no car {name!r} in this archive. {near}")

    def ask(self, query: str) -> tuple[list[str], list[list[Any]]]:
        """Names and rows of the answer to a question in SQL, which reads only.

        Raises UsageError for one that is none or would change something.
        """
        names, rows = self.db.ask(query)
        return names, [[_as_json(v) for v in row] for row in rows]


def _as_json(value: Any) -> Any:
    if isinstance(value, float) and value - value != 0:
        return None
    return value if isinstance(value, str | int | float | list | dict | None) else str(value)
