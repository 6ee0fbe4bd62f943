"""Mending an archive: set aside what is broken, rebuild the rest from what is whole."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from itertools import islice
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from audit.archive.store import tables
from audit.archive.store.migrate import FORMAT, write_format
from audit.archive.store.places import Places, move, told, write_whole
from audit.archive.store.record import Record, read_record, to_bytes
from audit.archive.store.rows import night_id, rows_of
from audit.archive.store.verify import Key, Problem, Survey, survey
from audit.errors import ArchiveError

if TYPE_CHECKING:
    from audit.archive.store.store import Archive
    from audit.model import Car

BATCH = 500  # records a commit when the tables are rebuilt


def repair_archive(places: Places) -> list[Problem]:
    """Mend what can be mended; the problems found, with what is still wrong left unmarked. Raises ArchiveError."""
    from filelock import FileLock

    from audit.archive.store.store import LOCK_WAIT_S, Archive

    archive = Archive(places.root)
    with told(f"{places.root}: cannot repair"), FileLock(places.lock, timeout=LOCK_WAIT_S):
        places.make()
        _finish(archive)
        seen = survey(places)
        if seen.problems:
            _mend(archive, seen)
        left = {(p.kind, p.path, p.what) for p in survey(places).problems}
    return [
        dataclasses.replace(p, repaired=(p.kind, p.path, p.what) not in left) for p in seen.problems
    ]


def _finish(archive: Archive) -> None:
    """Finish a cut-off write; where the tables cannot take it, its record waits for the rebuild."""
    try:
        archive.recover()
    except ArchiveError:
        for path in sorted(archive.places.pending.glob("*.json.gz")):
            record = read_record(path)
            aside = archive.places.aside / record.id.removesuffix("-r0")
            for source in aside.glob("*.parquet") if aside.is_dir() else ():
                file = next(
                    r["file"]
                    for r in record.rows["log"]
                    if r["file"] and r["file"].endswith(source.name)
                )
                move(source, archive.places.logs / file)
            move(path, archive.places.records / record.place)


def _mend(archive: Archive, seen: Survey) -> None:
    places = archive.places
    from_tables = _records_in_tables(places, seen.lost_records)
    for path in seen.torn:
        move(path, places.set_aside / path.relative_to(places.root))
    for file in seen.broken:
        if (places.logs / file).exists():
            move(places.logs / file, places.set_aside / "logs" / file)
    for record in from_tables:
        _write(places, record)
    records = {**seen.records, **{_key(r): r for r in from_tables}}
    for record in records.values():
        _drop_lost(places, record, seen.broken)
    cars = _cars(records)
    _set_tables_aside(places)
    _rebuild(places)
    told_of = {
        row["file"] for r in records.values() for row in r.rows.get("log", []) if row.get("file")
    }
    _adopt(archive, [file for file in seen.orphans if file not in seen.broken | told_of], cars)
    write_format(places)


def _key(record: Record) -> Key:
    from audit.archive.store.verify import key_of

    return key_of(record)


def _write(places: Places, record: Record) -> None:
    write_whole(places.records / record.place, to_bytes(record), aside=places.aside)


def _records_in_tables(places: Places, keys: set[Key]) -> list[Record]:
    """Records made from the rows that the tables have of them."""
    if not keys:
        return []
    rows: dict[Key, dict[str, list[dict[str, Any]]]] = {key: {} for key in keys}
    for kind in tables.COLUMNS:
        for row in tables.scan(places, kind).iter_rows(named=True):
            if (key := (row["night_id"], row["revision"])) in keys:
                rows[key].setdefault(kind, []).append(
                    {k: v for k, v in row.items() if v is not None}
                )
    made = []
    for (name, revision), found in rows.items():
        head = (found.get("night") or found["note"])[0]
        made.append(Record(f"{name}-r{revision}", head["car"], head["date"], found, FORMAT))
    return made


def _drop_lost(places: Places, record: Record, broken: set[str]) -> None:
    """Rewrite a record without the logs whose files are gone, or set it aside whole; they can be added anew then."""
    logs = record.rows.get("log", [])
    lost = {row["log_id"] for row in logs if row.get("file") in broken}
    if not lost:
        return
    path = places.records / record.place
    if path.exists():
        move(path, places.set_aside / "records" / record.place)
    kept = {
        kind: [r for r in rows if r.get("log_id") not in lost] for kind, rows in record.rows.items()
    }
    if any(row.get("file") for row in kept["log"]):
        _write(places, dataclasses.replace(record, rows=kept))


def _set_tables_aside(places: Places) -> None:
    if not places.tables.exists():
        return
    n = sum(1 for _ in places.set_aside.glob("tables-*")) + 1 if places.set_aside.is_dir() else 1
    move(places.tables, places.set_aside / f"tables-{n}")


def _rebuild(places: Places) -> None:
    """The tables from the records, in batches; a record in an older format is brought up and rewritten."""
    paths = iter(sorted(places.records.rglob("*.json.gz")))
    while batch := [read_record(path) for path in islice(paths, BATCH)]:
        rows: dict[str, list[dict[str, Any]]] = {kind: [] for kind in tables.COLUMNS}
        for record in batch:
            _write(places, record)
            for kind, found in record.rows.items():
                rows[kind] += found
        tables.append(places, rows)


def _cars(records: Mapping[Key, Record]) -> dict[str, Car]:
    """The newest car file of each car, by the folder name of its logs."""
    from audit.archive.store.places import partition
    from audit.archive.store.rows import car_from_json

    nights = [r for r in records.values() if "night" in r.rows]
    found = {}
    for record in sorted(nights, key=lambda r: r.date):
        folder = partition(record.car, record.date).split("/")[0]
        found[folder] = car_from_json(record.rows["night"][0]["car_file"])
    return found


def _adopt(archive: Archive, files: Iterable[str], cars: Mapping[str, Car]) -> None:
    """Screen logs that no record tells of, one night a car and day."""
    nights: dict[tuple[str, str], list[str]] = {}
    for file in files:
        car, date, _ = file.split("/")
        nights.setdefault((car, date.removeprefix("date=")), []).append(file)
    for (folder, date), found in nights.items():
        _adopt_night(archive, found, cars.get(folder) or _unknown_car(folder), date)


def _unknown_car(folder: str) -> Car:
    from audit.model import Car

    return Car(name=unquote(folder.removeprefix("car=")))


def _adopt_night(archive: Archive, files: list[str], car: Car, date: str) -> None:
    from audit.archive.store.store import now
    from audit.night.screen import assemble, audit_log

    audits = {file: audit_log(archive.read_log(file), car) for file in files}
    known = set(tables.scan(archive.places, "log", car=car.name, columns=["log_id"])["log_id"])
    fresh = {file: a for file, a in audits.items() if a.sha256 not in known}
    for file in set(audits) - set(fresh):  # a second copy of a log that is there
        move(archive.places.logs / file, archive.places.set_aside / "logs" / file)
    if not fresh:
        return
    night = assemble(fresh.values(), car=car)
    name = night_id(car.name, date, (a.sha256 for a in fresh.values()))
    common = {"car": car.name, "date": date, "night_id": name, "revision": 0}
    hashes = {
        a.sha256: (file, file.rsplit("/", 1)[-1].removesuffix(".parquet"))
        for file, a in fresh.items()
    }
    rows = rows_of(
        night, list(fresh.values()), common=common, files=hashes, setting="", added_at=now()
    )
    archive.put(Record(f"{name}-r0", car.name, date, rows, FORMAT))
