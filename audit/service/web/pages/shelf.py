"""Reading the archive for pages: what a page needs, once a version; nights as nouns, traces from
kept logs.
"""

from __future__ import annotations

import dataclasses
import json
import re
from collections import defaultdict
from collections.abc import Callable, Mapping
from functools import lru_cache, wraps
from typing import TYPE_CHECKING, Any, TypeVar, cast

from audit.archive.store.rows import car_from_json, finding_of, listed, loaded
from audit.archive.store.store import Archive
from audit.errors import UsageError
from audit.model import (
    Barometric,
    Channel,
    CheckResult,
    Decision,
    Log,
    LogAudit,
    Night,
    Pull,
    PullAudit,
    Sanity,
    Span,
)
from audit.report.page.measures import History
from audit.service.web.pages.usual import history_of, wanted

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.step.response import Response
    from audit.archive.trend.trend import Trends

T = TypeVar("T")
Method = TypeVar("Method", bound=Callable[..., Any])
KEPT = 16  # answers remembered of each kind
NO_SANITY = Sanity({}, {}, {}, {})


def remembered(read: Method) -> Method:
    """The method of a Shelf, worked out once a version of the archive."""

    @lru_cache(maxsize=KEPT)
    def kept(shelf: Shelf, _version: str, *asked: Any) -> Any:
        return read(shelf, *asked)

    @wraps(read)
    def found(shelf: Shelf, *asked: Any) -> Any:
        return kept(shelf, shelf.archive.changes(), *asked)

    return cast("Method", found)


class Shelf:
    """An archive with a memory, which ends with each write. Threads may share it."""

    def __init__(self, archive: Archive) -> None:
        self.archive = archive

    @remembered
    def nights(self, car: str) -> pl.DataFrame:
        """All nights of a car, newest verdicts, as they were made: the newest is the last."""
        columns = ["car", "setting", "verdict", "reasons", "us_units", "added_at"]
        return self.archive.nights(car, columns=columns).sort("date", "added_at", "night_id")

    @remembered
    def last_nights(self) -> list[tuple[str, int, str, str, str, str | None]]:
        """(car, nights, last day, its verdict, its night, its decision as JSON) of every car."""
        sql = (
            "select car, nights, date, verdict, night_id, decision from (select car, date, "
            "verdict, night_id, decision, count(*) over (partition by car) nights, row_number() "
            "over (partition by car order by date desc, added_at desc) n "
            "from nights) x where n = 1 order by date desc, car"
        )
        return self.archive.db.rows(sql) if self.archive.changes() else []

    def known_car(self, name: str) -> str:
        """The name, if the archive has that car. Raises UsageError otherwise."""
        if name not in self._cars():
            raise UsageError("There is no such car in this archive.")
        return name

    @remembered
    def _cars(self) -> list[str]:
        return self.archive.cars() if self.archive.changes() else []

    def us(self, car: str) -> bool:
        """Are the figures of a car shown in US units? Raises UsageError for one not there."""
        return bool(self.nights(self.known_car(car))["us_units"][-1])

    @remembered
    def pulls(self, car: str, *columns: str) -> pl.DataFrame:
        """All pulls of a car."""
        return self.archive.pulls(car, columns=columns)

    @remembered
    def response(self, car: str) -> Response:
        """Boost against duty, by the car's last car file."""
        from audit.archive.step.response import response

        return response(self.archive, self.archive.car(car))

    @remembered
    def trends(self, car: str) -> Trends:
        """How the car has moved."""
        from audit.archive.trend.trends import trends

        return trends(self.archive, car)

    @remembered
    def usual(self, night_id: str) -> History:
        """What the car was like before a night."""
        row = self.night_row(night_id)
        return history_of(self.pulls(row["car"], *wanted()), row["date"])

    @remembered
    def _rows(self, kind: str, night_id: str) -> list[dict[str, Any]]:
        if not self.archive.changes():
            return []
        return list(self.archive.frame(kind, night=night_id).iter_rows(named=True))

    def night_row(self, night_id: str) -> dict[str, Any]:
        """The newest row of a night. Raises UsageError for a night that is not there."""
        for row in self._rows("nights", night_id):
            return row
        raise UsageError("There is no such night in this archive.")

    def newest(self, night_id: str) -> str:
        """The newest night of a night's car."""
        return str(self.nights(self.night_row(night_id)["car"])["night_id"][-1])

    @remembered
    def night(self, night_id: str) -> Night:
        """A night as it was judged, from its rows; its pulls have no logs (see with_log)."""
        row = self.night_row(night_id)
        car = dataclasses.replace(car_from_json(row["car_file"]), name=row["car"])
        found = defaultdict(list)  # by log and pull, which a finding of the night has not
        for f in self._rows("findings", night_id):
            found[f["log_id"], f["index"]].append(finding_of(f))

        def pull(row: dict[str, Any], log: Log) -> PullAudit:
            ended_by, at = row["ended_by"] or "", (row["log_id"], row["index"])
            span = _as(Span, row, start=0, stop=0, ended_by=ended_by)
            measures = {name: row[name] for name in wanted()[1:] if name in row}
            here = Pull(index=row["index"], span=span, log=log, sanity=NO_SANITY, car=car)
            return PullAudit(here, measures, _checks(row), tuple(found[at]))

        def audit(row: dict[str, Any]) -> LogAudit:
            log_id, path = row["log_id"], row["path"] or ""
            said, bare = tuple(found[log_id, None]), _bare_log(row)
            pulls = [p for p in self._rows("pulls", night_id) if p["log_id"] == log_id]
            made = tuple(pull(p, bare) for p in sorted(pulls, key=lambda p: p["index"]))
            told = {"checks": _checks(row), "findings": said, "pulls": made}
            return _as(LogAudit, row, path=path, sha256=log_id, **told)

        logs = sorted(self._rows("logs", night_id), key=lambda row: row["place"])
        return Night(
            car,
            tuple(map(audit, logs)),
            row["verdict"],
            tuple(listed(row["reasons"])),
            _checks(row),
            tuple(found[None, None]),
            tuple(listed(row["assumed"])),
            bool(row["us_units"]),
            row["setting"] or "",
        )

    @remembered
    def decided(self, night_id: str) -> Night:
        """The night with its decision: the newest by all that is kept, an earlier one as it was
        kept, None for none.
        """
        from audit.archive.step.decide import with_decision

        night, kept = self.night(night_id), self.night_row(night_id).get("decision")
        if self.newest(night_id) == night_id:
            return with_decision(night, self.archive)
        if not kept:
            return night
        told = loaded(kept)
        expected = tuple(told["expected_kpa"].values())
        told["expected_kpa"] = None if None in expected else expected
        told["other_gears"] = tuple(tuple(g.values()) for g in told.get("other_gears", ()))
        return dataclasses.replace(night, decision=Decision(**told))

    def with_log(self, night_id: str, audit: PullAudit) -> PullAudit:
        """A pull of that night with its kept log and the flags of its samples. Raises UsageError
        when it was not kept, ArchiveError when it cannot be read.
        """
        log, sanity = self._kept_log(night_id, audit.pull.log.sha256)
        here = dataclasses.replace(audit.pull, log=log, sanity=sanity)
        return dataclasses.replace(audit, pull=here)

    @remembered
    def _kept_log(self, night_id: str, log_id: str) -> tuple[Log, Sanity]:
        from audit.sanity.examine import examine

        files = (r["file"] for r in self._rows("logs", night_id) if r["log_id"] == log_id)
        if (file := next(files, None)) is None:
            raise UsageError("This log was not kept in the archive.")
        log = self.archive.kept.read(file)  # the archive's own name, never a word of the request
        return log, examine(log, car_from_json(self.night_row(night_id)["car_file"]))

    @remembered
    def judged_anew(self, night_id: str) -> Night:
        """The night audited again from its kept logs, for what the tables do not hold: sensors,
        reasons for gaps.
        """
        from audit.night.screen import assemble, audit_log

        row = self.night_row(night_id)
        car = car_from_json(row["car_file"])
        files = [r["file"] for r in self._rows("logs", night_id) if r["file"]]
        audits = [audit_log(self.archive.kept.read(f), car) for f in files]
        night = assemble(audits, car=car, setting=row["setting"] or "")
        return dataclasses.replace(night, us_units=bool(row["us_units"]))


def _as(kind: Callable[..., T], row: Mapping[str, Any], **more: Any) -> T:
    """A noun from a row that has its fields; `more` before the row, and its own where both lack."""
    given = {
        f.name: row.get(f.name)
        for f in dataclasses.fields(cast("Any", kind))
        if row.get(f.name) is not None or f.default is f.default_factory is dataclasses.MISSING
    }
    return kind(**given | more)


def _checks(row: Mapping[str, Any]) -> dict[str, CheckResult]:
    found = json.loads(row["checks"] or "{}")
    return {name: CheckResult(name=name, **brief) for name, brief in found.items()}


def _bare_log(row: Mapping[str, Any]) -> Log:
    """A log without samples. Of its channels the mixture where it was an air-fuel ratio, as pages
    tell that beside lambda.
    """
    import polars as pl

    mixture = tuple(
        Channel("lambda", c["source"], c["source_unit"], scale=1.0 / float(ratio[1]))
        for c in json.loads(row.get("channels") or "[]")
        if c["name"] == "lambda" and (ratio := re.search(r"AFR/([\d.]+)", c["source_unit"] or ""))
    )
    air, none = (
        Barometric(row.get("barometric_kpa") or 101.325, "", 0.0),
        pl.DataFrame({"time": []}),
    )
    return Log(row["path"] or "", row["log_id"], none, mixture, air)
