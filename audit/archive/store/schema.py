"""The archive's tables by schemas/archive.toml, the reader's views by schemas/views.toml."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from audit.database import SCHEMA, Database, quoted
from audit.errors import ArchiveError
from audit.tables import toml_table

VERSION = 3  # of the tables; a newer one has more, which an older archive is given
KEYS = ("id", "revision_id", "place")  # where a row lies, no part of what it says
_NIGHT = "n.car, n.date, n.night_id, n.setting, n.added_at, r.number as revision"
_UNSAID = ("id", "night_id", "number", "sha256")


@lru_cache(maxsize=1)
def tables() -> Mapping[str, Mapping[str, str]]:
    """Table -> column -> type: text, list, integer, real or id."""
    return {
        name: {column: row["type"] for column, row in table["columns"].items()}
        for name, table in toml_table("archive.toml").items()
    }


@lru_cache(maxsize=1)
def lists() -> frozenset[str]:
    """Columns that are a list of texts, in whichever table."""
    return frozenset(c for t in tables().values() for c, kind in t.items() if kind == "list")


def views() -> Mapping[str, Mapping[str, str]]:
    """View -> its `sql`, and in which `order` it is read."""
    return toml_table("views.toml")


def facts(db: Database) -> dict[str, str]:
    """Facts on the archive itself, {} for an empty database.

    Raises ArchiveError for one whose version is missing, or newer.
    """
    if not db.exists() or not db.columns("about"):
        return {}
    found = dict(db.rows("select key, value from about"))
    version = found.get("schema_version", "")
    if not version.isdigit():
        raise ArchiveError(
            f"{db.address}: the version of its schema is missing; put back the last backup."
        )
    if int(version) > VERSION:
        raise ArchiveError(
            f"{db.address}: schema version {version}, this program knows up to {VERSION}. "
            "Use a newer pullaudit."
        )
    return found


def make(
    db: Database, new: Mapping[str, str], rows: Mapping[str, Iterable[Any]] | None = None
) -> None:
    """Make what is not there of tables, columns and views, in a transaction of its own.

    new: rows of `about` for a new archive. rows: of tables; a column of theirs that is none yet is
    a measure that is new, or a channel's noise.
    """
    db.prepare()
    said = ", ".join(f"r.{c}" for c in tables()["revision"] if c not in _UNSAID)
    with db.writing(SCHEMA):
        facts(db)
        for view in views():
            db.rows(f"drop view if exists {view}")  # before the tables, as readers come to them
        for name, table in toml_table("archive.toml").items():
            wanted = {c: {"type": "real"} for row in (rows or {}).get(name, ()) for c in row}
            wanted |= table["columns"]
            made = {c: f"{quoted(c)} {db.types[w['type']]}" for c, w in wanted.items()}
            parts = [f"{made[c]} {w.get('key', '')}" for c, w in wanted.items()]
            parts += [table["one"]] if "one" in table else []
            end = db.clustered if "place" in wanted else ""
            db.rows(f"create table if not exists {name} ({', '.join(parts)}){end}")
            there = db.columns(name)
            for column in [c for c in made if c not in there]:
                db.rows(f"alter table {name} add column {made[column]}")
            if "index" in table:
                db.rows(f"create index if not exists {name}_by on {name} ({table['index']})")
        for view, row in views().items():
            db.rows(f"create view {view} as {row['sql'].format(night=_NIGHT, said=said)}")
        known = "select car from car"
        db.rows(f"insert into car (car) select distinct car from night where car not in ({known})")
        db.rows("delete from about where key = 'schema_version'")
        for fact in {"changes": "0", **new, "schema_version": str(VERSION)}.items():
            db.rows("insert into about values (?, ?) on conflict (key) do nothing", *fact)


def add_columns(db: Database, rows: Mapping[str, Iterable[Mapping[str, Any]]]) -> None:
    """The columns that tables lack for these rows; before `writing`."""
    wanted = {table: rows[table] for table in ("log", "pull")}
    if any({c for r in some for c in r} - set(db.columns(k)) for k, some in wanted.items()):
        make(db, {}, wanted)
