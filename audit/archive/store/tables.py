"""An archive's tables, by schemas/archive.toml: made, brought up to date, and read.

It lies in a folder or on a server. What is read of it are the views of schemas/views.toml.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import cached_property, partialmethod
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.archive.store.kept import Kept
from audit.archive.store.rows import PARTS, Row, Rows, car_from_json, listed, lists, tables, words
from audit.database import SCHEMA, Database, is_server, quoted, shown
from audit.errors import ArchiveError, UsageError, did_you_mean
from audit.files import need_room, told
from audit.model import Car, LogAudit
from audit.tables import toml_table

if TYPE_CHECKING:
    import polars as pl

Name = str | None
Names = Sequence[str] | None
VERSION = 3  # of the tables; a newer one has more, which an older archive is given
ALWAYS = ("night_id", "revision", "date")  # columns that every answer has
_NIGHT = "n.car, n.date, n.night_id, n.setting, n.added_at, r.number as revision"
_UNSAID = ("id", "night_id", "number", "sha256")


class Tables:
    """The tables of an archive in a folder, or on a server by its address.

    Reading where there is none raises ArchiveError; the first write makes it. logs: where a new
    archive keeps its logs, else the folder's own.
    """

    def __init__(self, path: str | Path, *, logs: str | None = None) -> None:
        self.server, self.root, self.shown = is_server(path), str(path), shown(path)
        self._logs = logs if logs is None or "://" in logs else str(Path(logs).absolute())
        self.place = Database(path if self.server else Path(path) / "archive.db")
        self._ready = False

    # --- made ------------------------------------------------------------------------------------

    @property
    def db(self) -> Database:
        """The database of an archive that is there, brought up to date."""
        if not self.exists():
            raise ArchiveError(words("none", root=self.shown))
        self.make()
        return self.place

    def exists(self) -> bool:
        """Is there an archive? Raises ArchiveError where it cannot be understood."""
        return self._ready or bool(self.facts())

    def facts(self) -> dict[str, str]:
        """Facts on the archive itself, {} where there is none.

        Raises ArchiveError for one of the earlier format, and where the version of its schema is
        missing, or newer.
        """
        if not self.server and (Path(self.root) / "archive.json").exists():
            raise ArchiveError(words("earlier", root=self.root))
        if not self.place.exists() or not self.place.columns("about"):
            return {}
        found = dict(self.place.rows("select key, value from about"))
        version, where = found.get("schema_version", ""), self.place.address
        if not version.isdigit():
            raise ArchiveError(words("no_version", root=where))
        if int(version) > VERSION:
            raise ArchiveError(words("newer", root=where, version=version, known=VERSION))
        return found

    def make(self, audits: Sequence[LogAudit] = ()) -> None:
        """Make the archive, with room for these logs, or bring an older one up to date."""
        if self._ready:
            return
        found = self.facts()
        if self.server and self._logs is None and not found:
            raise ArchiveError(words("no_place", root=self.shown))
        if not self.server and (audits or not found):
            size = sum(int(a.log.frame.estimated_size()) for a in audits if a.log is not None)
            need_room(Path(self.root), size)
            with told(f"{self.root}: cannot make an archive there"):
                Path(self.root).mkdir(parents=True, exist_ok=True)
        if found.get("schema_version") != str(VERSION):
            self._lay({"changes": "0", "logs": self._logs or "logs"}, {})
        self._ready = True

    def add_columns(self, rows: Mapping[str, Sequence[Mapping[str, Any]]]) -> None:
        """The columns that tables lack for these rows; before `writing`."""
        wanted = {table: dict.fromkeys(chain(*rows[table])) for table in ("log", "pull")}
        if any(names.keys() - self.db.columns(table) for table, names in wanted.items()):
            self._lay({}, wanted)

    def _lay(self, new: Mapping[str, str], more: Mapping[str, Collection[str]]) -> None:
        """Make what is not there of tables, columns and views, in a transaction of its own.

        new: facts on a new archive. more: columns of tables, a measure that is new, or a channel's
        noise.
        """
        db, views = self.place, toml_table("views.toml")
        clustered = db.prepare()
        said = ", ".join(f"r.{c}" for c in tables()["revision"] if c not in _UNSAID)
        with db.writing(SCHEMA):
            self.facts()
            for view in views:
                db.rows(f"drop view if exists {view}")  # before the tables, as readers come to them
            for name, table in toml_table("archive.toml").items():
                wanted = {c: {"type": "real"} for c in more.get(name, ())} | table["columns"]
                made = {c: f"{quoted(c)} {db.types[w['type']]}" for c, w in wanted.items()}
                parts = [f"{made[c]} {w.get('key', '')}" for c, w in wanted.items()]
                parts += [table["one"]] if "one" in table else []
                end = clustered if "place" in wanted else ""
                db.rows(f"create table if not exists {name} ({', '.join(parts)}){end}")
                there = db.columns(name)
                for column in [c for c in made if c not in there]:
                    db.rows(f"alter table {name} add column {made[column]}")
                if "index" in table:
                    db.rows(f"create index if not exists {name}_by on {name} ({table['index']})")
            for view, row in views.items():
                db.rows(f"create view {view} as {row['sql'].format(night=_NIGHT, said=said)}")
            known = "select car from car"
            db.rows(
                f"insert into car (car) select distinct car from night where car not in ({known})"
            )
            db.rows("delete from about where key = 'schema_version'")
            for fact in {**new, "schema_version": str(VERSION)}.items():
                db.rows("insert into about values (?, ?) on conflict (key) do nothing", *fact)

    # --- written and read ------------------------------------------------------------------------

    def changes(self) -> str:
        """A word that is another after every write, "" for no archive."""
        return self.facts().get("changes", "")

    @cached_property
    def kept(self) -> Kept:
        """The kept logs."""
        found = self.facts().get("logs", "logs")
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
        raise UsageError(words("no_night", name=name, root=self.shown))

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

    def frame(
        self, view: str, car: Name = None, *, columns: Names = None, night: Name = None
    ) -> pl.DataFrame:
        """Rows of one of the reader's views by date, see docs/archive.md.

        columns: those that there are of these, and ALWAYS.
        """
        import polars as pl

        there, asked = self.db.columns(view), {"car": car, "night_id": night}
        known = {name: value for name, value in asked.items() if value is not None}
        every = dict.fromkeys([*(there if columns is None else columns), *ALWAYS])
        names = [name for name in every if name in there]
        sql = f"select {', '.join(map(quoted, names))} from {view} where true "
        sql += "".join(f"and {name} = ? " for name in known)
        rows = self.db.rows(
            f"{sql}order by {toml_table('views.toml')[view]['order']}", *known.values()
        )
        kinds: dict[str, Any] = {"text": pl.String, "integer": pl.Int64, "bigint": pl.Int64}
        made = []
        for name, *cells in zip(names, *rows, strict=True):
            if name in lists():
                made.append(pl.Series(name, list(map(listed, cells)), pl.List(pl.String)))
            else:
                kind = kinds.get(there[name], pl.Float64)
                made.append(pl.Series(name, cells, kind, strict=False))
        return pl.DataFrame(made)

    nights = partialmethod(frame, "nights")
    logs = partialmethod(frame, "logs")
    pulls = partialmethod(frame, "pulls")
    findings = partialmethod(frame, "findings")
    revisions = partialmethod(frame, "revisions")

    def cars(self) -> list[str]:
        """The names of all cars."""
        counts = "select 1 from night where night.car = car.car and withdrawn_at is null"
        sql = f"select car from car where exists ({counts}) order by car"
        return [row[0] for row in self.db.rows(sql)]

    def car(self, name: str) -> Car:
        """The car as its last night's car file had it. Raises UsageError for one not there."""
        sql = "select car_file from nights where car = ? order by date desc, added_at desc limit 1"
        for row in self.db.rows(sql, name):
            return car_from_json(row[0])
        near = did_you_mean(name, self.cars())
        raise UsageError(words("no_car", root=self.shown, name=name, near=near))

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
