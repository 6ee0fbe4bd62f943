"""Reading the archive for pages: what a page needs, once a version; nights as nouns, traces from
kept logs.
"""

from __future__ import annotations

import dataclasses
import json
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

from audit.archive.store.rows import car_from_json, finding_of
from audit.archive.store.store import Archive
from audit.errors import UsageError
from audit.model import (
    Barometric,
    Car,
    Channel,
    CheckResult,
    Log,
    LogAudit,
    Night,
    Pull,
    PullAudit,
    Sanity,
    Span,
)

if TYPE_CHECKING:
    import polars as pl

T = TypeVar("T")
KEPT = 48  # answers remembered
NO_SANITY = Sanity({}, {}, {}, {})
NOT_MEASURES = frozenset(
    {"car", "date", "night_id", "revision", "setting", "fuel", "revision_id", "place", "log_id"}
    | {"index", "start_s", "end_s", "gear", "gear_ratio", "rpm_start", "rpm_end", "ended_by"}
    | {"score", "barometric_kpa", "ambient_c", "checks"}
)


class Shelf:
    """An archive with a memory, dropped when something was written. Threads may share it."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._version = ""

    def version(self) -> str:
        """A word that is another after every write, "" for no archive."""
        return self.archive.changes()

    def remembered(self, key: Hashable, make: Callable[[], T]) -> T:
        """make(), or what it gave before for this key and version of the archive."""
        version = self.version()
        with self._lock:
            if version != self._version:
                self._kept.clear()
                self._version = version
            if key in self._kept:
                self._kept.move_to_end(key)
                found: T = self._kept[key]
                return found
        made = make()
        with self._lock:
            if version == self._version:
                self._kept[key] = made
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
        return made

    def exists(self) -> bool:
        """Is there an archive with a night in it?"""
        return self.version() != ""

    def nights(self, car: str) -> pl.DataFrame:
        """All nights of a car by date, newest verdicts."""
        columns = ["car", "setting", "verdict", "reasons", "us_units", "added_at"]
        return self.remembered(("nights", car), lambda: self.archive.nights(car, columns=columns))

    def last_nights(self) -> list[tuple[str, int, str, str, str, str | None]]:
        """(car, nights, last day, its verdict, its night, its decision as JSON) of every car."""
        sql = (
            "select car, nights, date, verdict, night_id, decision from (select car, date, "
            "verdict, night_id, decision, count(*) over (partition by car) nights, row_number() "
            "over (partition by car order by date desc, added_at desc) n "
            "from nights) x where n = 1 order by date desc, car"
        )
        return self.remembered("last", lambda: self.archive.db.rows(sql)) if self.exists() else []

    def cars(self) -> list[str]:
        """Names of the cars."""
        return self.remembered("cars", self.archive.cars) if self.exists() else []

    def pulls(self, car: str, columns: Sequence[str]) -> pl.DataFrame:
        """All pulls of a car."""
        return self.remembered(
            ("pulls", car, *columns), lambda: self.archive.pulls(car, columns=columns)
        )

    def night_row(self, night_id: str) -> dict[str, Any]:
        """The newest row of a night. Raises UsageError for a night that is not there."""
        found = self.remembered(("row", night_id), lambda: self._rows("nights", night_id))
        if not found:
            raise UsageError("There is no such night in this archive.")
        return found[0]

    def _rows(self, kind: str, night_id: str) -> list[dict[str, Any]]:
        if not self.exists():
            return []
        read = getattr(self.archive, kind)
        return list(read(night=night_id).iter_rows(named=True))

    def known_car(self, name: str) -> str:
        """The name, if the archive has that car. Raises UsageError otherwise."""
        if name not in self.cars():
            raise UsageError("There is no such car in this archive.")
        return name

    def night(self, night_id: str) -> Night:
        """A night as it was judged, from its rows; its pulls have no logs (see with_log)."""
        return self.remembered(("night", night_id), lambda: self._night(night_id))

    def _night(self, night_id: str) -> Night:
        row = self.night_row(night_id)
        car = car_from_json(row["car_file"])
        here = {kind: self._rows(kind, night_id) for kind in ("logs", "pulls", "findings")}
        logs = tuple(
            _log_audit(log, here["pulls"], here["findings"], car)
            for log in sorted(here["logs"], key=lambda row: row["place"])
        )
        return Night(
            car=dataclasses.replace(car, name=row["car"]),
            logs=logs,
            verdict=row["verdict"],
            reasons=tuple(row["reasons"] or ()),
            checks=_checks(row["checks"]),
            findings=tuple(
                finding_of(f) for f in here["findings"] if f["level"] in ("night", "history")
            ),
            assumed=tuple(row["assumed"] or ()),
            us_units=bool(row["us_units"]),
            setting=row["setting"] or "",
        )

    def with_log(self, night_id: str, audit: PullAudit) -> PullAudit:
        """A pull of that night with its kept log and the flags of its samples."""
        log, sanity = self.kept_log(night_id, audit.pull.log.sha256)
        return dataclasses.replace(
            audit, pull=dataclasses.replace(audit.pull, log=log, sanity=sanity)
        )

    def kept_log(self, night_id: str, log_id: str) -> tuple[Log, Sanity]:
        """A kept log and its flags. Raises UsageError when it was not kept, ArchiveError when it
        cannot be read.
        """
        return self.remembered(("log", night_id, log_id), lambda: self._kept_log(night_id, log_id))

    def _kept_log(self, night_id: str, log_id: str) -> tuple[Log, Sanity]:
        from audit.sanity.examine import examine

        row = self.night_row(night_id)
        file = next(
            (r["file"] for r in self._rows("logs", night_id) if r["log_id"] == log_id), None
        )
        if file is None:
            raise UsageError("This log was not kept in the archive.")
        log = self.archive.kept.read(
            file
        )  # `file` is the archive's own, never a word of the request
        return log, examine(log, car_from_json(row["car_file"]))

    def judged_anew(self, night_id: str) -> Night:
        """The night audited again from its kept logs, for what the tables do not hold: sensors,
        reasons for gaps.
        """
        return self.remembered(("anew", night_id), lambda: self._judged_anew(night_id))

    def _judged_anew(self, night_id: str) -> Night:
        from audit.night.screen import assemble, audit_log

        row = self.night_row(night_id)
        car = car_from_json(row["car_file"])
        files = [r["file"] for r in self._rows("logs", night_id) if r["file"]]
        night = assemble(
            [audit_log(self.archive.kept.read(f), car) for f in files],
            car=car,
            setting=row["setting"] or "",
        )
        return dataclasses.replace(night, us_units=bool(row["us_units"]))


def _checks(text: str | None) -> dict[str, CheckResult]:
    found = json.loads(text) if text else {}
    return {
        name: CheckResult(
            name, brief["status"], brief["score"], brief.get("why", ""), brief.get("cause", "")
        )
        for name, brief in found.items()
    }


def _log_audit(
    row: dict[str, Any], pulls: list[dict[str, Any]], findings: list[dict[str, Any]], car: Car
) -> LogAudit:
    import polars as pl

    mine = [f for f in findings if f["log_id"] == row["log_id"]]
    bare = Log(
        row["path"] or "",
        row["log_id"],
        pl.DataFrame({"time": []}),
        _mixture(row),
        Barometric(row.get("barometric_kpa") or 101.325, "", 0.0),
    )
    here = sorted((p for p in pulls if p["log_id"] == row["log_id"]), key=lambda p: p["index"])
    return LogAudit(
        path=row["path"] or "",
        sha256=row["log_id"],
        status=row["status"],
        error=row["error"],
        findings=tuple(finding_of(f) for f in mine if f["level"] == "log"),
        checks=_checks(row["checks"]),
        pulls=tuple(
            _pull(
                p, bare, car, [f for f in mine if f["level"] == "pull" and f["index"] == p["index"]]
            )
            for p in here
        ),
        rows=row.get("rows") or 0,
        duration_s=row.get("duration_s") or 0.0,
        rate_hz=row.get("rate_hz") or 0.0,
    )


def _mixture(row: dict[str, Any]) -> tuple[Channel, ...]:
    """The mixture's channel of a kept log where it was an air-fuel ratio, as pages tell that beside
    lambda.
    """
    told = json.loads(row.get("channels") or "[]")
    return tuple(
        Channel("lambda", c["source"], c["source_unit"], scale=1.0 / float(ratio[1]))
        for c in told
        if c["name"] == "lambda" and (ratio := re.search(r"AFR/([\d.]+)", c["source_unit"] or ""))
    )


def _pull(row: dict[str, Any], log: Log, car: Car, findings: list[dict[str, Any]]) -> PullAudit:
    span = Span(
        0,
        0,
        row["start_s"],
        row["end_s"],
        row["gear"],
        row["rpm_start"],
        row["rpm_end"],
        row["ended_by"] or "",
        row.get("gear_ratio"),
    )
    measures = {
        name: value
        for name, value in row.items()
        if name not in NOT_MEASURES and not isinstance(value, str)
    }
    pull = Pull(index=row["index"], span=span, log=log, sanity=NO_SANITY, car=car)
    return PullAudit(pull, measures, _checks(row["checks"]), tuple(finding_of(f) for f in findings))
