"""An archive of the earlier format brought over: its kept logs screened again, its journal too."""

from __future__ import annotations

import gzip
import json
import operator
import zlib
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import unquote

from audit.archive.store.rescreen import judged
from audit.archive.store.rows import PARTS, Row, Rows, car_to_json, row_of, tables, words
from audit.archive.store.store import Archive, History
from audit.errors import ArchiveError, PullauditError
from audit.intake.parquet import read_log
from audit.model import Car, Log

NAMES = ("night_id", "car", "date", "setting", "added_at")
GONE = {"revision", "kind", "sha256", "fuel", *NAMES}  # columns of the earlier rows


def adopt(old: Path, new: Archive, *, history: History | None = None) -> Iterator[str]:
    """Screen every night of `old` again into `new`; a sentence on each, and on what is lost.

    A night, a kept log of which is damaged or gone, comes over with its old rows, held. What `new`
    has already is left as it is, so a run that was ended is begun again. Raises ArchiveError where
    there is no such archive, or `new` cannot be written.
    """
    if not (old / "records").is_dir() or not (old / "logs").is_dir():
        raise ArchiveError(words("no_earlier", root=old))
    new.make()
    records: list[Rows] = []
    for path in sorted((old / "records").rglob("*.json.gz")):
        try:
            records.append(json.loads(gzip.decompress(path.read_bytes()))["rows"])
        except (OSError, EOFError, ValueError, KeyError, TypeError, zlib.error) as error:
            yield words("bad_record", path=path, why=type(error).__name__)
    told = [(night, rows) for rows in records for night in rows.get("night", ())]
    newest = sorted(told, key=lambda record: record[0]["revision"])
    nights = {night["night_id"]: rows for night, rows in newest}
    files = {night["car"]: night["car_file"] for night, _ in told}
    spoken = {log.get("file") for rows in records for log in rows.get("log", ())}
    for folder in sorted((old / "logs").glob("car=*/date=*")):  # logs that no record tells of
        every = [p.relative_to(old / "logs").as_posix() for p in sorted(folder.glob("*.parquet"))]
        left = [f for f in every if f not in spoken]
        logs = [{"path": f, "log_id": f, "status": "read", "file": f} for f in left]
        name, day = unquote(folder.parent.name[4:]), folder.name[5:]
        night = {"night_id": f"night-{day}-{name}", "car": name, "date": day, "added_at": day}
        night |= {"car_file": files.get(name) or car_to_json(Car(name=name)), "verdict": "hold"}
        if logs:
            nights[night["night_id"]] = {"night": [night], "log": logs}
    rank = operator.itemgetter("date", "added_at")
    for rows in sorted(nights.values(), key=lambda rows: rank(rows["night"][0])):
        yield _night(new, old / "logs", rows, history)
    for note in [note for rows in records for note in rows.get("note", ())]:
        try:
            affects = note["touches"] or ["none"]
            new.journal.add(note["car"], note["text"], date=note["date"], affects=affects)
            yield words("note", **note)
        except PullauditError as error:
            yield words("no_note_over", **note, error=error)


def _night(new: Archive, folder: Path, old: Rows, history: History | None) -> str:
    night: Row = {"setting": None, "us_units": None, "reasons": [], **old["night"][0]}
    told, why = {**night, "before": night["verdict"]}, list[str]()
    rows: Rows = {"revision": []}
    for kind in PARTS:
        said = [{n: v for n, v in r.items() if n not in GONE} for r in old.get(kind, ())]
        known = [r for r in said if r.get("level") != "history"]  # it is asked anew
        rows[kind] = [dict.fromkeys(tables()[kind]) | row_of(kind, **r) for r in known]

    def read(row: Row) -> Log:
        where = folder / row["file"]
        row["file"] = row["file_sha256"] = None
        try:
            log = read_log(where)
        except PullauditError as error:
            raise ArchiveError(f"{row['path']}: {error}") from error
        file = new.kept.write(log)
        row |= {"log_id": log.sha256, "file": file, "file_sha256": Path(file).stem}
        return log

    anew = judged(night, rows, read, why)
    if not why:
        at = night["added_at"]
        added = new.add(anew, date=night["date"], history=history, added_at=at)
        return words("now" if added.night_id else "there", **told, after=added.night.verdict)
    if not new.db.rows("select 1 from night where night_id = ?", night["night_id"]):
        new.add_columns(rows)
        with new.writing(night["car"]):
            new.db.put("night", [{n: night.get(n) for n in NAMES} | {"latest": 0}])
            new.put(night["night_id"], rows, anew, history)
    return words("held", **told, why=why[0])
