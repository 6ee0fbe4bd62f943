"""The archive's tables by schemas/archive.toml: made, brought up to date, told to readers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache
from typing import Any

from audit.database import SCHEMA, Database, quoted
from audit.errors import ArchiveError
from audit.tables import toml_table

VERSION = 2  # of the tables; a newer one has more columns, which are added to an older archive
KEYS = ("id", "revision_id", "place")
# What readers see: the newest verdict of each night that counts, with its logs, pulls and findings;
# every verdict ever given; the notes that stand. View -> table, and the order that it is read in.
VIEWS = {
    "nights": ("revision", "date, added_at, night_id, revision"),
    "revisions": ("revision", "date, added_at, night_id, revision"),
    "logs": ("log", "date, added_at, night_id, place"),
    "pulls": ("pull", "date, added_at, night_id, place"),
    "findings": ("finding", "date, added_at, night_id, place"),
    "notes": ("note", "date, added_at"),
}
_UNSAID = ("id", "night_id", "number", "sha256")


@lru_cache(maxsize=1)
def tables() -> Mapping[str, Mapping[str, str]]:
    """Table -> column -> type: text, list, integer, real or id."""
    return {
        name: {column: row["type"] for column, row in table["columns"].items()}
        for name, table in toml_table("archive.toml").items()
    }


def _view(view: str) -> str:
    """What a view asks, for the columns that its table has now."""
    table = VIEWS[view][0]
    if table == "note":
        return "select * from note where removed_at is null"
    told, part = ", ".join(f"r.{c}" for c in tables()["revision"] if c not in _UNSAID), ""
    if table != "revision":
        told, part = "r.fuel, t.*", f"join {table} t on t.revision_id = r.id"
    counts = view != "revisions"
    which = "r.id = n.latest" if counts else "r.night_id = n.night_id"
    where = "where n.withdrawn_at is null" if counts else ""
    return (
        f"select n.car, n.date, n.night_id, n.setting, n.added_at, r.number as revision, {told} "
        f"from night n join revision r on {which} {part} {where}"
    )


def about(db: Database) -> dict[str, str]:
    """Facts on the archive itself, {} where there is none."""
    there = db.exists() and db.columns("about")
    return dict(db.rows("select key, value from about")) if there else {}


def version_of(db: Database) -> int | None:
    """The schema's version, None for an empty database. Raises ArchiveError for a newer one."""
    if not db.exists() or not db.columns("about"):
        return None
    found = about(db).get("schema_version", "")
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


def make(
    db: Database, facts: Mapping[str, str], more: Mapping[str, Iterable[str]] | None = None
) -> None:
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
        db.rows("delete from about where key = 'schema_version'")
        for fact in {"changes": "0", **facts, "schema_version": str(VERSION)}.items():
            db.rows("insert into about values (?, ?) on conflict (key) do nothing", *fact)


def _make_table(db: Database, name: str, table: Mapping[str, Any], more: Iterable[str]) -> None:
    rows = table["columns"]
    columns = [f'"{c}" {db.types[r["type"]]} {r.get("key", "")}' for c, r in rows.items()]
    placed = "place" in rows
    if table["unique"]:
        columns.append(f"{'primary key' if placed else 'unique'} ({table['unique']})")
    end = db.clustered if placed else ""
    db.rows(f"create table if not exists {name} ({', '.join(columns)}){end}")
    there = db.columns(name)
    for column in [c for c in (*rows, *more) if c not in there]:
        kind = db.types[rows[column]["type"] if column in rows else "real"]
        db.rows(f"alter table {name} add column {quoted(column)} {kind}")
    if "index" in table:
        db.rows(f"create index if not exists {name}_by on {name} ({table['index']})")


def add_columns(db: Database, wanted: Mapping[str, Iterable[str]]) -> None:
    """The columns that tables lack for these names; before `writing`."""
    if any(not set(names) <= set(db.columns(table)) for table, names in wanted.items() if names):
        make(db, {}, wanted)
