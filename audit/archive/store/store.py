"""The archive: nights with every verdict on them, kept whole or not at all.

A night gets in as its logs, written and flushed under the hash of their bytes, and then one transaction with all
its rows. Killed before the commit, nothing is in but files that the next screening of the same logs uses again.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.archive.store import schema
from audit.archive.store.database import Database, is_server, plain, shown
from audit.archive.store.days import date_of, day_of, now
from audit.archive.store.journal import Journal
from audit.archive.store.kept import Kept
from audit.archive.store.places import need_room
from audit.archive.store.rows import (
    NOISE,
    Files,
    Row,
    car_from_json,
    finding_rows,
    loaded,
    log_id,
    night_id,
    rows_of,
    said_of,
)
from audit.errors import ArchiveError, UsageError
from audit.model import VERDICTS, Finding, LogAudit, Night

if TYPE_CHECKING:
    import polars as pl

    from audit.model import Car, Log

MOST_TOGETHER = 60  # logs of one kept night; further ones begin a night of their own
Cars = str | Collection[str] | None  # one car, several, or all
History = Callable[["Archive", str, str], tuple[Finding, ...]]  # (archive, car, day)
PARTS = ("log", "pull", "finding")
NAMED = ("night_id", "revision", "date")  # columns that every answer has


@dataclass(frozen=True, slots=True)
class Added:
    """What an add did. night_id: of the night that is new or has a new revision, None for none. night: with what
    the car's history adds. said: sentences for the person.
    """

    night_id: str | None
    new_logs: tuple[str, ...]
    known_logs: tuple[str, ...]
    night: Night = dataclasses.field(repr=False)
    said: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Part:
    """A kept night that counts, as last judged, with its logs by their id."""

    night: Row
    logs: Mapping[str, Row]

    @property
    def ids(self) -> set[str]:
        return {i for i, row in self.logs.items() if row["status"] != "not_a_log"}


class Archive:
    """An archive in a folder, or on a server by its address. Reading where there is none raises ArchiveError; the
    first add makes it. logs: where a new archive keeps its logs, else the folder's own.
    """

    def __init__(self, path: str | Path, *, logs: str | None = None) -> None:
        self.server = is_server(path)
        self.root = str(path)
        self.db = Database(path if self.server else Path(path) / "archive.db")
        self._logs = logs
        self._kept: Kept | None = None
        self._checked = False

    # --- writing -----------------------------------------------------------------------------

    def add(
        self,
        night: Night,
        *,
        date: str | None = None,
        setting: str = "",
        instead_of: Collection[str] = (),
        history: History | None = None,
        added_at: str | None = None,
    ) -> Added:
        """Keep a night as judged with all its logs, those that are kept already among them.

        A kept night all of whose logs are in it gets a new revision, with the new logs; one that is in it in part
        only ever gets a worse verdict. Logs that no kept night has make a new one. With no log read, the kept nights of
        the day get the verdict where it is worse.

        date: ISO day, else as date_of. instead_of: ids of logs that could not be read and have been replaced since.
        history: what the nights before say, asked inside the transaction. Raises ArchiveError when it cannot be
        written (nothing or the whole night is kept), UsageError for a date that is none.
        """
        day = day_of(date) if date else date_of(night)
        audits = list({log_id(a): a for a in reversed(night.logs)}.values())[::-1]
        ids = {log_id(a) for a in audits if not a.not_a_log} | set(instead_of)
        self.make(audits)
        self.make_columns(audits)
        car = night.car.name
        files = self._write_logs(audits, self._files(car, ids))
        with self.writing(car):
            alone = not any(a.status == "read" for a in audits)
            parts = self._parts(car, ids, day=day if alone else None)
            away = self._withdrawn(car, ids - {i for p in parts for i in p.logs}, date)
            home = next(
                (p for p in parts if p.ids <= ids and len(ids | p.ids) <= MOST_TOGETHER), None
            )
            others = {i for p in parts if p is not home for i in p.logs} | set(away)
            mine = [a for a in audits if log_id(a) not in others and log_id(a) not in instead_of]
            new = [a for a in mine if _is_new(a, home, files)]
            found = None
            if home is not None or any(a.status == "read" for a in new):
                found = self._enter(
                    home, night, mine, new, files, day, setting, instead_of, history, added_at
                )
            final = found[1] if found else _with(night, history(self, car, day) if history else ())
            for part in parts:
                if part is not home and _worse(final, part.night["verdict"]):
                    self.restate(
                        part.night["night_id"],
                        final.verdict,
                        final.reasons,
                        torn=_torn(night, part),
                    )
        known = tuple(log_id(a) for a in audits if a.status == "read" and a not in new)
        said = (
            *_known_since(audits, parts, date, self.root, any(a.status == "read" for a in new)),
            *away.values(),
        )
        entered = found[0] if found else None
        return Added(
            entered,
            tuple(log_id(a) for a in new) if entered else (),
            known,
            final,
            tuple(dict.fromkeys(said)),
        )

    def _enter(
        self,
        home: _Part | None,
        night: Night,
        mine: Sequence[LogAudit],
        new: Sequence[LogAudit],
        files: Files,
        day: str,
        setting: str,
        instead_of: Collection[str],
        history: History | None,
        added_at: str | None,
    ) -> tuple[str | None, Night]:
        """(night that was entered or None where it would say the same, night with its history)."""
        car = night.car.name
        if home is not None and not new and not home.ids & set(instead_of):
            final = _with(night, history(self, car, home.night["date"]) if history else ())
            if (final.verdict, list(final.reasons)) == (
                home.night["verdict"],
                home.night["reasons"],
            ):
                return None, final
        name = home.night["night_id"] if home else night_id(car, day, map(log_id, new))
        if home is None:
            row = {"night_id": name, "car": car, "date": day, "setting": setting or night.setting}
            row |= {"added_at": added_at or now(), "latest": 0}
            schema.insert(self.db, "night", [row])
        before = home.logs if home else {}
        kept = {i: (r["file"], r["file_sha256"]) for i, r in before.items() if r["file"]}
        rows = rows_of(night, mine, kept | dict(files))
        old = {i for i in before if not any(log_id(a) == i for a in new)}
        rows["log"] = [
            _as_before(r, before[r["log_id"]]) if r["log_id"] in old else r for r in rows["log"]
        ]
        rows["pull"] = [
            r | _air(before[r["log_id"]]) if r["log_id"] in old else r for r in rows["pull"]
        ]
        revision = self.put(name, rows)
        found = history(self, car, home.night["date"] if home else day) if history else ()
        final = _with(night, found)
        if found:
            self._say(revision, said_of(final), finding_rows(found, "history"))
        self.seal(revision)
        return name, final

    def put(self, name: str, rows: Mapping[str, Sequence[Row]]) -> int:
        """A further revision of a night from its rows, inside `writing`; its id. To be sealed."""
        last = self.db.rows("select max(number) from revision where night_id = ?", name)[0][0]
        row = {"night_id": name, "number": 0 if last is None else last + 1, "judged_at": now()}
        row = _as_kept("revision", {**rows["revision"][0], **row})
        names = list(row)
        revision = self.db.run(
            f"insert into revision ({', '.join(names)}) values ({', '.join('?' * len(names))}) returning id",
            *row.values(),
        )[0][0]
        for kind in PARTS:
            self._insert(kind, revision, rows.get(kind, ()), 1)
        self.db.run("update night set latest = ? where night_id = ?", revision, name)
        return int(revision)

    def make_columns(self, audits: Sequence[LogAudit]) -> None:
        """Make the columns for measures and channels that are new; before `writing`."""
        sane = [a.sanity for a in audits if a.sanity is not None]
        noises = {NOISE + name: "real" for sanity in sane for name in sanity.noise}
        measures = {name: "real" for a in audits for p in a.pulls for name in p.measures}
        schema.add_columns(self.db, "log", noises)
        schema.add_columns(self.db, "pull", measures)

    def _insert(self, kind: str, revision: int, rows: Iterable[Row], first: int) -> None:
        made = [
            _as_kept(kind, row) | {"revision_id": revision, "place": place}
            for place, row in enumerate(rows, first)
        ]
        schema.insert(self.db, kind, made)

    def _say(self, revision: int, said: Row, findings: Iterable[Row]) -> None:
        said = _as_kept("revision", said)
        listed = ", ".join(f"{name} = ?" for name in said)
        self.db.run(f"update revision set {listed} where id = ?", *said.values(), revision)
        last = self.db.rows("select max(place) from finding where revision_id = ?", revision)[0][0]
        self._insert("finding", revision, findings, (last or 0) + 1)

    def restate(
        self, name: str, verdict: str, reasons: Sequence[str], *, torn: Sequence[LogAudit] = ()
    ) -> None:
        """A revision of a kept night with another verdict, all else as it was, inside `writing`. torn: logs of it
        that could not be read.
        """
        rows = self.revision_rows(self.latest(name))
        rows["revision"][0] |= {"verdict": verdict, "reasons": list(reasons)}
        if torn:
            bare = Night(
                car_from_json(rows["revision"][0]["car_file"]), tuple(torn), verdict, (), {}
            )
            rows["log"] += rows_of(bare, torn, {})["log"]
        self.seal(self.put(name, rows))

    def latest(self, name: str) -> int:
        """The id of a night's newest revision."""
        return int(self.db.rows("select latest from night where night_id = ?", name)[0][0])

    def revision_rows(self, revision: int) -> dict[str, list[Row]]:
        """All rows of one revision as they are kept, without what is null and without their keys."""
        out = {}
        for kind in ("revision", *PARTS):
            key, order = ("id", "id") if kind == "revision" else ("revision_id", "place")
            names, rows = self.db.answer(
                f"select * from {kind} where {key} = ? order by {order}", revision
            )
            found = [dict(zip(names, row, strict=True)) for row in rows]
            out[kind] = [
                {
                    n: v
                    for n, v in row.items()
                    if v is not None and n not in ("id", "revision_id", "place")
                }
                for row in found
            ]
        return out

    def seal(self, revision: int) -> None:
        """Write the revision's own hash, inside `writing`."""
        self.db.run("update revision set sha256 = ? where id = ?", self.hash_of(revision), revision)

    def hash_of(self, revision: int) -> str:
        """SHA-256 over a revision's rows and its night's car, day and setting."""
        rows = self.revision_rows(revision)
        rows["revision"][0].pop("sha256", None)
        night = self.db.rows(
            "select night_id, car, date, setting from night where night_id = ?",
            rows["revision"][0]["night_id"],
        )
        text = json.dumps([night, rows], sort_keys=True, ensure_ascii=False, default=list)
        return hashlib.sha256(text.encode()).hexdigest()

    @contextmanager
    def writing(self, car: str) -> Iterator[None]:
        """One transaction on one car's rows; its standing is to be worked out anew. Raises ArchiveError."""
        with self.db.writing(car):
            self.db.run("delete from standing where car = ?", car)
            yield
            self.db.run(
                "update about set value = cast(cast(value as integer) + 1 as text) where key = 'changes'"
            )
            same_day = "from nights where nights.car = standing.car"
            self.db.run(
                f"update standing set nights = (select count(distinct date) {same_day}), last = (select max(date) {same_day}), "
                f"verdict = (select verdict {same_day} order by date desc, added_at desc limit 1) where car = ?",
                car,
            )

    def withdraw(self, name: str, *, undo: bool = False) -> Row:
        """Take a night out of what the car is judged by, or put it back; its row. Raises UsageError."""
        self.must_exist()
        columns = ["night_id", "car", "date", "withdrawn_at"]
        found = self.db.rows(f"select {', '.join(columns)} from night where night_id = ?", name)
        if not found:
            raise UsageError(
                f'{name}: no such night in {shown(self.root)}. `trends --sql "select night_id, car, date from nights"` names them.'
            )
        row = dict(zip(columns, found[0], strict=True))
        if bool(row["withdrawn_at"]) != undo:
            state = "is not withdrawn" if undo else f"was withdrawn on {row['withdrawn_at']}"
            raise UsageError(f"{name} {state}.")
        with self.writing(row["car"]):
            ids = [
                r[0]
                for r in self.db.rows(
                    "select log_id from log where revision_id = ? and status = 'read'",
                    self.latest(name),
                )
            ]
            twice = self._parts(row["car"], ids) if undo else []
            if twice:
                raise UsageError(
                    f"{name}: its logs stand in {twice[0].night['night_id']} now. Withdraw that first."
                )
            self.db.run(
                "update night set withdrawn_at = ? where night_id = ?",
                None if undo else now(),
                name,
            )
        return row

    def make(self, audits: Sequence[LogAudit] = ()) -> None:
        """Make the archive where there is none, with room for these logs. Raises ArchiveError."""
        if self._checked:
            return
        if self.server and self._logs is None and schema.version_of(self.db) is None:
            raise ArchiveError(
                f"{shown(self.root)}: say where its logs are to be kept: --logs FOLDER or an address such as s3://bucket/logs."
            )
        if not self.server:
            self._not_of_old()
            size = sum(int(a.log.frame.estimated_size()) for a in audits if a.log is not None)
            need_room(Path(self.root), size)
            if not self.db.exists():
                from audit.archive.store.places import told

                with told(f"{self.root}: cannot make an archive there"):
                    Path(self.root).mkdir(parents=True, exist_ok=True)
        facts = {
            "logs": str(Path(self._logs).absolute())
            if self._logs and "://" not in self._logs
            else self._logs or "logs"
        }
        if schema.version_of(self.db) != schema.VERSION:
            schema.make(self.db, facts)
        self._checked = True

    def _not_of_old(self) -> None:
        if (Path(self.root) / "archive.json").exists():
            raise ArchiveError(
                f"{self.root}: an archive of an earlier format. `pullaudit adopt {self.root} --archive NEW` brings it over."
            )

    def _write_logs(self, audits: Sequence[LogAudit], known: Files) -> dict[str, tuple[str, str]]:
        """Write the logs that are not kept, or whose file is gone or damaged; log id -> (file, SHA-256)."""
        files = {}
        for audit in audits:
            if audit.status != "read" or audit.log is None:
                continue
            there = known.get(log_id(audit))
            if audit.log.rows == 0:
                if there is None:
                    raise ArchiveError(
                        f"{audit.path}: its samples were dropped before it came to the archive."
                    )
            elif there is None or not self.kept.sound(there[0]):
                files[log_id(audit)] = self.kept.write(audit.log)
        return files

    # --- what is kept already ----------------------------------------------------------------------

    def _files(self, car: str, ids: Collection[str]) -> dict[str, tuple[str, str]]:
        """Log id -> (file, SHA-256) of the car's logs that are kept, in a withdrawn night too."""
        return {
            i: (f, h)
            for i, f, h in self._of_logs(
                "l.log_id, l.file, l.file_sha256", car, ids, "l.file is not null"
            )
        }

    def _of_logs(
        self, columns: str, car: str, ids: Collection[str], where: str
    ) -> Iterator[tuple[Any, ...]]:
        listed = [plain(i) for i in ids]
        for start in range(0, len(listed), 500):
            some = listed[start : start + 500]
            yield from self.db.rows(
                f"select {columns} from log l join night n on n.latest = l.revision_id where l.log_id in "
                f"({', '.join('?' * len(some))}) and n.car = ? and {where}",
                *some,
                car,
            )

    def _parts(self, car: str, ids: Collection[str], *, day: str | None = None) -> list[_Part]:
        """The kept nights that have any of these logs or are of a day, the earliest first."""
        names = {row[0] for row in self._of_logs("n.night_id", car, ids, "n.withdrawn_at is null")}
        if day is not None:
            names |= {
                r[0]
                for r in self.db.rows(
                    "select night_id from nights where car = ? and date = ?", car, day
                )
            }
        parts = []
        for name in names:
            night = self._dicts(
                "nights", "night_id, date, added_at, setting, verdict, reasons", name
            )[0]
            night["reasons"] = loaded(night["reasons"] or "[]")
            logs = self._dicts("logs", "*", name)
            parts.append(_Part(night, {row["log_id"]: row for row in logs}))
        return sorted(
            parts, key=lambda p: (p.night["date"], p.night["added_at"], p.night["night_id"])
        )

    def _dicts(self, view: str, columns: str, name: str) -> list[Row]:
        names, rows = self.db.answer(f"select {columns} from {view} where night_id = ?", name)
        return [dict(zip(names, row, strict=True)) for row in rows]

    def _withdrawn(self, car: str, ids: Collection[str], date: str | None) -> dict[str, str]:
        """Log id -> what is said of a log that only a withdrawn night has; with another date it counts as new."""
        found = self._of_logs(
            "l.log_id, n.night_id, n.date, n.withdrawn_at", car, ids, "n.withdrawn_at is not null"
        )
        return {
            i: f"{name} was withdrawn on {at[:10]}, so it is not kept again. `pullaudit withdraw {name} --undo --archive {shown(self.root)}` puts it back; another --date makes a new night."
            for i, name, day, at in found
            if date is None or date == day
        }

    # --- reading -----------------------------------------------------------------------------

    @property
    def kept(self) -> Kept:
        """The kept logs."""
        if self._kept is None:
            found = dict(self.db.rows("select key, value from about")).get("logs", "logs")
            inside = found == "logs" and not self.server
            self._kept = Kept(str(Path(self.root) / "logs") if inside else found)
        return self._kept

    def exists(self) -> bool:
        """Is there an archive? Raises ArchiveError where it cannot be understood."""
        return schema.version_of(self.db) is not None

    def must_exist(self) -> None:
        """Raises ArchiveError where there is no archive."""
        if self._checked:
            return
        if not self.server:
            self._not_of_old()
        if not self.exists():
            where = shown(self.root)
            raise ArchiveError(
                f"{where}: no archive there. `pullaudit screen … --archive {where}` makes one."
            )
        if schema.version_of(self.db) != schema.VERSION:
            schema.make(self.db, {})
        self._checked = True

    def changes(self) -> str:
        """A word that is another after every write, "" for no archive."""
        if not self._checked and not self.exists():
            return ""
        return str(self.db.rows("select value from about where key = 'changes'")[0][0])

    def nights(
        self,
        car: Cars = None,
        *,
        columns: Sequence[str] | None = None,
        every: bool = False,
        night: str | None = None,
    ) -> pl.DataFrame:
        """Nights that count by date: the newest verdict of each, or `every` one. Columns: see docs/archive.md."""
        source = f"({schema.EVERY}) x" if every else "nights"
        return self._frame(source, "revision", car, columns, night).sort(
            "date", "night_id", "revision"
        )

    def logs(
        self, car: Cars = None, *, columns: Sequence[str] | None = None, night: str | None = None
    ) -> pl.DataFrame:
        """Logs as last screened, one row each, with noise_CHANNEL and the whole log's measures."""
        return self._frame("logs", "log", car, columns, night)

    def pulls(
        self, car: Cars = None, *, columns: Sequence[str] | None = None, night: str | None = None
    ) -> pl.DataFrame:
        """Pulls as last screened, one row each, a column a measure."""
        return self._frame("pulls", "pull", car, columns, night)

    def findings(self, car: Cars = None, *, night: str | None = None) -> pl.DataFrame:
        """Findings as last screened, one row each; level is 'night', 'log', 'pull' or 'history'."""
        return self._frame("findings", "finding", car, None, night)

    def notes(self, car: Cars = None) -> pl.DataFrame:
        """The journal's notes by date."""
        return self._frame("notes", "note", car, None, None).sort("date", "added_at")

    def _frame(
        self, source: str, kind: str, car: Cars, columns: Sequence[str] | None, night: str | None
    ) -> pl.DataFrame:
        import polars as pl

        self.must_exist()
        where, values = [], []
        if car is not None:
            values = [car] if isinstance(car, str) else list(car)
            where = [f"car in ({', '.join('?' * len(values))})"] if values else ["1 = 0"]
        if night is not None:
            where, values = [*where, "night_id = ?"], [*values, night]
        if columns is None:
            listed = "*"
        else:
            there = {
                "car",
                "date",
                "night_id",
                "revision",
                "setting",
                "fuel",
                "added_at",
                *self.db.columns(kind),
            }
            listed = ", ".join(f'"{c}"' for c in dict.fromkeys([*columns, *NAMED]) if c in there)
        names, rows = self.db.answer(
            f"select {listed} from {source} {'where ' + ' and '.join(where) if where else ''}",
            *values,
        )
        kinds: dict[str, str] = {"revision": "integer"}
        for name in ("night", "revision", kind):
            kinds |= schema.tables()[name]
        cells = list(zip(*rows, strict=True)) if rows else [()] * len(names)
        found = zip(names, cells, strict=True)
        return pl.DataFrame([_column(n, kinds.get(n, "real"), c) for n, c in found])

    def cars(self) -> list[str]:
        """The names of all cars."""
        self.must_exist()
        return [
            row[0]
            for row in self.db.rows(
                "select distinct car from night where withdrawn_at is null order by car"
            )
        ]

    def car(self, name: str) -> Car:
        """The car as its last night's car file had it. Raises UsageError for a car that is not there."""
        self.must_exist()
        found = self.db.rows(
            "select car_file from nights where car = ? order by date desc, added_at desc limit 1",
            name,
        )
        if not found:
            from audit.errors import did_you_mean

            raise UsageError(
                f"{shown(self.root)}: no car {name!r} in this archive. {did_you_mean(name, self.cars())}"
            )
        return car_from_json(found[0][0])

    def read_log(self, file: str) -> Log:
        """A kept log by the `file` of its row. Raises ArchiveError when it is not there or damaged."""
        self.must_exist()
        return self.kept.read(file)

    @property
    def journal(self) -> Journal:
        """The notes on the cars: what was fitted or changed, and when."""
        return Journal(self)


def _column(name: str, kind: str, values: Sequence[Any]) -> pl.Series:
    import polars as pl

    if kind == "list":
        return pl.Series(name, [loaded(v or "[]") for v in values], dtype=pl.List(pl.String))
    return pl.Series(
        name,
        values,
        dtype={"text": pl.String, "real": pl.Float64}.get(kind, pl.Int64),
        strict=False,
    )


def _as_kept(kind: str, row: Row) -> Row:
    """A row's values as the database keeps them; what is None is left out."""
    kinds = schema.tables()[kind]
    return {n: plain(_value(kinds.get(n, "real"), v)) for n, v in row.items() if v is not None}


def _value(kind: str, value: Any) -> Any:
    if kind in ("real", "integer"):
        return float(value) if kind == "real" else int(value)
    return value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _is_new(audit: LogAudit, home: _Part | None, files: Files) -> bool:
    if home is None or log_id(audit) not in home.logs:
        return audit.status == "read" or not audit.not_a_log or home is None
    return audit.status == "read" and (
        log_id(audit) in files or not home.logs[log_id(audit)]["file"]
    )


def _worse(night: Night, than: str) -> bool:
    return VERDICTS.index(night.verdict) > VERDICTS.index(than)


def _with(night: Night, findings: Sequence[Finding]) -> Night:
    from audit.night.screen import with_findings

    return with_findings(night, findings) if findings else night


def _torn(night: Night, part: _Part) -> list[LogAudit]:
    return [
        a
        for a in night.logs
        if a.status != "read" and not a.not_a_log and log_id(a) not in part.logs
    ]


def _as_before(row: Row, before: Row) -> Row:
    """A log's row as it was kept: its samples may be gone now."""
    known = schema.tables()["log"]
    kept = {
        n: v for n, v in before.items() if v is not None and (n in known or n.startswith("noise_"))
    }
    return {n: v for n, v in kept.items() if n not in ("revision_id", "place")} | {
        "checks": row["checks"]
    }


def _air(before: Row) -> Row:
    return {name: before.get(name) for name in ("barometric_kpa", "ambient_c")}


def _known_since(
    audits: Sequence[LogAudit], parts: Sequence[_Part], date: str | None, root: str, any_new: bool
) -> Iterator[str]:
    """What the person is told of logs that are kept already."""
    ids = {log_id(a) for a in audits if a.status == "read"}
    for part in parts:
        both = [r["path"] for i, r in part.logs.items() if i in ids]
        name, day = part.night["night_id"], part.night["date"]
        if both and not any_new:
            yield f"kept already as {name}, known since {part.night['added_at'][:10]}."
        if both and date is not None and date != day:
            yield (
                f"{name} stands under {day}, and --date {date} was not applied to it. If {date} is right: "
                f"`pullaudit withdraw {name} --archive {shown(root)}`, then screen again."
            )
