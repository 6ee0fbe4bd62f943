"""All cars of an archive, worst first, by the standing that each night writes beside its rows."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from audit.archive.store.rows import Row, made, row_of
from audit.archive.store.store import Archive
from audit.archive.trend.trend import Trends
from audit.archive.trend.trends import trends
from audit.archive.watched import chart_settings
from audit.errors import ArchiveError
from audit.model import SEVERITIES, VERDICTS, Finding

METHOD = 9  # raise it when trends come out differently, so that standings are worked out anew
MOVED = ("shifted", "drifting", "past_limit")  # states that are worth a word


@dataclass(frozen=True, slots=True)
class Standing:
    """One car in the fleet. verdict: of its last night; severity: the worst of its trends, "" for
    none; moved: measures that have shifted or drift; said: the worst trend's sentence.
    """

    car: str
    nights: int
    last: str
    verdict: str
    severity: str
    moved: tuple[str, ...]
    said: str


def fleet(
    archive: Archive, *, progress: Callable[[int, int], None] | None = None
) -> list[Standing]:
    """Every car, worst first: by its last verdict, then its worst trend, then how many measures
    moved.

    Raises ArchiveError when the archive cannot be read.
    """
    names, sql = archive.cars(), "select * from standings where method = ? and nights > 0"
    rows = {row["car"]: row for row in archive.db.dicts(sql, METHOD)}
    missing = [car for car in names if car not in rows]
    for done, car in enumerate(missing, len(names) - len(missing) + 1):
        found = trends(archive, car)
        with contextlib.suppress(ArchiveError), archive.writing(car):  # it may be read only
            remember(archive, found)
        nights = archive.nights(car, columns=["verdict"])
        last = {"nights": nights["date"].n_unique(), "last": nights["date"][-1]}
        rows[car] = _told(found) | last | {"verdict": nights["verdict"][-1]}
        if progress:
            progress(done, len(names))
    return sorted((made(Standing, rows[car]) for car in names), key=_badness, reverse=True)


def remember(archive: Archive, found: Trends) -> None:
    """Write a car's standing from its trends, inside `archive.writing`."""
    archive.db.put("standing", [_told(found)], ["car"])


def trend_findings(archive: Archive, car: str, day: str = "9999") -> tuple[Finding, ...]:
    """What a car's nights up to a day add to that day's findings, 'note' to 'hold'.

    For the newest day the car's standing is written too. Inside a transaction of the archive.
    """
    days = {d for (d,) in archive.db.rows("select distinct date from nights where car = ?", car)}
    known = sorted(d for d in days if d <= day)
    found = Trends(car, tuple(known), (), ())
    if len(known) > int(chart_settings()["least_nights"]):  # fewer tell nothing yet
        found = trends(archive, car, until=day)
    if days and len(known) == len(days):
        remember(archive, found)
    return found.findings


def _told(found: Trends) -> Row:
    """Of a car's standing: worst severity, what has moved, the worst trend's sentence."""
    worst = max(found.findings, key=lambda f: SEVERITIES.index(f.severity), default=None)
    moved = [t.measure.name for t in found.trends if t.state in MOVED]
    severity, said = (worst.severity, worst.message) if worst else ("", "")
    told = {"method": METHOD, "severity": severity, "moved": moved, "said": said}
    return row_of("standing", car=found.car, **told)


def _badness(standing: Standing) -> tuple[int, int, int, str]:
    severity = SEVERITIES.index(standing.severity) if standing.severity else -1
    return VERDICTS.index(standing.verdict), severity, len(standing.moved), standing.car
