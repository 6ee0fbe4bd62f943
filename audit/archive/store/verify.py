"""Proof that an archive is whole: the database, its references, every revision's hash, every kept log."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from audit.archive.store import schema
from audit.archive.store.database import shown
from audit.archive.store.rescreen import CHANGED, LOST, hold_lost
from audit.archive.store.store import Archive
from audit.errors import ArchiveError

if TYPE_CHECKING:
    from collections.abc import Iterator

BACKUP = "Put back the last backup (docs/archive.md, Backup and restore)"


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong. kind: 'database', 'schema', 'revision', 'night', 'log' or 'spare'; path: where; what: with its mend.

    A spare file is no harm: a write that was cut off left it, and the same log uses it again.
    """

    kind: str
    path: str
    what: str


def verify(path: str | Path, *, repair: bool = False) -> list[Problem]:
    """All that is wrong with an archive; [] when it is whole.

    repair: a night whose kept log is lost, or whose rows were changed, is held, with all that was found in it. What is
    not there cannot be made. Raises ArchiveError when there is no archive or it is of a newer version.
    """
    archive = Archive(path)
    if not archive.db.exists():
        archive.must_exist()
    try:
        found = [
            Problem("database", shown(archive.db.address), f"{text}. {BACKUP}.")
            for text in archive.db.broken()
        ]
        found += [] if found else _schema(archive)
    except ArchiveError as error:
        if "newer pullaudit" in str(error):
            raise
        return [Problem("database", shown(archive.db.address), str(error).split(": ", 1)[-1])]
    if found:
        return found
    archive.must_exist()
    why: dict[str, list[str]] = defaultdict(list)
    try:
        found = [*_revisions(archive, why), *_logs(archive, why)]
    except ArchiveError as error:
        return [Problem("database", shown(archive.db.address), str(error).split(": ", 1)[-1])]
    if repair:
        newest = "(select max(number) from revision r where r.night_id = night.night_id)"
        with archive.db.writing():
            archive.db.run(
                f"update night set latest = (select id from revision x where x.night_id = night.night_id and x.number = {newest}) "
                "where exists (select 1 from revision x where x.night_id = night.night_id)"
            )
        counts = set(archive.nights(columns=["night_id"])["night_id"])
        for name in sorted(set(why) & counts):
            hold_lost(archive, name, why[name])
    return found


def _schema(archive: Archive) -> Iterator[Problem]:
    where = shown(archive.db.address)
    version = schema.version_of(archive.db)
    if version is None:
        yield Problem("schema", where, f"it is no archive, or its tables are gone. {BACKUP}.")
        return
    for table, columns in schema.tables().items():
        there = archive.db.columns(table)
        for name, kind in columns.items():
            wanted = archive.db.type_of(kind).split()[0]
            if name not in there:
                yield Problem("schema", where, f"column {name} of {table} is missing. {BACKUP}.")
            elif there[name].split()[0] != wanted:
                yield Problem(
                    "schema",
                    where,
                    f"column {name} of {table} is {there[name]}, not {wanted}. {BACKUP}.",
                )
    for view in schema.VIEWS:
        if not archive.db.columns(view):
            yield Problem("schema", where, f"the view {view} is missing. {BACKUP}.")


def _revisions(archive: Archive, why: dict[str, list[str]]) -> Iterator[Problem]:
    """Numbers without a gap, the newest one counts, and every one's rows have its hash."""
    numbers: dict[str, list[tuple[int, int, str | None, str]]] = defaultdict(list)
    for name, number, rid, digest, verdict in archive.db.rows(
        "select night_id, number, id, sha256, verdict from revision order by night_id, number"
    ):
        numbers[name].append((number, rid, digest, verdict))
    for name, latest, date in archive.db.rows(
        "select night_id, latest, date from night order by date, night_id"
    ):
        found = numbers.pop(name, [])
        if [n for n, *_ in found] != list(range(len(found))) or not found:
            why[name].append(f"{CHANGED}verdicts of it are missing.")
            yield Problem("night", name, f"verdicts of it are missing ({date}). {BACKUP}.")
        if found and found[-1][1] != latest:
            yield Problem(
                "night", name, f"its newest verdict is not the one that counts ({date}). {BACKUP}."
            )
        for number, rid, digest, _ in found:
            if archive.hash_of(rid) != digest:
                text = f"the rows of its revision {number} are not those that were written ({date}). {BACKUP}, or `rescreen --all` judges its logs again."
                if rid == latest:
                    why[name].append(
                        f"{CHANGED}revision {number}'s are not those that were written."
                    )
                yield Problem("revision", name, text)
    for name in numbers:
        yield Problem("night", name, f"its row is missing. {BACKUP}.")
    lost = "select t.revision_id, count(*) from {0} t left join revision r on r.id = t.revision_id where r.id is null group by 1"
    for kind in ("log", "pull", "finding"):
        for rid, count in archive.db.rows(lost.format(kind)):
            yield Problem(
                "revision",
                f"revision {rid}",
                f"{count} {kind} rows belong to no verdict. {BACKUP}.",
            )
    for car in {row[0] for row in archive.db.rows("select car from note")} - {
        row[0] for row in archive.db.rows("select car from night")
    }:
        yield Problem("night", car, f"the journal speaks of a car that has no night. {BACKUP}.")


def _logs(archive: Archive, why: dict[str, list[str]]) -> Iterator[Problem]:
    """Every kept log is there with its bytes, readable, and in canonical columns."""
    from audit.intake.schema import faults_of
    from audit.model import Car
    from audit.sanity.examine import examine

    wanted: dict[str, list[tuple[str, str, str, int]]] = defaultdict(list)
    sql = "select l.file, l.file_sha256, l.path, n.night_id, n.latest = l.revision_id, l.log_id from log l join revision r on r.id = l.revision_id join night n on n.night_id = r.night_id where l.status = 'read' order by l.file"
    for file, digest, path, name, counts, log in archive.db.rows(sql):
        if not file or Path(file).stem != digest:
            yield Problem(
                "log",
                name,
                f"the name of the kept log of {path} is lost. {BACKUP}, or screen {path} again.",
            )
            why[name].append(f"{LOST}{path}.")
            continue
        wanted[file].append((path, name, log, counts))
    there = archive.kept.every()
    for file, users in wanted.items():
        text = ""
        try:
            log = archive.kept.read(file)
            wrong = faults_of(log, examine(log, Car()))
            text = f"{file}: {' '.join(wrong)}" if wrong else ""
        except ArchiveError as error:
            text = str(error)
        if not text and log.sha256 != users[0][2]:
            text = f"{file}: it is the log of another source. {BACKUP}."
        if text:
            yield Problem(
                "log",
                f"{archive.kept.address}/{file}",
                f"{text.rstrip('.')}; it holds {users[0][0]}. Until then `verify --repair` holds its night; `pullaudit withdraw {users[0][1]}` lets it go.",
            )
            for path, name, _, counts in users:
                if counts:
                    why[name].append(f"{LOST}{text.rstrip('.')}; it holds {path}.")
    for file in sorted(there - set(wanted)):
        yield Problem(
            "spare",
            f"{archive.kept.address}/{file}",
            "no night speaks of this file. It does no harm; the same log uses it again.",
        )
