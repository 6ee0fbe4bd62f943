"""The archive's tables by schemas/archive.toml: made, brought up to date, and told for the documentation."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache
from typing import Any

from audit.archive.store.database import SCHEMA, Database
from audit.errors import ArchiveError
from audit.tables import toml_table

VERSION = 1
# From version n to n + 1, inside the transaction that brings an archive up to date.
STEPS: Mapping[int, Callable[[Database], None]] = {}

INDEXES = {
    "night_by_car": "night (car, date)",
    "log_by_id": "log (log_id)",
    "note_by_car": "note (car)",
}
_NIGHT = "n.car, n.date, n.night_id, r.number as revision"
_SAID = (
    "r.verdict, r.reasons, r.checks, r.decision, r.assumed, r.car_file, r.fuel, r.us_units, "
    "r.tool, r.limits, r.judged_at, n.setting, n.added_at"
)
_COUNTS = "join revision r on r.id = n.latest where n.withdrawn_at is null"
EVERY = f"select {_NIGHT}, {_SAID} from night n join revision r on r.night_id = n.night_id"
VIEWS = {
    "nights": f"select {_NIGHT}, {_SAID} from night n {_COUNTS}",
    "logs": f"select {_NIGHT}, t.* from night n join log t on t.revision_id = n.latest {_COUNTS}",
    "pulls": f"select {_NIGHT}, n.setting, r.fuel, t.* from night n join pull t on t.revision_id = n.latest {_COUNTS}",
    "findings": f"select {_NIGHT}, t.* from night n join finding t on t.revision_id = n.latest {_COUNTS}",
    "notes": "select * from note where removed_at is null",
}


@lru_cache(maxsize=1)
def tables() -> Mapping[str, Mapping[str, str]]:
    """Table -> column -> type: text, list, integer, real or id."""
    return {
        name: {column: row["type"] for column, row in table["columns"].items()}
        for name, table in toml_table("archive.toml").items()
    }


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
            f"{db.address}: schema version {found}, this program knows up to {VERSION}. Use a newer pullaudit."
        )
    return int(found)


def make(db: Database, facts: Mapping[str, str]) -> None:
    """Make the tables, or bring older ones up to date. facts: rows of `about` for a new archive."""
    if not db.server:
        db.rows(
            "pragma journal_mode = wal"
        )  # readers and the one writer do not wait for each other
    with db.writing(SCHEMA):
        version = version_of(db)
        _drop_views(db)
        spec = toml_table("archive.toml")
        for name, table in spec.items():
            columns = [
                f'"{c}" {db.type_of(row["type"])} {row.get("key", "")}'
                for c, row in table["columns"].items()
            ]
            key = f", primary key ({table['unique']})" if "place" in table["unique"] else ""
            key = key or (f", unique ({table['unique']})" if table["unique"] else "")
            ends = db.clustered if "place" in table["unique"] else ""
            db.run(f"create table if not exists {name} ({', '.join(columns)}{key}){ends}")
        for number in range(version or VERSION, VERSION):
            STEPS[number](db)
        for name, on in INDEXES.items():
            db.run(f"create index if not exists {name} on {on}")
        _make_views(db)
        for key, value in {"schema_version": str(VERSION), "changes": "0", **facts}.items():
            db.run("insert into about values (?, ?) on conflict (key) do nothing", key, value)
        db.run("update about set value = ? where key = 'schema_version'", str(VERSION))


def add_columns(db: Database, table: str, wanted: Mapping[str, str]) -> None:
    """Add the columns that a table lacks, in a transaction of its own: a measure that is new, a channel's noise."""
    there = db.columns(table)
    if set(wanted) <= set(there):
        return
    with db.writing(SCHEMA):
        there = db.columns(table)
        _drop_views(db)  # before the tables, as readers come to them
        for name in wanted:
            if name not in there:
                kind = db.type_of(wanted[name])
                db.run(f"alter table {table} add column {_quoted(name)} {kind}")
        _make_views(db)


def _drop_views(db: Database) -> None:
    for name in VIEWS:
        db.run(f"drop view if exists {name}")


def _make_views(db: Database) -> None:
    for name, text in VIEWS.items():
        db.run(f"create view {name} as {text}")


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def insert(db: Database, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
    """Rows of a table, inside `writing`; columns that one lacks are null there."""
    rows = list(rows)
    if not rows:
        return
    names = list(dict.fromkeys(name for row in rows for name in row))
    listed, marks = ", ".join(_quoted(n) for n in names), ", ".join("?" * len(names))
    db.many(
        f"insert into {table} ({listed}) values ({marks})",
        ([row.get(name) for name in names] for row in rows),
    )


def tables_page() -> str:
    """Every table and column with unit and meaning, for docs/archive.md."""
    out = []
    for name, table in toml_table("archive.toml").items():
        out.append(
            f"### `{name}`\n\n{table['about']}\n\n| column | type | unit | what it is |\n| --- | --- | --- | --- |"
        )
        out += [
            f"| {c} | {row['type']} | {row.get('unit', '')} | {row['means']} |"
            for c, row in table["columns"].items()
        ]
        out.append("")
    return "\n".join(out)
