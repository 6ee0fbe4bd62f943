"""The archive's tables by schemas/archive.toml: made, brought up to date, told to readers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from audit.database import SCHEMA, Database
from audit.errors import ArchiveError
from audit.tables import toml_table

VERSION = 2  # of the tables; a newer one has more columns, which are added to an older archive
KEYS = ("id", "revision_id", "place")
Columns = Mapping[str, Iterable[str]]  # names by table
# What readers see: the newest verdict of each night that counts, with its logs, pulls and findings;
# every verdict ever given; the notes that stand. View -> table.
VIEWS = {
    "nights": "revision",
    "revisions": "revision",
    "logs": "log",
    "pulls": "pull",
    "findings": "finding",
    "notes": "note",
}
_UNSAID = ("id", "night_id", "number", "sha256")
_NIGHT = "n.car, n.date, n.night_id, n.setting, n.added_at, r.number as revision"


@lru_cache(maxsize=1)
def tables() -> Mapping[str, Mapping[str, str]]:
    """Table -> column -> type: text, list, integer, real or id."""
    return {
        name: {column: row["type"] for column, row in table["columns"].items()}
        for name, table in toml_table("archive.toml").items()
    }


def _view(view: str) -> str:
    """What a view asks, for the columns that its table has now."""
    table = VIEWS[view]
    if table == "note":
        return "select * from note where removed_at is null"
    if table == "revision":
        listed = ", ".join(f"r.{c}" for c in tables()[table] if c not in _UNSAID)
        every = f"select {_NIGHT}, {listed} from night n join revision r on "
        counts = "r.id = n.latest where n.withdrawn_at is null"
        return every + (counts if view == "nights" else "r.night_id = n.night_id")
    return (
        f"select {_NIGHT}, r.fuel, t.* from night n join revision r on r.id = n.latest "
        f"join {table} t on t.revision_id = r.id where n.withdrawn_at is null"
    )


def order_of(view: str) -> str:
    """The columns that a view's rows are read in order of."""
    more = {"note": "", "revision": ", night_id, revision"}
    return "date, added_at" + more.get(VIEWS[view], ", night_id, place")


def version_of(db: Database) -> int | None:
    """The schema's version, None for an empty database. Raises ArchiveError for a newer one."""
    if not db.exists() or not db.columns("about"):
        return None
    found = dict(db.rows("select key, value from about")).get("schema_version", "")
    if not found.isdigit():
        raise ArchiveError(
            f"{db.address}: the version of its schema is missing; put back the last backup."
        )
    if int(found) > VERSION:
        raise ArchiveError(
            f"{db.address}: schema version {found}, this program knows up to {VERSION}. "
            "Use a newer pullaudit."
        )
    return int(found)


def make(db: Database, facts: Mapping[str, str], more: Columns | None = None) -> None:
    """Make what is not there of tables, columns and views, in a transaction of its own.

    facts: rows of `about` for a new archive. more: table -> columns for a measure that is new or a
    channel's noise.
    """
    db.prepare()
    with db.writing(SCHEMA):
        version_of(db)
        for view in VIEWS:
            db.rows(f"drop view if exists {view}")  # before the tables, as readers come to them
        for name, table in toml_table("archive.toml").items():
            _make_table(db, name, table, (more or {}).get(name, ()))
        for view in VIEWS:
            db.rows(f"create view {view} as {_view(view)}")
        for key, value in {"changes": "0", **facts}.items():
            db.rows("insert into about values (?, ?) on conflict (key) do nothing", key, value)
        db.rows("delete from about where key = 'schema_version'")
        db.rows("insert into about values ('schema_version', ?)", str(VERSION))


def _make_table(db: Database, name: str, table: Mapping[str, Any], more: Iterable[str]) -> None:
    unique, rows = table["unique"], table["columns"]
    columns = [f'"{c}" {db.types[r["type"]]} {r.get("key", "")}' for c, r in rows.items()]
    placed = "place" in rows
    if unique:
        columns.append(f"{'primary key' if placed else 'unique'} ({unique})")
    end = db.clustered if placed else ""
    db.rows(f"create table if not exists {name} ({', '.join(columns)}){end}")
    there = db.columns(name)
    for column in [c for c in (*rows, *more) if c not in there]:
        kind = db.types[rows[column]["type"] if column in rows else "real"]
        db.rows(f"alter table {name} add column {quoted(column)} {kind}")
    if "index" in table:
        db.rows(f"create index if not exists {name}_by on {name} ({table['index']})")


def add_columns(db: Database, wanted: Columns) -> None:
    """The columns that tables lack for these names; before `writing`."""
    if any(not set(names) <= set(db.columns(table)) for table, names in wanted.items() if names):
        make(db, {}, wanted)


def quoted(name: str) -> str:
    """The name of a column, whatever is in it."""
    return '"' + name.replace('"', '""') + '"'


def insert(db: Database, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Rows of a table, inside `writing`; columns that one lacks are null there."""
    rows = list(rows)
    names = list(dict.fromkeys(name for row in rows for name in row))
    listed, marks = ", ".join(map(quoted, names)), ", ".join("?" * len(names))
    if rows:
        made = ([row.get(name) for name in names] for row in rows)
        db.many(f"insert into {table} ({listed}) values ({marks})", made)
