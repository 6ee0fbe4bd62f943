"""An archive of the earlier format brought over: its kept logs screened again, its journal too."""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from audit.archive.store import schema
from audit.archive.store.rescreen import hold_lost, judge
from audit.archive.store.rows import PARTS, Row, Rows, car_to_json
from audit.archive.store.store import Archive, History
from audit.errors import ArchiveError, PullauditError
from audit.intake.parquet import read_log
from audit.model import Car, Log, Night

NAMES = ("night_id", "car", "date", "setting", "added_at")
GONE = {"revision", "kind", "sha256", "fuel", *NAMES}  # columns of the earlier rows


def adopt(old: Path, new: Archive, *, history: History | None = None) -> Iterator[str]:
    """Screen every night of `old` again into `new`; a sentence on each, and on what is lost.

    A night, a kept log of which is damaged or gone, comes over with its old rows, held. What `new`
    has already is left as it is, so a run that was ended is begun again. Raises ArchiveError where
    there is no such archive, or `new` cannot be written.
    """
    if not (old / "records").is_dir() or not (old / "logs").is_dir():
        raise ArchiveError(
            f"{old}: no archive of the earlier format there (no folders records and logs)."
        )
    nights: dict[str, Rows] = {}  # the newest record of each
    notes, spoken = [], set()
    for path in sorted((old / "records").rglob("*.json.gz")):
        try:
            rows = json.loads(gzip.decompress(path.read_bytes()))["rows"]
        except (OSError, EOFError, ValueError, KeyError, TypeError, zlib.error) as error:
            why = type(error).__name__
            yield f"{path}: this record cannot be read ({why}); its logs are screened by folder."
            continue
        notes += rows.get("note", ())
        spoken |= {log.get("file") for log in rows.get("log", ())}
        for night in rows.get("night", ()):
            known = nights.get(night["night_id"])
            if known is None or known["night"][0]["revision"] < night["revision"]:
                nights[night["night_id"]] = rows
    every = [*nights.values(), *_unspoken(old / "logs", spoken, nights)]
    for rows in sorted(every, key=lambda r: [r["night"][0][n] for n in ("date", "added_at")]):
        yield _night(new, old / "logs", rows, history)
    for note in notes:
        told = f"note {note['date']} {note['car']}: {note['text']}"
        try:
            affects = note["touches"] or ["none"]
            new.journal.add(note["car"], note["text"], date=note["date"], affects=affects)
            yield told
        except PullauditError as error:
            yield f"{told}: not brought over: {error}"


def _unspoken(logs: Path, spoken: set[Any], nights: dict[str, Rows]) -> Iterator[Rows]:
    """Logs that no record tells of, as nights by their folders."""
    files = {n["car"]: n["car_file"] for rows in nights.values() for n in rows["night"]}
    for folder in sorted(logs.glob("car=*/date=*")):
        every = [p.relative_to(logs).as_posix() for p in sorted(folder.glob("*.parquet"))]
        left = [file for file in every if file not in spoken]
        name, day = unquote(folder.parent.name[4:]), folder.name[5:]
        night = {"night_id": f"night-{day}-{name}", "car": name, "date": day, "added_at": day}
        night |= {"car_file": files.get(name) or car_to_json(Car(name=name)), "verdict": "hold"}
        if left:
            read = [{"path": f, "log_id": f, "status": "read", "file": f} for f in left]
            yield {"night": [night | {"reasons": []}], "log": read}


def _night(new: Archive, folder: Path, rows: Rows, history: History | None) -> str:
    night = rows["night"][0]
    name, before = f"{night['date']}  {night['car']}", night["verdict"]

    def read(row: Row) -> Log:
        try:
            return read_log(folder / row["file"])
        except PullauditError as error:
            raise ArchiveError(f"{row['path']}: {error}") from error

    judged, lost = judge(night, rows.get("log", ()), read)
    if lost:
        _as_it_was(new, rows, judged, [*lost.values()])
        return f"{name}: {before} before, held now. {next(iter(lost.values()))}"
    at = night["added_at"]
    added = new.add(judged, date=night["date"], history=history, added_at=at)
    if added.night_id is None:
        return f"{name}: there already"
    return f"{name}: {before} is now {added.night.verdict}"


def _as_it_was(new: Archive, rows: Rows, judged: Night, lost: list[str]) -> None:
    """A night, a log of which is lost: its old rows, held, with the logs that are left."""
    new.make(judged.logs)
    night = rows["night"][0]
    if new.db.rows("select 1 from night where night_id = ?", night["night_id"]):
        return
    kept = {a.sha256: new.kept.write(a.log) for a in judged.logs if a.log is not None}
    made: Rows = {
        kind: [{n: v for n, v in r.items() if n not in GONE} for r in rows.get(kind, ())]
        for kind in PARTS
    }
    for row in made["log"]:
        file = kept.get(row["log_id"])
        row |= {"file": file, "file_sha256": file and Path(file).stem}
    made["revision"] = [{n: v for n, v in night.items() if n in schema.tables()["revision"]}]
    schema.add_columns(new.db, {k: {n for row in made[k] for n in row} for k in ("log", "pull")})
    with new.writing(night["car"]):
        new.db.put("night", [{n: night.get(n) for n in NAMES} | {"latest": 0}])
        new.put(night["night_id"], made)
        hold_lost(new, night["night_id"], lost)
