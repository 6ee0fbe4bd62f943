"""Proof that an archive is whole: every hash, every row's log, every record, every column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from audit.archive.store import tables
from audit.archive.store.migrate import FORMAT, read_format
from audit.archive.store.places import Places, sha256_of
from audit.archive.store.record import Record, read_record
from audit.errors import ArchiveError, UnreadableLog
from audit.model import Car

if TYPE_CHECKING:
    import polars as pl

Key = tuple[str, int]  # night_id, revision


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong. kind: 'format', 'record', 'log', 'orphan', 'tables'; path: where; repaired: whether
    it is mended now.
    """

    kind: str
    path: str
    what: str
    repaired: bool = False


@dataclass
class Survey:
    """What verify found. records: by (night_id, revision); in_tables: row counts a kind; broken, orphans: log files."""

    problems: list[Problem] = field(default_factory=list)
    records: dict[Key, Record] = field(default_factory=dict)
    pending: dict[Key, Record] = field(default_factory=dict)
    torn: list[Path] = field(default_factory=list)
    broken: set[str] = field(default_factory=set)
    orphans: list[str] = field(default_factory=list)
    lost_records: set[Key] = field(default_factory=set)

    def add(self, kind: str, path: object, what: str) -> None:
        self.problems.append(Problem(kind, str(path), what))


def verify(path: str | Path, *, repair: bool = False) -> list[Problem]:
    """All that is wrong with an archive; [] when it is whole.

    repair: set aside what is broken, rebuild records and tables from what is whole, screen logs that no record
    tells of anew; what could be mended is marked so. Raises ArchiveError when there is no archive, it is of a newer
    format, or the repair cannot write. A write that was cut off is no problem: the next one finishes it.
    """
    places = Places(Path(path))
    if not places.records.is_dir():
        raise ArchiveError(f"{places.root}: no archive there.")
    if repair:
        from audit.archive.store.repair import repair_archive

        return repair_archive(places)
    with _quiet(places):
        return survey(places).problems


@contextmanager
def _quiet(places: Places) -> Iterator[None]:
    """Hold the lock while looking, so that no writer is half way; on a read-only disk there is none to wait for."""
    from filelock import FileLock, Timeout

    from audit.archive.store.store import LOCK_WAIT_S

    lock = FileLock(places.lock)
    try:
        lock.acquire(timeout=LOCK_WAIT_S)
    except Timeout:
        raise ArchiveError(
            f"{places.root}: another program is writing to it. Verify again when it has ended."
        ) from None
    except OSError:
        yield
        return
    try:
        yield
    finally:
        lock.release()


def survey(places: Places) -> Survey:
    """Look at everything, change nothing."""
    seen = Survey()
    tables.forget(places)
    _format(places, seen)
    _records(places, seen)
    frames = _frames(places, seen)
    _logs(places, seen, set(frames["log"]["file"].drop_nulls()) if frames else set())
    if frames:
        _tables(places, seen, frames)
    return seen


def _format(places: Places, seen: Survey) -> None:
    try:
        found = read_format(places)
    except ArchiveError as error:
        if "newer" in str(error):
            raise
        seen.add("format", places.format_file, str(error))
        return
    if found is None:
        seen.add(
            "format", places.format_file, "the file with the archive's format number is missing"
        )
    elif found < FORMAT:
        seen.add("format", places.format_file, f"format {found}; a repair brings it to {FORMAT}")


def _records(places: Places, seen: Survey) -> None:
    for folder, into in ((places.records, seen.records), (places.pending, seen.pending)):
        for path in sorted(folder.rglob("*.json.gz")):
            try:
                record = read_record(path)
            except ArchiveError as error:
                seen.torn.append(path)
                seen.add("record", path, str(error).split(": ", 1)[-1])
                continue
            if folder == places.records and path != places.records / record.place:
                seen.add("record", path, f"lies at the wrong place; it belongs to {record.place}")
                seen.torn.append(path)
                continue
            into[key_of(record)] = record


def key_of(record: Record) -> Key:
    """(night_id, revision) of a record."""
    row = (record.rows.get("night") or record.rows["note"])[0]
    return row["night_id"], row["revision"]


def _logs(places: Places, seen: Survey, in_tables: set[str]) -> None:
    there = {
        path.relative_to(places.logs).as_posix()
        for path in places.logs.rglob("*")
        if path.is_file()
    }
    wanted = {
        row["file"]: row
        for r in seen.records.values()
        for row in r.rows.get("log", [])
        if row.get("file")
    }
    coming = {
        row["file"]
        for r in seen.pending.values()
        for row in r.rows.get("log", [])
        if row.get("file")
    }
    for file, row in sorted(wanted.items()):
        path = places.logs / file
        if file not in there:
            seen.broken.add(file)
            seen.add("log", path, f"is missing; it held {row['path']}")
        elif why := _unsound(path):
            seen.broken.add(file)
            seen.add("log", path, f"{why}; it held {row['path']}")
    for file in sorted((there & in_tables) - set(wanted)):  # its record is lost, its rows are not
        if why := _unsound(places.logs / file):
            seen.broken.add(file)
            seen.add("log", places.logs / file, why)
    for file in sorted(there - set(wanted) - coming - in_tables):
        seen.orphans.append(file)
        why = _unsound(places.logs / file)
        seen.add("orphan", places.logs / file, why or "no record tells of this log")
        if why:
            seen.broken.add(file)


def _unsound(path: Path) -> str | None:
    """Why a kept log cannot be believed, None for nothing."""
    import polars as pl

    from audit.intake.parquet import read_log
    from audit.intake.schema import faults_of
    from audit.sanity.examine import examine

    try:
        if sha256_of(path) != path.stem:
            return "its bytes do not match its hash"
        if path.suffix != ".parquet" or "time" not in pl.read_parquet_schema(path):
            return "it is no normalised log: there is no column 'time'"
        log = read_log(path)
    except (OSError, pl.exceptions.PolarsError) as error:
        return f"it cannot be read ({type(error).__name__})"
    except UnreadableLog as error:
        return str(error).split(": ", 1)[-1]
    wrong = faults_of(log, examine(log, Car()))
    return f"its columns are not as they should be: {' '.join(wrong)}" if wrong else None


def _frames(places: Places, seen: Survey) -> dict[str, pl.DataFrame] | None:
    try:
        return {kind: tables.scan(places, kind) for kind in tables.COLUMNS}
    except ArchiveError as error:
        seen.add("tables", places.tables, str(error).split(": ", 1)[-1])
        return None


def _tables(places: Places, seen: Survey, frames: dict[str, pl.DataFrame]) -> None:
    """Every record's rows are in the tables once, and nothing else is."""
    for kind, frame in frames.items():
        wrong = _columns(kind, frame)
        if wrong:
            seen.add("tables", places.tables, wrong)
    counted = {kind: _counts(frame) for kind, frame in frames.items()}
    in_tables = set(counted["night"]) | set(counted["note"])
    for key, record in seen.records.items():
        _compare(places, key, record, counted, seen)
    for key in sorted(in_tables - set(seen.records) - set(seen.pending)):
        seen.lost_records.add(key)
        seen.add("record", places.records, f"the record of {key[0]}, revision {key[1]}, is missing")
    known = set(seen.records) | set(seen.pending) | in_tables
    for kind, counts in counted.items():
        for key in sorted(set(counts) - known):
            seen.add(
                "tables", places.tables, f"{counts[key]} {kind} rows belong to no night ({key[0]})"
            )


def _columns(kind: str, frame: pl.DataFrame) -> str | None:
    import polars as pl

    for name, dtype in tables.COLUMNS[kind].items():
        if name not in frame.columns:
            return f"column {name} of the {kind} rows is missing"
        wanted = pl.List(pl.String) if dtype == tables.TEXTS else getattr(pl, dtype)
        if frame.schema[name] != wanted:
            return f"column {name} of the {kind} rows is {frame.schema[name]}, not {wanted}"
    return None


def _counts(frame: pl.DataFrame) -> Counter[Key]:
    found = frame.select("night_id", "revision").group_by("night_id", "revision").len()
    return Counter({(name, revision): n for name, revision, n in found.iter_rows()})


def _compare(
    places: Places, key: Key, record: Record, counted: dict[str, Counter[Key]], seen: Survey
) -> None:
    for kind in tables.COLUMNS:
        want, have = len(record.rows.get(kind, [])), counted[kind][key]
        if want != have:
            said = "nothing of it is" if have == 0 else f"{have} are"
            seen.add(
                "tables",
                places.tables,
                f"{key[0]}, revision {key[1]}: {want} {kind} rows are recorded, {said} in the tables",
            )
