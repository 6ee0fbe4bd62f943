"""The archive: nights with every verdict on them, kept whole or not at all.

A night gets in as its logs, written and flushed under the hash of their bytes, and then one
transaction with all its rows. Killed before the commit, nothing is in but files that the next
screening of the same logs uses again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import groupby

from audit.archive.store import schema
from audit.archive.store.journal import Journal
from audit.archive.store.kept import Kept
from audit.archive.store.rows import (
    NOISE,
    Row,
    Rows,
    car_from_json,
    digest_of,
    finding_rows,
    loaded,
    log_id,
    log_row,
    night_id,
    row_of,
    rows_of,
    said_of,
)
from audit.archive.store.tables import Tables
from audit.database import shown
from audit.errors import ArchiveError, UsageError
from audit.model import VERDICTS, LogAudit, Night
from audit.night.days import date_of, day_of, now
from audit.night.decision import decided, first_look
from audit.night.typed import typed_duty

MOST_TOGETHER = 60  # logs of one kept night; further ones begin a night of their own
A_CAR = 1 << 20  # ids of revisions that are a car's own, in a file

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


@dataclass(frozen=True)
class _Kept:
    """A kept night: its row with its newest verdict, the rows of its logs by id."""

    row: Row
    logs: Mapping[str, Row]

    @property
    def ids(self) -> set[str]:
        return {i for i, row in self.logs.items() if row["status"] != "not_a_log"}

    def says(self, night: Night) -> bool:
        """Was the same said, of the same car as far as it was known?"""
        said = self.row["verdict"], loaded(self.row["reasons"] or "[]")
        if (night.verdict, list(night.reasons)) != said:
            return False
        known = car_from_json(self.row["car_file"])
        return replace(known, path=night.car.path) == night.car

    def lacks(self, audit: LogAudit, *, written: bool) -> bool:
        """Does the log add anything to it?"""
        before = self.logs.get(log_id(audit))
        if before is None:
            return not audit.not_a_log
        return audit.status == "read" and (written or not before["file"])


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
        audits = list({log_id(a): a for a in reversed(night.logs)}.values())[::-1]
        _checked_at_the_door(audits)
        car, gone = night.car.name, set(instead_of)
        read = {log_id(a) for a in audits if a.status == "read"}
        ids = {log_id(a) for a in audits if not a.not_a_log} | gone
        self.make(audits)
        self.add_columns(audits)
        files = self._write_logs(audits, _by_id(self._near(car, ids)))
        with self.writing(car):
            near = self._near(car, ids, day="" if read else day)
            known = _by_id(near)
            parts = [k for k in near if not k.row["withdrawn_at"]]
            home = next((p for p in parts if p.ids <= ids and len(ids) <= MOST_TOGETHER), None)
            elsewhere = {i for p in parts if p is not home for i in p.logs}
            away = {  # only a withdrawn night has them; with another date they count as new
                i: row
                for i, row in known.items()
                if i in ids and row["withdrawn_at"] and date in (None, row["date"])
            }
            mine = [a for a in audits if log_id(a) not in {*elsewhere, *gone, *away}]
            new = [a for a in mine if not home or home.lacks(a, written=log_id(a) in files)]
            stays = home is not None and not new and not home.ids & gone
            enters = home is not None or any(a.status == "read" for a in new)
            at = home.row if home else {"car": car, "date": day}
            final = night
            if history is not None and (stays or not enters):
                final = history(self, night, at["date"])
            entered = None
            if enters and not (stays and home and home.says(final)):
                if home is None:
                    at["night_id"] = night_id(car, day, map(log_id, new))
                    at |= {"setting": setting or night.setting, "latest": 0}
                    self.db.put("night", [at | {"added_at": added_at or now()}])
                entered = at["night_id"]
                kept = {i: r for i, r in known.items() if r["file"] and i not in files}
                rows = rows_of(night, mine, {i: r["file"] for i, r in kept.items()} | files)
                for row in [r for r in rows["log"] if r["log_id"] in kept]:
                    row["duty_typed_pct"] = kept[row["log_id"]]["duty_typed_pct"]  # as it is kept
                final = self.put(entered, rows, night, history) or night
            for part in [p for p in parts if p is not home]:
                if VERDICTS.index(part.row["verdict"]) < VERDICTS.index(final.verdict):
                    torn = [a for a in audits if a.status != "read" and not a.not_a_log]
                    torn = [a for a in torn if log_id(a) not in part.logs]
                    self.restate(part.row["night_id"], final.verdict, final.reasons, torn)
        again = [p.row for p in parts if read & set(p.logs)]
        misdated = [row for row in again if date not in (None, row["date"])]
        since = [] if any(a.status == "read" for a in new) else again
        said = tuple(self._told(since, misdated, away, date))
        return Added(entered, final, said, tuple(row["night_id"] for row in misdated))

    def withdraw(self, name: str, *, undo: bool = False) -> Row:
        """Take a night out of what the car is judged by, or put it back; its row.

        Raises UsageError for a night that is not there, or is so already.
        """
        self.must_exist()
        row = self.night(name)
        if bool(row["withdrawn_at"]) != undo:
            state = "is not withdrawn" if undo else f"was withdrawn on {row['withdrawn_at']}"
            raise UsageError(f"{name} {state}.")
        with self.writing(row["car"]):
            ids = {r["log_id"] for r in self.revision(name)["log"] if r["status"] == "read"}
            for other in [k.row for k in self._near(row["car"], ids) if undo]:
                if not other["withdrawn_at"]:
                    where = f"its logs stand in {other['night_id']} now"
                    raise UsageError(f"{name}: {where}. Withdraw that first.")
            at = None if undo else now()
            self.db.rows("update night set withdrawn_at = ? where night_id = ?", at, name)
        return row

    # --- a revision written ----------------------------------------------------------------------

    def add_columns(self, audits: Sequence[LogAudit]) -> None:
        """Make the columns for measures and channels that are new; before `writing`."""
        noises = {NOISE + name for a in audits if a.sanity for name in a.sanity.noise}
        measures = {name for a in audits for p in a.pulls for name in p.measures}
        schema.add_columns(self.db, {"log": noises, "pull": measures})

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
            head |= said_of(night)
            rows["finding"] += finding_rows(night.findings[known:], "history")
        enter("finding")
        self.db.put("revision", [head | {"sha256": digest_of(at, rows)}], ["id"])
        return night

    def next_revision(self, car: str) -> int:
        """The id of a car's next revision. In a file it is so chosen that the rows of a car lie
        together there, for they lie by it, and the one writer that a file has takes it.
        """
        if self.server:
            sql = "select nextval(pg_get_serial_sequence('revision', 'id'))"
            return int(self.db.rows(sql)[0][0])
        known = self.db.rows("select max(latest) from night where car = ?", car)[0][0]
        sql = "select coalesce(max(id), 0) from revision where id < ?"
        last = self.db.rows(sql, (known // A_CAR + 1) * A_CAR)[0][0] if known else -1
        top = self.db.rows(sql, 1 << 62)[0][0]
        return int(last + 1 if (last + 1) % A_CAR else (top // A_CAR + 1) * A_CAR)

    def restate(
        self, name: str, verdict: str, reasons: Sequence[str], torn: Sequence[LogAudit] = ()
    ) -> None:
        """A revision of a kept night with a worse verdict, all else as it was, inside `writing`.

        torn: logs of it that could not be read.
        """
        rows = self.revision(name)
        looks = ((f["severity"], loaded(f["look_at"] or "[]")) for f in rows["finding"])
        no_step = decided(verdict, next(iter(reasons), ""), first_look(looks, verdict)).plain()
        worse = row_of("revision", verdict=verdict, reasons=reasons, decision=no_step)
        rows["revision"][0] |= worse
        rows["log"] += [log_row(audit, {}) for audit in torn]
        self.put(name, rows)

    # --- what is kept already --------------------------------------------------------------------

    def _near(self, car: str, ids: Collection[str], *, day: str = "") -> list[_Kept]:
        """The car's nights that have any of these logs or are of a day, the earliest first,
        withdrawn ones too.
        """
        sql = (
            "select n.*, r.verdict, r.reasons, r.car_file, "
            "l.log_id, l.status, l.file, l.duty_typed_pct "
            "from night n join revision r on r.id = n.latest "
            "left join log l on l.revision_id = r.id "
            "where n.car = ? and (n.date = ? or n.latest in "
            f"(select revision_id from log where log_id in (null{', ?' * len(ids)}))) "
            "order by n.date, n.added_at, n.night_id"
        )
        found = groupby(self.db.dicts(sql, car, day, *ids), lambda row: row["night_id"])
        nights = [list(rows) for _, rows in found]
        return [_Kept(rows[0], {r["log_id"]: r for r in rows if r["log_id"]}) for rows in nights]

    def _write_logs(self, audits: Sequence[LogAudit], known: Mapping[str, Row]) -> dict[str, str]:
        """Write the logs that are not kept as they are now; log id -> file."""
        files = {}
        for audit in [a for a in audits if a.status == "read"]:
            row, log = known.get(log_id(audit)), audit.log
            there = row["file"] if row else None
            if audit.kept is not None:
                if there != audit.kept:
                    files[log_id(audit)] = audit.kept
            elif log is not None and log.rows:
                same = row is not None and typed_duty(log) in (None, row["duty_typed_pct"])
                if not (there and same and self.kept.sound(there)):
                    files[log_id(audit)] = self.kept.write(log)
            elif there is None:
                raise ArchiveError(
                    f"{audit.path}: its samples were dropped before it came to the archive."
                )
        return files

    def _told(
        self,
        kept: Sequence[Row],
        misdated: Sequence[Row],
        away: Mapping[str, Row],
        date: str | None,
    ) -> Iterator[str]:
        """What the person is told of nights whose logs were screened again."""
        where = shown(self.root)
        for row in kept:
            yield f"kept already as {row['night_id']}, known since {row['added_at'][:10]}."
        for row in misdated:
            yield (
                f"{row['night_id']} stands under {row['date']}, and --date {date} was not applied "
                f"to it. If {date} is right: `pullaudit withdraw {row['night_id']} --archive "
                f"{where}`, then screen again."
            )
        for name, at in sorted({(r["night_id"], r["withdrawn_at"][:10]) for r in away.values()}):
            yield (
                f"{name} was withdrawn on {at}, so it is not kept again. `pullaudit withdraw "
                f"{name} --undo --archive {where}` puts it back; another --date makes a new night."
            )


def _by_id(nights: Sequence[_Kept]) -> dict[str, Row]:
    """The rows of their logs by id; a night that counts has the last word."""
    counting_last = sorted(nights, key=lambda kept: not kept.row["withdrawn_at"])
    return {i: row for kept in counting_last for i, row in kept.logs.items()}


def keep_where_read(audit: LogAudit, *, logs: str) -> LogAudit:
    """The audit cut down, its log kept by whoever has read it. Raises ArchiveError."""
    from audit.night.screen import slim

    if audit.status != "read" or audit.log is None:
        return audit
    _checked_at_the_door([audit])
    return replace(slim(audit), kept=Kept(logs).write(audit.log))


def refused(audit: LogAudit) -> str:
    """Why a log may not be kept: its columns are not as the table of channels has them; "" else."""
    from audit.intake.schema import faults_at_door

    faults = faults_at_door(audit.log, audit.sanity) if audit.log and audit.sanity else []
    said = f"{audit.path}: read wrongly: {' '.join(faults)} Report it; the file is untouched."
    return said if faults else ""


def _checked_at_the_door(audits: Sequence[LogAudit]) -> None:
    for why in filter(None, map(refused, audits)):
        raise ArchiveError(why)
