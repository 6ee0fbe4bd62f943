"""The archive's tables by schemas/archive.toml, the reader's views by schemas/views.toml."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import lru_cache

from audit.database import SCHEMA, Database, quoted
from audit.errors import ArchiveError
from audit.tables import toml_table

VERSION = 2  # of the tables; a newer one has more columns, which are added to an older archive
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


def views() -> Mapping[str, Mapping[str, str]]:
    """View -> what it is `of`, in which `order` it is read, its `sql`."""
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
    db: Database, new: Mapping[str, str], more: Mapping[str, Iterable[str]] | None = None
) -> None:
    """Make what is not there of tables, columns and views, in a transaction of its own.

    new: rows of `about` for a new archive. more: table -> columns for a measure that is new or a
    channel's noise.
    """
    db.prepare()
    said = ", ".join(f"r.{c}" for c in tables()["revision"] if c not in _UNSAID)
    with db.writing(SCHEMA):
        facts(db)
        for view in views():
            db.rows(f"drop view if exists {view}")  # before the tables, as readers come to them
        for name, table in toml_table("archive.toml").items():
            kinds = {c: db.types[row["type"]] for c, row in table["columns"].items()}
            kinds |= dict.fromkeys((more or {}).get(name, ()), db.types["real"])
            listed = [f'"{c}" {kinds[c]} {r.get("key", "")}' for c, r in table["columns"].items()]
            listed += [table["one"]] if "one" in table else []
            end = db.clustered if "place" in kinds else ""
            db.rows(f"create table if not exists {name} ({', '.join(listed)}){end}")
            for column in [c for c in kinds if c not in db.columns(name)]:
                db.rows(f"alter table {name} add column {quoted(column)} {kinds[column]}")
            if "index" in table:
                db.rows(f"create index if not exists {name}_by on {name} ({table['index']})")
        for view, row in views().items():
            db.rows(f"create view {view} as {row['sql'].format(night=_NIGHT, said=said)}")
        db.rows("delete from about where key = 'schema_version'")
        for fact in {"changes": "0", **new, "schema_version": str(VERSION)}.items():
            db.rows("insert into about values (?, ?) on conflict (key) do nothing", *fact)


def add_columns(db: Database, wanted: Mapping[str, Iterable[str]]) -> None:
    """The columns that tables lack for these names; before `writing`."""
    if any(not set(names) <= set(db.columns(table)) for table, names in wanted.items() if names):
        make(db, {}, wanted)
