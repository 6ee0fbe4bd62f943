"""Reading the archive for pages: each table once a version, nights as nouns, traces from kept logs."""

from __future__ import annotations

import dataclasses
import json
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import TYPE_CHECKING, Any, TypeVar

from audit.archive.store.rows import car_from_json
from audit.archive.store.store import Archive
from audit.errors import UsageError
from audit.model import (
    Barometric,
    Car,
    CheckResult,
    Finding,
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
    {
        "car",
        "date",
        "night_id",
        "revision",
        "log_id",
        "index",
        "start_s",
        "end_s",
        "gear",
        "gear_ratio",
        "rpm_start",
        "rpm_end",
        "ended_by",
        "score",
        "barometric_kpa",
        "ambient_c",
        "fuel",
        "setting",
        "checks",
    }
)


class Shelf:
    """An archive with a memory, which is dropped when a commit has been added to its tables. Threads may share it."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._version = ""

    def version(self) -> str:
        """Name of the newest commit of the tables, "" for none."""
        log = self.archive.places.tables / "_delta_log"
        return max((p.name for p in log.glob("*.json")), default="") if log.is_dir() else ""

    def remembered(self, key: Hashable, make: Callable[[], T]) -> T:
        """make(), or what it gave before for this key and version of the tables."""
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

    def nights(self) -> pl.DataFrame:
        """All nights of all cars by date, newest verdicts."""
        columns = [
            "car",
            "setting",
            "verdict",
            "reasons",
            "checks",
            "car_file",
            "us_units",
            "assumed",
            "added_at",
        ]
        return self.remembered("nights", lambda: self.archive.nights(columns=columns))

    def cars(self) -> list[str]:
        """Names of the cars, "" left out."""
        return sorted(self.nights()["car"].unique()) if self.exists() else []

    def pulls(self, car: str) -> pl.DataFrame:
        """All pulls of a car, every measure."""
        return self.remembered(("pulls", car), lambda: self.archive.pulls(car))

    def night_row(self, night_id: str) -> dict[str, Any]:
        """The newest row of a night. Raises UsageError for a night that is not there."""
        nights = self.nights() if self.exists() else None
        found = nights.filter(nights["night_id"] == night_id) if nights is not None else None
        if found is None or found.is_empty():
            raise UsageError("There is no such night in this archive.")
        return found.row(0, named=True)

    def known_car(self, name: str) -> str:
        """The name, if the archive has that car. Raises UsageError otherwise."""
        if name not in self.cars():
            raise UsageError("There is no such car in this archive.")
        return name

    def night(self, night_id: str) -> Night:
        """A night as it was judged, from its rows; the logs of its pulls are empty (see with_log)."""
        return self.remembered(("night", night_id), lambda: self._night(night_id))

    def _night(self, night_id: str) -> Night:
        row = self.night_row(night_id)
        car = car_from_json(row["car_file"])
        here = {
            kind: _of(frame, night_id)
            for kind, frame in (
                (
                    "log",
                    self.remembered(("logs", row["car"]), lambda: self.archive.logs(row["car"])),
                ),
                ("pull", self.pulls(row["car"])),
                (
                    "finding",
                    self.remembered(
                        ("findings", row["car"]), lambda: self.archive.findings(row["car"])
                    ),
                ),
            )
        }
        logs = tuple(_log_audit(log, here["pull"], here["finding"], car) for log in here["log"])
        return Night(
            car=dataclasses.replace(car, name=row["car"]),
            logs=logs,
            verdict=row["verdict"],
            reasons=tuple(row["reasons"] or ()),
            checks=_checks(row["checks"]),
            findings=tuple(_finding(f) for f in here["finding"] if f["level"] == "night"),
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
        """A kept log and its flags. Raises UsageError when it was not kept, ArchiveError when it cannot be read."""
        return self.remembered(("log", night_id, log_id), lambda: self._kept_log(night_id, log_id))

    def _kept_log(self, night_id: str, log_id: str) -> tuple[Log, Sanity]:
        from audit.sanity.examine import examine

        row = self.night_row(night_id)
        logs = self.remembered(("logs", row["car"]), lambda: self.archive.logs(row["car"]))
        file = next((r["file"] for r in _of(logs, night_id) if r["log_id"] == log_id), None)
        if file is None:
            raise UsageError("This log was not kept in the archive.")
        log = self.archive.read_log(
            file
        )  # `file` is the archive's own, never a word of the request
        return log, examine(log, car_from_json(row["car_file"]))

    def judged_anew(self, night_id: str) -> Night:
        """The night audited again from its kept logs, for what the tables do not hold: sensors, reasons for gaps."""
        return self.remembered(("anew", night_id), lambda: self._judged_anew(night_id))

    def _judged_anew(self, night_id: str) -> Night:
        from audit.night.screen import assemble, audit_log

        row = self.night_row(night_id)
        car = car_from_json(row["car_file"])
        logs = self.remembered(("logs", row["car"]), lambda: self.archive.logs(row["car"]))
        files = [r["file"] for r in _of(logs, night_id) if r.get("file")]
        night = assemble(
            [audit_log(self.archive.read_log(f), car) for f in files],
            car=car,
            setting=row["setting"] or "",
        )
        return dataclasses.replace(night, us_units=bool(row["us_units"]))


def _of(frame: pl.DataFrame, night_id: str) -> list[dict[str, Any]]:
    return frame.filter(frame["night_id"] == night_id).rows(named=True)


def _checks(text: str | None) -> dict[str, CheckResult]:
    found = json.loads(text) if text else {}
    return {
        name: CheckResult(name, brief["status"], brief["score"]) for name, brief in found.items()
    }


def _finding(row: dict[str, Any]) -> Finding:
    names = ("code", "severity", "message", "channel", "start_s", "end_s", "value", "limit", "unit")
    return Finding(
        **{name: row[name] for name in names},
        likely=tuple(row["likely"] or ()),
        look_at=tuple(row["look_at"] or ()),
    )


def _log_audit(
    row: dict[str, Any], pulls: list[dict[str, Any]], findings: list[dict[str, Any]], car: Car
) -> LogAudit:
    import polars as pl

    mine = [f for f in findings if f["log_id"] == row["log_id"]]
    bare = Log(
        row["path"] or "",
        row["log_id"],
        pl.DataFrame({"time": []}),
        (),
        Barometric(row.get("barometric_kpa") or 101.325, "", 0.0),
    )
    here = sorted((p for p in pulls if p["log_id"] == row["log_id"]), key=lambda p: p["index"])
    return LogAudit(
        path=row["path"] or "",
        sha256=row["log_id"],
        status=row["status"],
        error=row["error"],
        findings=tuple(_finding(f) for f in mine if f["level"] == "log"),
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
    measures = {name: value for name, value in row.items() if name not in NOT_MEASURES}
    pull = Pull(index=row["index"], span=span, log=log, sanity=NO_SANITY, car=car)
    return PullAudit(pull, measures, _checks(row["checks"]), tuple(_finding(f) for f in findings))
