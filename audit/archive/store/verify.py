"""Proof that an archive is whole: the database, its references, every revision, every kept log."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from audit.archive.store import schema
from audit.archive.store.rescreen import CHANGED, LOST, hold_lost
from audit.archive.store.store import Archive
from audit.database import Database, shown
from audit.errors import ArchiveError
from audit.tables import toml_table

BACKUP = "Put back the last backup (docs/archive.md, Backup and restore)"
AGAIN = f"{BACKUP}, or `rescreen --all` judges its logs again"
Why = defaultdict[str, list[str]]  # reasons to hold, by night
NEWEST_COUNTS = (
    "update night as n set latest = coalesce((select id from revision r "
    "where r.night_id = n.night_id order by number desc limit 1), latest)"
)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong.

    kind: 'database', 'schema', 'revision', 'night', 'log' or 'spare'; path: where; what: with its
    mend. A spare file is no harm: a write that was cut off left it, and the same log uses it again.
    """

    kind: str
    path: str
    what: str


def verify(path: str | Path, *, repair: bool = False) -> list[Problem]:
    """All that is wrong with an archive; [] when it is whole.

    repair: a night whose kept log is lost, or whose rows were changed, is held, with all that was
    found in it. What is not there cannot be made. Raises ArchiveError when there is no archive or
    it is of a newer version.
    """
    archive = Archive(path)
    db = archive.place if archive.place.exists() else archive.db
    where, why = shown(db.address), Why(list)
    try:
        found = [Problem("database", where, f"{text}. {BACKUP}.") for text in db.broken()]
        found = found or [Problem("schema", where, f"{t}. {BACKUP}.") for t in _schema(db)]
        if found:
            return found
        found = [*_rows(archive, why), *_logs(archive, why)]
    except ArchiveError as error:
        if "newer pullaudit" in str(error):
            raise
        return [Problem("database", where, str(error).split(": ", 1)[-1])]
    if repair:
        with archive.db.writing():
            archive.db.rows(NEWEST_COUNTS)
        for name in sorted(set(why) & set(archive.nights(columns=["night_id"])["night_id"])):
            hold_lost(archive, name, why[name])
    return found


def _schema(db: Database) -> Iterator[str]:
    found = schema.facts(db)
    if not found:
        yield "it is no archive, or its tables are gone"
    if found.get("schema_version") != str(schema.VERSION):
        return  # an older one is brought up to date before it is looked at
    for table, columns in schema.tables().items():
        there = db.columns(table)
        for name, kind in columns.items():
            wanted, has = db.types[kind].split()[0], there.get(name, "missing").split()[0]
            if has != wanted:
                yield f"column {name} of {table} is {has}, not {wanted}"
    for view in schema.views():
        if not db.columns(view):
            yield f"the view {view} is missing"


def _rows(archive: Archive, why: Why) -> Iterator[Problem]:
    """The tables agree, and every revision's rows have its hash."""
    for damage in toml_table("damages.toml")["damage"]:
        for table in damage.get("of", ("",)):
            for path, what in archive.db.rows(damage["sql"].format(of=table)):
                if "holds" in damage:
                    why[path].append(CHANGED + damage["holds"])
                yield Problem(damage["kind"], path, f"{what}. {BACKUP}.")
    of_each = "select distinct night_id, date, number, id, counts from kept"
    for name, date, number, rid, counts in archive.db.rows(f"{of_each} order by 2, 1, 3"):
        if not archive.is_sound(name, id=rid):
            text = f"revision {number} are not those that were written"
            if counts:
                why[name].append(f"{CHANGED}those of {text}.")
            yield Problem("revision", name, f"the rows of its {text} ({date}). {AGAIN}.")


def _logs(archive: Archive, why: Why) -> Iterator[Problem]:
    """Every kept log is there with its bytes, readable, and in canonical columns."""
    where = archive.kept.address
    seen: dict[str, str] = {}  # file -> what is wrong with it
    of_each = "select file, file_sha256, path, night_id, counts, log_id from kept"
    sql = f"{of_each} where status = 'read' order by file"
    for file, digest, path, name, counts, log in archive.db.rows(sql):
        if not file or Path(file).stem != digest:
            why[name].append(f"{LOST}{path}.")
            text = f"the name of the kept log of {path} is lost. {BACKUP}, or screen {path} again."
            yield Problem("log", name, text)
            continue
        if fresh := file not in seen:
            seen[file] = _fault(archive, file, log).rstrip(".")
        if seen[file] and fresh:
            mend = f"`verify --repair` holds its night; `pullaudit withdraw {name}` lets it go."
            text = f"{seen[file]}; it holds {path}. Until then {mend}"
            yield Problem("log", f"{where}/{file}", text)
        if seen[file] and counts:
            why[name].append(f"{LOST}{seen[file]}; it holds {path}.")
    for file in sorted(archive.kept.every() - set(seen)):
        text = "no night speaks of this file. It does no harm; the same log uses it again."
        yield Problem("spare", f"{where}/{file}", text)


def _fault(archive: Archive, file: str, log_id: str) -> str:
    """What is wrong with a kept log, "" for nothing."""
    from audit.intake.schema import faults_of
    from audit.model import Car
    from audit.sanity.examine import examine

    try:
        log = archive.kept.read(file)
    except ArchiveError as error:
        return str(error)
    if log.sha256 != log_id:
        return f"{file}: it is the log of another source. {BACKUP}."
    return " ".join([f"{file}:", *found]) if (found := faults_of(log, examine(log, Car()))) else ""
