"""Made-up histories straight into an archive's tables, many nights in one transaction."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from audit.archive.store.rows import KEYS, tables
from audit.archive.store.store import Archive

Row = Mapping[str, Any]
SKIP = {
    "car",
    "date",
    "night_id",
    "revision",
    "setting",
    "fuel",
    "sha256",
    "added_at",
    *KEYS,
}


def put_rows(
    archive: Archive, nights: Iterable[Row], pulls: Iterable[Row] = (), logs: Iterable[Row] = ()
) -> None:
    """nights: night_id, car, date, with what a revision has; pulls, logs: rows with their night_id."""
    archive.make()
    db = archive.db
    nights = list(nights)
    pulls, logs = list(pulls), list(logs)
    parts = {"pull": pulls, "log": logs}
    archive.add_columns(
        {k: [{n: None for n in r if n not in SKIP} for r in v[:50]] for k, v in parts.items()}
    )
    with db.writing("bulk"):
        following: dict[str, int] = {}
        ids = {}
        for row in nights:
            car = row["car"]
            following[car] = ids[row["night_id"]] = (
                following[car] + 1 if car in following else archive.next_revision(car)
            )
        db.put(
            "night",
            (
                {
                    "night_id": r["night_id"],
                    "car": r["car"],
                    "date": r["date"],
                    "setting": r.get("setting", ""),
                    "added_at": r.get("added_at", r["date"]),
                    "latest": ids[r["night_id"]],
                }
                for r in nights
            ),
        )
        known = tables()["revision"]
        db.put(
            "revision",
            (
                {
                    "verdict": "clear",
                    "reasons": "[]",
                    "checks": "{}",
                    "car_file": f'{{"name": "{r["car"]}"}}',
                }
                | {k: v for k, v in r.items() if k in known}
                | {"id": ids[r["night_id"]], "number": 0}
                for r in nights
            ),
        )
        for kind, rows in (("pull", pulls), ("log", logs)):
            put_parts(archive, kind, rows, ids)
        db.rows("delete from standing")
        db.rows(
            "update about set value = cast(cast(value as integer) + 1 as text) where key = 'changes'"
        )


def put_parts(archive: Archive, kind: str, rows: Iterable[Row], ids: Mapping[str, int]) -> None:
    made = []
    for place, row in enumerate(rows, 1):
        kept = {k: v for k, v in row.items() if k not in SKIP and v is not None}
        made.append({"index": place, **kept} if kind == "pull" else kept)
        made[-1] |= {"revision_id": ids[row["night_id"]], "place": place}
    archive.db.put(kind, made)
