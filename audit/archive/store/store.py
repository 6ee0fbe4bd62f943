"""The archive: what is kept, added under a lock, all or nothing.

How a night gets in, so that a kill at any moment leaves it in or out but never half:
1. its logs are written as Parquet into aside/ID/, flushed, named by their content hash;
2. its record (all its rows) is written, flushed and renamed into pending/: from here on the night is in;
3. the logs are renamed to logs/…; 4. the rows go into the tables in one Delta commit, flushed;
5. the record is renamed to records/….
The next writer finishes what stands in pending/ (steps 3 to 5 may be repeated) and clears aside/.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from audit.archive.store import tables
from audit.archive.store.migrate import FORMAT, read_format, write_format
from audit.archive.store.places import (
    Places,
    empty_folder,
    flush,
    move,
    need_room,
    partition,
    sha256_of,
    told,
    write_whole,
)
from audit.archive.store.record import Record, read_record, to_bytes
from audit.archive.store.rows import Row, car_from_json, log_id, night_id, rows_of
from audit.errors import ArchiveError, UnreadableLog, UsageError

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.journal import Journal
    from audit.model import Car, Log, LogAudit, Night

Cars = str | Collection[str] | None  # one car, several, or all

LOCK_WAIT_S = 300.0


@dataclass(frozen=True, slots=True)
class Added:
    """What an add did. night_id: None when every log was known. new_logs, known_logs: source hashes."""

    night_id: str | None
    new_logs: tuple[str, ...]
    known_logs: tuple[str, ...]


class Archive:
    """An archive in a folder. Reading a folder that holds none raises ArchiveError; the first add makes it."""

    def __init__(self, path: str | Path) -> None:
        self.places = Places(Path(path))

    # --- writing -----------------------------------------------------------------------------

    def add(self, night: Night, *, date: str | None = None, setting: str = "") -> Added:
        """Keep a night. Logs that this car has already are left out; with none left nothing is added.

        date: ISO day of the night; else the first log's wall clock, a day in its path, its file's date, or today.
        Raises ArchiveError when the disk or the archive is at fault (nothing or the whole night is kept),
        UsageError for a date that is none.
        """
        day = _day(date) if date else date_of(night)
        self._make()
        with self.writing():
            known = self.known(night.car.name)
            old = [a for a in night.logs if log_id(a) in known]
            # The first of a name counts: a second one is the same recording under another path, rejected as such.
            new = list(
                {log_id(a): a for a in reversed(night.logs) if log_id(a) not in known}.values()
            )[::-1]
            if not any(a.status == "read" for a in new):
                return Added(None, (), tuple(log_id(a) for a in old))
            name = night_id(night.car.name, day, (log_id(a) for a in new))
            common: Row = {"car": night.car.name, "date": day, "night_id": name, "revision": 0}
            setting = setting or night.setting
            files = self.write_logs(new, name, partition(night.car.name, day))
            rows = rows_of(night, new, common=common, files=files, setting=setting, added_at=now())
            self._commit(Record(f"{name}-r0", night.car.name, day, rows, FORMAT))
        return Added(name, tuple(log_id(a) for a in new), tuple(log_id(a) for a in old))

    def put(self, record: Record) -> None:
        """Keep a record that brings no new logs (a note, a new verdict). The caller holds `writing()`."""
        self._commit(record)

    @contextmanager
    def writing(self) -> Iterator[None]:
        """Hold the archive's lock, after finishing what a killed writer left; compaction at the end."""
        from filelock import FileLock, Timeout

        with told(f"{self.places.root}: cannot write to the archive"):
            lock = FileLock(self.places.lock)
            try:
                lock.acquire(timeout=LOCK_WAIT_S)
            except Timeout:
                raise ArchiveError(
                    f"{self.places.root}: another program has been writing to it for {LOCK_WAIT_S:.0f} s. "
                    "Wait for it to end, or end it, and run again.",
                ) from None
        try:
            self.recover()
            yield
            tables.compact_if_due(self.places)
        finally:
            lock.release()

    def recover(self) -> int:
        """Finish every write that reached pending/, clear the rest; how many were finished. Needs the lock."""
        finished = 0
        with told(f"{self.places.root}: cannot finish an earlier write"):
            for path in sorted(self.places.pending.glob("*.json.gz")):
                try:
                    record = read_record(path)
                except ArchiveError:
                    move(path, self.places.set_aside / path.name)
                    continue
                self._finish(record, path, check=True)
                finished += 1
            empty_folder(self.places.aside)
        return finished

    def _make(self) -> None:
        read_format(self.places)  # refuses a newer one before anything is touched
        with told(f"{self.places.root}: cannot make an archive there"):
            need_room(self.places.root, 0)
            self.places.make()
            if not self.places.format_file.exists():
                write_format(self.places)

    def write_logs(
        self, logs: Sequence[LogAudit], name: str, folder: str
    ) -> dict[str, tuple[str, str]]:
        """Write logs aside for the record `name`; log id -> (file in the archive, its hash). Needs the lock."""
        from audit.intake.parquet import write_log
        from audit.intake.schema import faults_of

        aside = self.places.aside / name
        files = {}
        with told(f"{self.places.root}: cannot keep the logs"):
            need_room(
                self.places.root,
                sum(int(a.log.frame.estimated_size()) for a in logs if a.log is not None),
            )
            aside.mkdir(parents=True, exist_ok=True)
            for i, audit in enumerate(logs):
                if audit.log is None:
                    continue
                if audit.log.rows == 0:
                    raise ArchiveError(
                        f"{audit.path}: its samples were dropped before it came to the archive."
                    )
                if audit.sanity is not None and (wrong := faults_of(audit.log, audit.sanity)):
                    raise ArchiveError(
                        f"{audit.path}: not kept, its columns are not as they should be: "
                        f"{' '.join(wrong)} Report it: a log that was read should not come to this."
                    )
                part = aside / f"{i}.part"
                write_log(audit.log, part)
                flush(part)
                digest = sha256_of(part)
                part.replace(aside / f"{digest}.parquet")
                files[log_id(audit)] = (f"{folder}/{digest}.parquet", digest)
            flush(aside)
        return files

    def _commit(self, record: Record) -> None:
        pending = self.places.pending / f"{record.id}.json.gz"
        with told(f"{self.places.root}: cannot keep {record.id}"):
            write_whole(pending, to_bytes(record), aside=self.places.aside)
            self._finish(record, pending, check=False)

    def _finish(self, record: Record, pending: Path, *, check: bool) -> None:
        """Steps 3 to 5; each may have been done before."""
        aside = self.places.aside / record.id.removesuffix("-r0")
        for row in record.rows.get("log", []):
            if row.get("file") and (source := aside / Path(row["file"]).name).exists():
                move(source, self.places.logs / row["file"])
        if not (check and self._in_tables(record)):
            tables.append(self.places, record.rows)
        move(pending, self.places.records / record.place)
        if aside.is_dir():
            empty_folder(aside)
            aside.rmdir()

    def _in_tables(self, record: Record) -> bool:
        kind = "night" if "night" in record.rows else "note"
        key = record.rows[kind][0]
        found = tables.scan(self.places, kind, car=record.car, columns=["night_id", "revision"])
        return (key["night_id"], key["revision"]) in set(found.iter_rows())

    def known(self, car: str) -> set[str]:
        """The ids of the car's logs that are kept; one that could not be read once may be by a later version."""
        found = tables.scan(self.places, "log", car=car, columns=["log_id", "file"])
        return set(found.filter(found["file"].is_not_null())["log_id"])

    # --- reading -----------------------------------------------------------------------------

    def nights(
        self, car: Cars = None, *, columns: Sequence[str] | None = None, every: bool = False
    ) -> pl.DataFrame:
        """Nights by date: the newest verdict of each, or `every` one. Columns: see docs/archive.md."""
        self._must_exist()
        if columns is not None:
            columns = list(dict.fromkeys([*columns, "night_id", "revision", "date"]))
        found = tables.scan(self.places, "night", car=car, columns=columns)
        return (found if every else _newest(found)).sort("date", "night_id", "revision")

    def logs(self, car: Cars = None, *, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Logs as last screened, one row each, with noise_CHANNEL and the whole log's measures."""
        return self._current("log", car, columns)

    def pulls(self, car: Cars = None, *, columns: Sequence[str] | None = None) -> pl.DataFrame:
        """Pulls as last screened, one row each, a column a measure."""
        return self._current("pull", car, columns)

    def findings(self, car: str | None = None) -> pl.DataFrame:
        """Findings as last screened, one row each; level is 'night', 'log' or 'pull'."""
        return self._current("finding", car, None)

    def notes(self, car: Cars = None) -> pl.DataFrame:
        """The journal's notes by date."""
        self._must_exist()
        return tables.scan(self.places, "note", car=car).sort("date", "added_at")

    def cars(self) -> list[str]:
        """The names of all cars."""
        self._must_exist()
        return sorted(tables.scan(self.places, "night", columns=["car"])["car"].unique())

    def car(self, name: str) -> Car:
        """The car as its last night's car file had it. Raises UsageError for a car that is not there."""
        found = self.nights(name, columns=["car_file", "added_at"])
        if found.is_empty():
            from audit.errors import did_you_mean

            raise UsageError(
                f"{self.places.root}: no car {name!r} in this archive. {did_you_mean(name, self.cars())}"
            )
        return car_from_json(found.sort("date", "added_at")["car_file"][-1])

    def read_log(self, file: str) -> Log:
        """A kept log by the `file` of its row. Raises ArchiveError when it is not there or torn."""
        from audit.intake.parquet import read_log

        path = self.places.logs / file
        try:
            return read_log(path)
        except UnreadableLog as error:
            raise ArchiveError(f"{error} `pullaudit verify --repair` sets it aside.") from error

    @property
    def journal(self) -> Journal:
        """The notes on the cars: what was fitted or changed, and when."""
        from audit.archive.store.journal import Journal

        return Journal(self)

    def _must_exist(self) -> None:
        if read_format(self.places) is None:
            raise ArchiveError(
                f"{self.places.root}: no archive there. `pullaudit screen … --archive {self.places.root}` makes one.",
            )

    def _current(self, kind: str, car: Cars, columns: Sequence[str] | None) -> pl.DataFrame:
        self._must_exist()
        if columns is not None:
            columns = list(dict.fromkeys([*columns, "night_id", "revision"]))
        found = tables.scan(self.places, kind, car=car, columns=columns)
        nights = tables.scan(self.places, "night", car=car, columns=["night_id", "revision"])
        if nights.is_empty() or nights["revision"].max() == 0:
            return found
        return found.join(_newest(nights), on=["night_id", "revision"], how="semi")


def _newest(found: pl.DataFrame) -> pl.DataFrame:
    import polars as pl

    return found.filter(pl.col("revision") == pl.col("revision").max().over("night_id"))


def now() -> str:
    """The present moment, ISO, UTC."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def _day(text: str) -> str:
    try:
        return dt.date.fromisoformat(text[:10]).isoformat()
    except ValueError:
        raise UsageError(f"date {text!r}: not a day. Write it as 2026-05-31.") from None


DAY_IN_PATH = re.compile(r"(?<!\d)(\d{4}-\d{2}-\d{2})(?!\d)")


def date_of(night: Night) -> str:
    """ISO day of a night: the earliest wall clock of its logs, else a day in their path, their files' date, today."""
    starts = [a.log.wall_start for a in night.logs if a.log is not None and a.log.wall_start]
    days = [day for text in starts if (day := _try_day(text))]
    paths = [Path(a.path) for a in night.logs if a.status == "read"]
    if not days:
        named = [found[-1] for p in paths if (found := DAY_IN_PATH.findall(str(p)))]
        days = [day for text in named if (day := _try_day(text))]
    if not days:
        times = [path.stat().st_mtime for path in paths if path.is_file()]
        days = [dt.datetime.fromtimestamp(t).astimezone().date().isoformat() for t in times]
    return min(days) if days else dt.datetime.now().astimezone().date().isoformat()


def _try_day(text: str) -> str | None:
    try:
        return _day(text)
    except UsageError:
        return None


__all__ = ["Added", "Archive", "date_of", "now"]
