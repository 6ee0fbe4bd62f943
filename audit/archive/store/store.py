"""The archive: nights with every verdict on them, kept whole or not at all.

A night gets in as its logs, written and flushed under the hash of their bytes, and then one
transaction with all its rows. Killed before the commit, nothing is in but files that the next
screening of the same logs uses again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from audit.archive.store.journal import Journal
from audit.archive.store.kept import Kept
from audit.archive.store.rows import (
    Row,
    Rows,
    digest,
    log_id,
    named,
    rows_of,
    same,
    say,
    words,
    worse,
)
from audit.archive.store.tables import Tables
from audit.errors import ArchiveError, UsageError
from audit.model import VERDICTS, LogAudit, Night
from audit.night.days import date_of, day_of, now
from audit.night.typed import typed_duty

MOST_TOGETHER = 60  # logs of one kept night; further ones begin a night of their own
A_CAR = 1 << 32  # ids of revisions that are a car's own

# (archive, night, day) to the night with what its history says, and its decision
History = Callable[["Archive", Night, str], Night]


@dataclass(frozen=True, slots=True)
class Added:
    """What an add did.

    night_id: of the night that is new or has a new revision, None for none. night: with what its
    history says. said: sentences for the person. misdated: kept nights of these logs that stand
    under another day than the one that was given.
    """

    night_id: str | None
    night: Night = field(repr=False)
    said: tuple[str, ...] = ()
    misdated: tuple[str, ...] = ()


class Archive(Tables):
    """Tables that a night is added to, judged anew in, and withdrawn from."""

    @property
    def journal(self) -> Journal:
        """The notes on the cars: what was fitted or changed, and when."""
        return Journal(self)

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

        A kept night all of whose logs are in it gets a new revision, with the new logs; one that is
        in it in part only ever gets a worse verdict. Logs that no kept night has make a new one.
        With no log read, the kept nights of the day get the verdict where it is worse.

        date: ISO day, else as date_of. instead_of: ids of logs that could not be read and have been
        replaced since. history: asked inside the transaction. Raises ArchiveError when it cannot be
        written (nothing or the whole night is kept), UsageError for a date that is none.
        """
        day = day_of(date) if date else date_of(night)
        audits = dict(reversed({log_id(a): a for a in reversed(night.logs)}.items()))
        for why in filter(None, map(refused, audits.values())):
            raise ArchiveError(why)
        car, gone = night.car.name, set(instead_of)
        read = {i for i, a in audits.items() if a.status == "read"}
        ids = {i for i, a in audits.items() if not a.not_a_log} | gone
        self.make(list(audits.values()))
        files = self._write_logs(audits, _by_id(self._near(car, ids)))
        rows = rows_of(night, audits.values(), files)
        self.add_columns(rows)
        with self.writing(car):
            near = self._near(car, ids, day="" if read else day)
            parts = [n for n in near if not n[0]["withdrawn_at"]]
            home = next((n for n in parts if _logs(n) <= ids and len(ids) <= MOST_TOGETHER), [])
            others = [n for n in parts if n is not home]
            known, own = _by_id(near), _by_id([home])
            away = {  # only a withdrawn night has them; with another date they count as new
                i: row
                for i, row in known.items()
                if i in ids and row["withdrawn_at"] and date in (None, row["date"])
            }
            mine = [i for i in audits if i not in {*_by_id(others), *gone, *away}]
            new = {i for i in mine if _adds(audits[i], own.get(i), written=i in files)}
            enters = bool(new or gone & _logs(home)) if home else bool(read & new)
            at = home[0] if home else {"car": car, "date": day}
            entered, final = None, night
            if history is not None and not enters:
                final = history(self, night, at["date"])
            if enters or (home and not same(at, final)):
                if not home:
                    text = "\n".join([car, day, *sorted(mine)])
                    at |= {"night_id": named("night", day, text), "latest": 0}
                    at |= {"setting": setting or night.setting, "added_at": added_at or now()}
                    self.db.put("night", [at])
                entered = at["night_id"]
                for row in rows["log"]:  # kept before: as it is kept
                    old = known.get(row["log_id"])
                    if old and old["file"] and row["log_id"] not in files:
                        row |= {n: old[n] for n in ("file", "file_sha256", "duty_typed_pct")}
                rows = {k: [r for r in rows[k] if r.get("log_id") in {None, *mine}] for k in rows}
                final = self.put(entered, rows, night, history) or night
            for n in others:
                if VERDICTS.index(n[0]["verdict"]) < VERDICTS.index(final.verdict):
                    torn = [a for i, a in audits.items() if i in ids - read - {*_by_id([n])}]
                    there = self.revision(name := n[0]["night_id"])
                    self.put(name, worse(there, final.verdict, final.reasons, torn))
        again = [n[0] for n in parts if read & {*_by_id([n])}]
        misdated = [row for row in again if date not in (None, row["date"])]
        withdrawn = {row["night_id"]: row for row in away.values()}.values()
        told = {"known": [] if read & new else again, "misdated": misdated, "away": withdrawn}
        said = [
            words(name, **row, asked=date, root=self.shown)
            for name, some in told.items()
            for row in some
        ]
        return Added(entered, final, tuple(said), tuple(row["night_id"] for row in misdated))

    def withdraw(self, name: str, *, undo: bool = False) -> Row:
        """Take a night out of what the car is judged by, or put it back; its row.

        Raises UsageError for a night that is not there, or is so already.
        """
        row = self.night(name)
        if bool(row["withdrawn_at"]) != undo:
            raise UsageError(words("not_withdrawn" if undo else "withdrawn", **row))
        with self.writing(row["car"]):
            ids = {r["log_id"] for r in self.revision(name)["log"] if r["status"] == "read"}
            for other, *_ in self._near(row["car"], ids) if undo else ():
                if not other["withdrawn_at"]:
                    raise UsageError(words("stands", night_id=name, other=other["night_id"]))
            at = None if undo else now()
            self.db.rows("update night set withdrawn_at = ? where night_id = ?", at, name)
        return row

    def put(
        self, name: str, rows: Rows, night: Night | None = None, history: History | None = None
    ) -> Night | None:
        """A further revision of a night from its rows, inside `writing`; it counts from now on.

        history: asked once the pulls are in; what it says joins the rows. Gives the night as it
        is said then.
        """
        at, (head,) = self.night(name), rows["revision"]
        sql = "select coalesce(max(number) + 1, 0) from revision where night_id = ?"
        head |= {"night_id": name, "number": self.db.rows(sql, name)[0][0], "judged_at": now()}
        head |= {"id": self.next_revision(at["car"]), "sha256": None}
        self.db.put("revision", [head])

        def enter(kind: str) -> None:
            placed = enumerate(rows[kind], 1)
            self.db.put(kind, [r | {"revision_id": head["id"], "place": i} for i, r in placed])

        enter("log")
        enter("pull")
        self.db.rows("update night set latest = ? where night_id = ?", head["id"], name)
        if night is not None and history is not None:
            known, night = len(night.findings), history(self, night, at["date"])
            say(rows, night, night.findings[known:])
        enter("finding")
        self.db.put("revision", [head | {"sha256": digest(at, rows)}], ["id"])
        return night

    def is_sound(self, name: str, rows: Rows) -> bool:
        """Are the rows of a night's revision those that were written?"""
        return [h["sha256"] for h in rows["revision"]] == [digest(self.night(name), rows)]

    def next_revision(self, car: str) -> int:
        """The id of a car's next revision. Rows lie by it, in a file those of a car together."""
        self.db.rows("insert into car (car) values (?) on conflict (car) do nothing", car)
        first = self.db.rows("select number from car where car = ?", car)[0][0] * A_CAR
        sql = "select coalesce(max(id), ?) + 1 from revision where id > ? and id < ?"
        return int(self.db.rows(sql, first, first, first + A_CAR)[0][0])

    def _near(self, car: str, ids: Collection[str], *, day: str = "") -> list[list[Row]]:
        """The car's nights that have any of these logs or are of a day, the earliest first,
        withdrawn ones too: a row each log, with its night's.
        """
        having = f"select revision_id from log where log_id in (null{', ?' * len(ids)})"
        sql = f"select * from kept where counts and car = ? and (date = ? or latest in ({having}))"
        rows = self.db.dicts(f"{sql} order by date, added_at, night_id", car, day, *ids)
        return [list(night) for _, night in groupby(rows, lambda row: row["night_id"])]

    def _write_logs(
        self, audits: Mapping[str, LogAudit], known: Mapping[str, Row]
    ) -> dict[str, str]:
        """Write the logs that are not kept as they are now; log id -> file."""
        files = {}
        for name, audit in audits.items():
            log, row = audit.log, known.get(name, {"file": None, "duty_typed_pct": None})
            if audit.status != "read":
                continue
            if audit.kept is not None:
                if row["file"] != audit.kept:
                    files[name] = audit.kept
            elif log is not None and log.rows:
                same = row["file"] and typed_duty(log) in (None, row["duty_typed_pct"])
                if not (same and self.kept.sound(row["file"])):
                    files[name] = self.kept.write(log)
            elif row["file"] is None:
                raise ArchiveError(words("dropped", path=audit.path))
        return files


def _by_id(nights: Iterable[Sequence[Row]]) -> dict[str, Row]:
    """The rows of their logs by id; a night that counts has the last word."""
    rows = [row for night in nights for row in night if row["log_id"]]
    return {r["log_id"]: r for r in sorted(rows, key=lambda r: not r["withdrawn_at"])}


def _logs(night: Sequence[Row]) -> set[str]:
    return {i for i, row in _by_id([night]).items() if row["status"] != "not_a_log"}


def _adds(audit: LogAudit, before: Row | None, *, written: bool) -> bool:
    """Does a log add anything to a night, of which it may be already?"""
    if before is None:
        return not audit.not_a_log
    return audit.status == "read" and (written or not before["file"])


def keep_where_read(audit: LogAudit, *, logs: str) -> LogAudit:
    """The audit cut down, its log kept by whoever has read it. Raises ArchiveError."""
    from audit.night.screen import slim

    if audit.status != "read" or audit.log is None:
        return audit
    if why := refused(audit):
        raise ArchiveError(why)
    return replace(slim(audit), kept=Kept(logs).write(audit.log))


def refused(audit: LogAudit) -> str:
    """Why a log may not be kept: its columns are not as the table of channels has them; "" else."""
    from audit.intake.schema import faults_at_door

    faults = faults_at_door(audit.log, audit.sanity) if audit.log and audit.sanity else []
    return words("misread", path=audit.path, faults=" ".join(faults)) if faults else ""
