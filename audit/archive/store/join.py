"""A night of which the archive has a part already: judged again as a whole, it is kept as the night's next revision.

So that no verdict of a part outlives what a later log of the same night says: a log that comes late, or one that
could not be read.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Any

from audit.archive.store import tables
from audit.archive.store.migrate import FORMAT, read_format
from audit.archive.store.places import partition
from audit.archive.store.record import Record
from audit.archive.store.rows import Row, log_id, rows_of
from audit.archive.store.store import Added, Archive, date_of
from audit.model import VERDICTS, LogAudit, Night

if TYPE_CHECKING:
    import polars as pl

MOST_TOGETHER = 60  # logs of one kept night; further ones begin a night of their own, so that rows do not pile up


@dataclasses.dataclass(frozen=True)
class _Part:
    """A kept night, newest revision: its row, and its logs' rows by their id."""

    night: Row
    logs: Mapping[str, Row]

    @property
    def ids(self) -> set[str]:
        return {i for i, row in self.logs.items() if row["status"] != "not_a_log"}


def join(
    archive: Archive,
    night: Night,
    *,
    date: str,
    setting: str = "",
    instead_of: Collection[str] = (),
) -> Added:
    """Keep a night as judged with all its logs, those that are kept already among them.

    A log that is kept already may have lost its samples. A part that is kept already becomes a new revision with the
    whole's verdict; new logs join it where the whole has every log of it. Where it has not, the worse verdict stands.

    date: ISO day. instead_of: ids of logs that could not be read and have been replaced since. Raises as Archive.add.
    """
    ids = {log_id(a) for a in night.logs if not a.not_a_log} | set(instead_of)
    if read_format(archive.places) is None or not _has_any(archive, night.car.name, ids):
        return archive.add(night, date=date, setting=setting)
    with archive.writing():
        parts = _parts(archive, night.car.name, ids)
        home = next((p for p in parts if _room(p, night, ids)), None)
        added = Added(None, (), ())
        if home is not None:
            added = _grown(archive, home, night, setting=setting, instead_of=instead_of)
        for part in parts:
            if part is not home:
                _restated(archive, part, night, whole=part.ids <= ids)
    return added if home is not None else archive.add(night, date=date, setting=setting)


def hold(archive: Archive, night: Night, *, date: str | None = None) -> int:
    """Give the verdict of a night to those kept nights that hold logs of it and stand better; how many.

    Where none of its logs could be read: to the kept nights of its day. date: ISO day; else as the logs' paths and files
    have it. Raises ArchiveError when the archive cannot be written.
    """
    if night.verdict == VERDICTS[0] or read_format(archive.places) is None:
        return 0
    ids = {log_id(a) for a in night.logs if not a.not_a_log}
    alone = bool(ids) and not any(a.status == "read" for a in night.logs)
    with archive.writing():
        parts = _parts(archive, night.car.name, ids, date=(date or _day(night)) if alone else None)
        return sum(_restated(archive, part, night, whole=False) for part in parts)


def _room(part: _Part, night: Night, ids: set[str]) -> bool:
    return part.ids <= ids and len({log_id(a) for a in night.logs} | part.ids) <= MOST_TOGETHER


def _has_any(archive: Archive, car: str, ids: set[str]) -> bool:
    """Whether any of these logs may be kept; a cheap look. A write that was cut off is finished by the next one."""
    if any(archive.places.pending.glob("*.json.gz")):
        return True
    found = tables.scan(archive.places, "log", car=car, columns=["log_id"])
    return not ids.isdisjoint(found["log_id"])


def _parts(archive: Archive, car: str, ids: set[str], *, date: str | None = None) -> list[_Part]:
    """The kept nights that have any of these logs or are of a day, the earliest first."""
    nights = {(r["night_id"], r["revision"]): r for r in archive.nights(car).iter_rows(named=True)}
    logs: dict[tuple[str, int], dict[str, Row]] = {}
    for row in _rows(archive.logs(car)):
        logs.setdefault((row["night_id"], row["revision"]), {})[row["log_id"]] = row
    return [
        _Part(_bare(r), logs.get(key, {}))
        for key, r in nights.items()
        if ids & set(logs.get(key, {})) or r["date"] == date
    ]


def _grown(
    archive: Archive, part: _Part, night: Night, *, setting: str, instead_of: Collection[str]
) -> Added:
    """The part's next revision, with the new logs in it; nothing when it would say the same.

    It keeps its day and the moment it was added, so that a night of the same day that came after it stays the later one.
    """
    known = archive.known(night.car.name)
    counted = [a for a in night.logs if a.status == "read" or not a.not_a_log]
    new = [
        a
        for a in counted
        if log_id(a) not in part.ids and (a.status != "read" or log_id(a) not in known)
    ]
    new += [
        a
        for a in counted
        if a.status == "read" and log_id(a) in part.ids and not part.logs[log_id(a)].get("file")
    ]
    old = [a for a in counted if log_id(a) in part.ids and not any(a is b for b in new)]
    done = tuple(log_id(a) for a in old)
    if (
        not new
        and not part.ids & set(instead_of)
        and _says(part.night) == (night.verdict, list(night.reasons))
    ):
        return Added(None, (), done)
    name, date, revision = part.night["night_id"], part.night["date"], part.night["revision"] + 1
    common: Row = {"car": night.car.name, "date": date, "night_id": name, "revision": revision}
    files = archive.write_logs(
        [a for a in new if a.status == "read"],
        f"{name}-r{revision}",
        partition(night.car.name, date),
    )
    kept = {
        i: (r["file"], r["file_sha256"])
        for i, r in part.logs.items()
        if r.get("file") and i not in files
    }
    setting = setting or night.setting or part.night.get("setting", "")
    rows = rows_of(
        night,
        [*old, *new],
        common=common,
        files=kept | files,
        setting=setting,
        added_at=part.night["added_at"],
    )
    first = {log_id(a): part.logs[log_id(a)] for a in old if a.status == "read"}
    rows["log"] = [_as_before(row, first.get(row["log_id"])) for row in rows["log"]]
    rows["pull"] = [row | _air(first.get(row["log_id"])) for row in rows["pull"]]
    archive.put(Record(f"{name}-r{revision}", night.car.name, date, rows, FORMAT))
    return Added(name, tuple(log_id(a) for a in new), done)


def _restated(archive: Archive, part: _Part, night: Night, *, whole: bool) -> bool:
    """A revision of a part with another's verdict, its rows as they were; only a worse one unless that is the whole's."""
    better = VERDICTS.index(night.verdict) < VERDICTS.index(part.night["verdict"])
    if part.night["verdict"] == night.verdict or (better and not whole):
        return False
    name, before = part.night["night_id"], part.night["revision"]
    rows: dict[str, list[Row]] = {}
    for kind in ("night", "log", "pull", "finding"):
        found = tables.scan(archive.places, kind, car=part.night["car"])
        found = found.filter((found["night_id"] == name) & (found["revision"] == before))
        rows[kind] = [row | {"revision": before + 1} for row in _rows(found)]
    rows["night"] = [
        row | {"verdict": night.verdict, "reasons": list(night.reasons)} for row in rows["night"]
    ]
    common: Row = {
        "car": part.night["car"],
        "date": part.night["date"],
        "night_id": name,
        "revision": before + 1,
    }
    torn = [
        a
        for a in night.logs
        if a.status != "read" and not a.not_a_log and log_id(a) not in part.ids
    ]
    rows["log"] += rows_of(night, torn, common=common, files={}, setting="", added_at="")["log"]
    archive.put(
        Record(f"{name}-r{before + 1}", part.night["car"], part.night["date"], rows, FORMAT)
    )
    return True


def _day(night: Night) -> str:
    """The day of logs that could not be read."""
    as_read = tuple(dataclasses.replace(a, status="read") for a in night.logs if not a.not_a_log)
    return date_of(dataclasses.replace(night, logs=as_read))


def _says(night: Row) -> tuple[str, list[str]]:
    return night["verdict"], list(night.get("reasons") or [])


def _as_before(row: Row, before: Row | None) -> Row:
    """A log's row as it was kept: its samples may be gone now."""
    return (
        row
        if before is None
        else {**before, "revision": row["revision"], "date": row["date"], "checks": row["checks"]}
    )


def _air(before: Row | None) -> Row:
    return (
        {}
        if before is None
        else {name: before.get(name) for name in ("barometric_kpa", "ambient_c")}
    )


def _rows(found: pl.DataFrame) -> list[Row]:
    return [_bare(row) for row in found.iter_rows(named=True)]


def _bare(row: Mapping[str, Any]) -> Row:
    return {key: value for key, value in row.items() if value is not None}


def torn_rows(logs: pl.DataFrame) -> list[LogAudit]:
    """The logs of a kept night that could not be read, as their rows tell."""
    found = logs.filter(logs["file"].is_null() & (logs["status"] == "rejected"))
    return [
        LogAudit(r["path"], r["sha256"] or r["log_id"], "rejected", error=r["error"])
        for r in found.iter_rows(named=True)
    ]
