"""An archive of the earlier format brought over: its kept logs screened again, its journal taken along."""

from __future__ import annotations

import dataclasses
import gzip
import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from audit.archive.store import schema
from audit.archive.store.rescreen import LOST, hold_lost
from audit.archive.store.rows import car_from_json, car_to_json
from audit.archive.store.store import PARTS, Archive, History
from audit.errors import ArchiveError, PullauditError
from audit.intake.parquet import read_log
from audit.model import Car, LogAudit
from audit.night.screen import assemble, audit_log

Record = dict[str, list[dict[str, Any]]]


def adopt(old: Path, new: Archive, *, history: History | None = None) -> Iterator[str]:
    """Screen every night of `old` again into `new`; a sentence on each, and on what could not be brought over.

    A night, a kept log of which is damaged or gone, comes over with its old rows, held. What `new` has already is left
    as it is, so a run that was ended is begun again. Raises ArchiveError where there is no such archive, or `new`
    cannot be written.
    """
    if not (old / "records").is_dir() or not (old / "logs").is_dir():
        raise ArchiveError(
            f"{old}: no archive of the earlier format there (no folders records and logs)."
        )
    records: list[Record] = []
    for path in sorted((old / "records").rglob("*.json.gz")):
        try:
            records.append(json.loads(gzip.decompress(path.read_bytes()))["rows"])
        except (OSError, EOFError, ValueError, KeyError, TypeError, zlib.error) as error:
            yield f"{path}: this record cannot be read ({type(error).__name__}); its logs are screened by their folder."
    nights = sorted((r for r in records if r.get("night")), key=lambda r: _first(r, "revision"))
    newest = {_first(rows, "night_id"): rows for rows in nights}
    spoken = {log.get("file") for rows in records for log in rows.get("log", ())}
    cars = {_first(r, "car"): car_from_json(_first(r, "car_file")) for r in newest.values()}
    for rows in _unspoken(old, spoken, cars):
        newest[_first(rows, "night_id")] = rows
    for rows in sorted(newest.values(), key=lambda r: (_first(r, "date"), _first(r, "added_at"))):
        logs = rows.get("log", ())
        files = [old / "logs" / log["file"] if log.get("file") else None for log in logs]
        yield _night(new, car_from_json(_first(rows, "car_file")), rows, files, history)
    for rows in records:
        for note in rows.get("note", ()):
            told = f"note {note['date']} {note['car']}: {note['text']}"
            try:
                affects = note["touches"] or ["none"]
                new.journal.add(note["car"], note["text"], date=note["date"], affects=affects)
                yield told
            except PullauditError as error:
                yield f"{told}: not brought over: {error}"


def _first(rows: Record, name: str) -> Any:
    return rows["night"][0][name]


def _unspoken(old: Path, spoken: set[Any], cars: dict[str, Car]) -> Iterator[Record]:
    """Logs that no record tells of, as nights by their folders."""
    for folder in sorted((old / "logs").glob("car=*/date=*")):
        files = [p.relative_to(old / "logs").as_posix() for p in sorted(folder.glob("*.parquet"))]
        left = [file for file in files if file not in spoken]
        name, day = unquote(folder.parent.name[4:]), folder.name[5:]
        night = {"night_id": f"night-{day}-{name}", "car": name, "date": day, "verdict": "hold"}
        night |= {"car_file": car_to_json(cars.get(name, Car(name=name))), "added_at": day}
        if left:
            logs = [{"path": f, "log_id": f, "status": "read", "file": f} for f in left]
            yield {"night": [night | {"reasons": [], "checks": "{}"}], "log": logs}


def _night(
    new: Archive, car: Car, rows: Record, files: list[Path | None], history: History | None
) -> str:
    night = rows["night"][0]
    audits, lost = [], []
    for row, path in zip(rows.get("log", ()), files, strict=True):
        try:
            if path is not None:
                audits.append(audit_log(read_log(path), car))
            elif row["status"] == "rejected":
                audits.append(LogAudit(row["path"], row["log_id"], "rejected", error=row["error"]))
        except PullauditError as error:
            lost.append(f"{LOST}{row['path']}: {error}")
    name = f"{night['date']}  {night['car']}"
    if lost:
        _as_it_was(new, rows, audits, lost)
        return f"{name}: {night['verdict']} before, held now. {lost[0]}"
    judged = assemble(audits, car=car, setting=night.get("setting") or "")
    judged = dataclasses.replace(judged, us_units=bool(night.get("us_units")))
    at = night.get("added_at")
    added = new.add(judged, date=night["date"], history=history, added_at=at)
    if added.night_id is None:
        return f"{name}: there already"
    return f"{name}: {night['verdict']} is now {added.night.verdict}"


def _as_it_was(new: Archive, rows: Record, audits: list[LogAudit], lost: list[str]) -> None:
    """A night, a log of which is lost: its old rows, held, with the logs that are left."""
    new.make(audits)
    night = rows["night"][0]
    if new.db.rows("select 1 from night where night_id = ?", night["night_id"]):
        return
    kept = {a.sha256: new.kept.write(a.log) for a in audits if a.log is not None}
    made = {kind: [_bare(row) for row in rows.get(kind, ())] for kind in PARTS}
    for row in made["log"]:
        row["file"], row["file_sha256"] = kept.get(row["log_id"], (None, None))
    known = schema.tables()
    for kind in ("log", "pull"):
        more = {n for row in made[kind] for n in row} - set(known[kind])
        schema.add_columns(new.db, kind, dict.fromkeys(more, "real"))
    with new.writing(night["car"]):
        keys = ("night_id", "car", "date", "setting", "added_at")
        schema.insert(new.db, "night", [{k: night.get(k) for k in keys} | {"latest": 0}])
        said = {k: v for k, v in night.items() if k in known["revision"]}
        new.seal(new.put(night["night_id"], {**made, "revision": [said]}))
        hold_lost(new, night["night_id"], lost)


def _bare(row: dict[str, Any]) -> dict[str, Any]:
    gone = ("car", "date", "night_id", "revision", "kind", "sha256", "fuel", "setting")
    return {k: v for k, v in row.items() if k not in gone and v is not None}
