"""Judging kept nights anew with today's checks; the old verdicts stay as earlier revisions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from audit.archive.store import tables
from audit.archive.store.migrate import FORMAT
from audit.archive.store.record import Record
from audit.archive.store.rows import Row, car_from_json, rows_of
from audit.archive.store.store import now

if TYPE_CHECKING:
    from audit.archive.store.store import Archive

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class Rescreened:
    """One night judged anew: its verdict before and now."""

    night_id: str
    car: str
    date: str
    before: str
    after: str


def rescreen(
    archive: Archive,
    *,
    car: str | None = None,
    every: bool = False,
    progress: Progress | None = None,
) -> list[Rescreened]:
    """Judge the nights that an earlier version judged (or `every` one) from their kept logs.

    Raises ArchiveError when a kept log cannot be read or the archive cannot be written. Nights done before it
    stopped stay done.
    """
    from audit import __version__

    nights = archive.nights(
        car, columns=["car", "car_file", "setting", "verdict", "tool", "us_units", "added_at"]
    )
    nights = nights.sort(
        "date", "added_at", "night_id"
    )  # the night judged last stays the one judged last
    due = [row for row in nights.iter_rows(named=True) if every or row["tool"] != __version__]
    done = []
    for i, row in enumerate(due, 1):
        done.append(_one(archive, row))
        if progress:
            progress(i, len(due))
    return done


def _one(archive: Archive, night: Row) -> Rescreened:
    from audit.archive.store.join import torn_rows
    from audit.night.screen import assemble, audit_log

    car = car_from_json(night["car_file"])
    rows = tables.scan(archive.places, "log", car=night["car"])
    logs = rows.filter(
        (rows["night_id"] == night["night_id"]) & (rows["revision"] == night["revision"])
    )
    kept = logs.filter(logs["file"].is_not_null())
    audits = [audit_log(archive.read_log(file), car) for file in kept["file"]]
    judged = assemble([*audits, *torn_rows(logs)], car=car, setting=night["setting"] or "")
    files = {row["log_id"]: (row["file"], row["file_sha256"]) for row in kept.iter_rows(named=True)}
    common: Row = {key: night[key] for key in ("car", "date", "night_id")} | {
        "revision": night["revision"] + 1
    }
    read = [audit for audit in judged.logs if audit.status == "read"]
    new = rows_of(
        judged, read, common=common, files=files, setting=night["setting"] or "", added_at=now()
    )
    rejected = logs.filter(logs["file"].is_null())
    new["log"] += [
        {**_bare(row), "revision": common["revision"]} for row in rejected.iter_rows(named=True)
    ]
    with archive.writing():
        archive.put(
            Record(
                f"{night['night_id']}-r{common['revision']}",
                night["car"],
                night["date"],
                new,
                FORMAT,
            )
        )
    return Rescreened(
        night["night_id"], night["car"], night["date"], night["verdict"], judged.verdict
    )


def _bare(row: Row) -> Row:
    return {key: value for key, value in row.items() if value is not None}
