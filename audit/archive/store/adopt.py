"""An archive of the earlier format brought over: its kept logs screened again, its journal taken along."""

from __future__ import annotations

import gzip
import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from audit.archive.store.rescreen import LOST
from audit.archive.store.rows import car_from_json
from audit.archive.store.store import Archive, History
from audit.errors import ArchiveError, PullauditError
from audit.model import Car, LogAudit

Record = dict[str, list[dict[str, Any]]]


def adopt(old: Path, new: Archive, *, history: History | None = None) -> Iterator[str]:
    """Screen every night of `old` again into `new`; a sentence on each, and on what could not be brought over.

    A night whose kept log is damaged or gone is held at least. What `new` has already is left as it is, so a run that
    was ended is begun again. Raises ArchiveError where there is no such archive, or `new` cannot be written.
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
    newest: dict[str, Record] = {}
    for rows in records:
        for row in rows.get("night", ()):
            if (
                row["revision"]
                >= newest.get(row["night_id"], {"night": [{"revision": -1}]})["night"][0][
                    "revision"
                ]
            ):
                newest[row["night_id"]] = rows
    cars = {}
    for rows in sorted(
        newest.values(), key=lambda r: (r["night"][0]["date"], r["night"][0]["added_at"])
    ):
        night = rows["night"][0]
        cars[night["car"]] = car = car_from_json(night["car_file"])
        files = [
            (log, old / "logs" / log["file"] if log.get("file") else None)
            for log in rows.get("log", ())
        ]
        yield _night(new, car, night, files, history)
    spoken = {log["file"] for rows in records for log in rows.get("log", ()) if log.get("file")}
    for folder in sorted((old / "logs").glob("car=*/date=*")):
        left = [
            p
            for p in sorted(folder.glob("*.parquet"))
            if p.relative_to(old / "logs").as_posix() not in spoken
        ]
        if left:
            from urllib.parse import unquote

            name, day = unquote(folder.parent.name[4:]), folder.name[5:]
            about = {"date": day, "setting": "", "verdict": "hold", "car": name, "added_at": None}
            yield _night(
                new,
                cars.get(name, Car(name=name)),
                about,
                [({"path": str(p)}, p) for p in left],
                history,
            )
    for rows in records:
        for note in rows.get("note", ()):
            try:
                new.journal.add(
                    note["car"],
                    note["text"],
                    date=note["date"],
                    affects=note["touches"] or ["none"],
                )
                yield f"note {note['date']} {note['car']}: {note['text']}"
            except PullauditError as error:
                yield f"note {note['date']} {note['car']}: not brought over: {error}"


def _night(
    new: Archive,
    car: Car,
    about: dict[str, Any],
    files: list[tuple[dict[str, Any], Path | None]],
    history: History | None,
) -> str:
    import dataclasses

    from audit.archive.store.rescreen import hold_lost
    from audit.intake.parquet import read_log
    from audit.night.screen import assemble, audit_log

    audits, lost = [], []
    for row, path in files:
        try:
            if path is not None:
                audits.append(audit_log(read_log(path), car))
            elif row["status"] == "rejected":
                audits.append(
                    LogAudit(row["path"], row["log_id"], "rejected", error=row.get("error"))
                )
        except PullauditError as error:
            lost.append(f"{row['path']}: {error}")
            audits.append(
                LogAudit(
                    row["path"],
                    row.get("log_id") or row["path"],
                    "rejected",
                    error=f"{LOST}{error}",
                )
            )
    name = f"{about['date']}  {about['car']}"
    judged = dataclasses.replace(
        assemble(audits, car=car, setting=about["setting"] or ""),
        us_units=bool(about.get("us_units")),
    )
    if not any(a.status == "read" for a in audits):
        return f"{name}: no log of it can be read; it was {about['verdict']}. Screen its logs again: {'; '.join(lost)}"
    added = new.add(judged, date=about["date"], history=history, added_at=about["added_at"])
    if added.night_id is None:
        return f"{name}: there already"
    if lost and about["verdict"] == "stop" and added.night.verdict != "stop":
        hold_lost(new, added.night_id, ["it was judged stop with a log that is lost now."])
        with new.writing(about["car"]):
            reasons = new.nights(night=added.night_id)["reasons"][0].to_list()
            new.restate(added.night_id, "stop", reasons)
        return f"{name}: stop, as it was; a log of it is lost: {lost[0]}"
    return f"{name}: {about['verdict']} is now {added.night.verdict}"
