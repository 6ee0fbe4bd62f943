"""Proof that an archive is whole: the database, its references, every revision, every kept log."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import chain, groupby
from pathlib import Path
from typing import Any

from audit.archive.store.rescreen import hold_lost
from audit.archive.store.rows import tables, words
from audit.archive.store.store import Archive
from audit.archive.store.tables import VERSION
from audit.database import shown
from audit.errors import ArchiveError
from audit.tables import toml_table

Why = defaultdict[str, list[str]]  # reasons to hold, by night


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
    archive, damages = Archive(path), toml_table("damages.toml")["damage"]
    db = archive.place if archive.place.exists() else archive.db
    where, why = shown(db.address), Why(list)
    try:
        for kind, found in (("database", db.broken()), ("schema", [*_schema(archive)])):
            if found:
                return [Problem(kind, where, f"{what}. {words('backup')}.") for what in found]
        told = [_rows(archive, row, why) for row in damages]
        problems = [*chain(*told, _revisions(archive, why), _logs(archive, why))]
    except ArchiveError as error:
        if "newer pullaudit" in str(error):
            raise
        return [Problem("database", where, str(error).split(": ", 1)[-1])]
    if repair:
        with archive.db.writing():
            for mend in [row["mend"] for row in damages if "mend" in row]:
                archive.db.rows(mend)
        for name in sorted(set(why) & set(archive.nights(columns=["night_id"])["night_id"])):
            hold_lost(archive, name, why[name])
    return problems


def _schema(archive: Archive) -> Iterator[str]:
    found, db = archive.facts(), archive.place
    if not found:
        yield words("no_tables")
    if found.get("schema_version") != str(VERSION):
        return  # an older one is brought up to date before it is looked at
    for table, columns in tables().items():
        there = db.columns(table)
        for name, kind in columns.items():
            wanted, has = db.types[kind].split()[0], there.get(name, "missing").split()[0]
            if has != wanted:
                yield words("column", name=name, table=table, has=has, wanted=wanted)
    for view in toml_table("views.toml"):
        if not db.columns(view):
            yield words("view", view=view)


def _rows(archive: Archive, damage: Mapping[str, Any], why: Why) -> Iterator[Problem]:
    """The tables agree, by a row of schemas/damages.toml."""
    parts = {name: words(name) for name in ("backup", "lost", "changed")}
    for of in damage.get("of", ("",)):
        for row in archive.db.rows(damage["sql"].format(of=of)):
            if "holds" in damage:
                why[row[0]].append(damage["holds"].format(*row, **parts))
            yield Problem(damage["kind"], row[0], damage["says"].format(*row, of=of, **parts))


def _revisions(archive: Archive, why: Why) -> Iterator[Problem]:
    """Every revision's rows have its hash."""
    of_each = "select distinct night_id, date, number, id, counts from kept order by 2, 1, 3"
    for name, date, number, rid, counts in archive.db.rows(of_each):
        if not archive.is_sound(name, archive.revision(name, id=rid)):
            if counts:
                why[name].append(words("revision_holds", number=number))
            yield Problem("revision", name, words("revision", number=number, date=date))


def _logs(archive: Archive, why: Why) -> Iterator[Problem]:
    """Every kept log is there with its bytes, readable, and in canonical columns."""
    where, spare = archive.kept.address, archive.kept.every()
    of_each = "select file, log_id, path, night_id, counts from kept where status = 'read'"
    rows = archive.db.dicts(f"{of_each} and file is not null order by file")
    for file, found in groupby(rows, key=lambda row: str(row["file"])):
        uses = list(found)
        spare.discard(file)
        if fault := _fault(archive, file, uses[0]["log_id"]).rstrip("."):
            yield Problem("log", f"{where}/{file}", words("log", fault=fault, **uses[0]))
            for use in [use for use in uses if use["counts"]]:
                why[use["night_id"]].append(words("log_holds", fault=fault, **use))
    for file in sorted(spare):
        yield Problem("spare", f"{where}/{file}", words("spare"))


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
        return words("log_other", where=file)
    return " ".join([f"{file}:", *found]) if (found := faults_of(log, examine(log, Car()))) else ""
