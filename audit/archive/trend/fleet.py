"""All cars of an archive, worst first, by the standing that each night writes beside its car's
rows.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audit.archive.trend.trend import Trends
from audit.archive.trend.trends import trends, trends_of_many
from audit.archive.watched import chart_settings
from audit.errors import ArchiveError
from audit.model import SEVERITIES, VERDICTS, Finding

if TYPE_CHECKING:
    from audit.archive.store.store import Archive

Progress = Callable[[int, int], None]
TOGETHER = 50  # cars that are read at once when they are worked out anew
METHOD = 7  # raise it when trends come out differently, so that standings are worked out anew


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


def fleet(archive: Archive, *, progress: Progress | None = None) -> list[Standing]:
    """Every car, worst first: by its last verdict, then its worst trend, then how many measures
    moved.

    Raises ArchiveError when the archive cannot be read.
    """
    names = archive.cars()
    standings = _kept(archive)
    missing = [car for car in names if car not in standings]
    for start in range(0, len(missing), TOGETHER):
        some = missing[start : start + TOGETHER]
        made = list(trends_of_many(archive, some))
        with contextlib.suppress(ArchiveError):  # one that may only be read can still be looked at
            for found in made:
                with archive.writing(found.car):
                    remember(archive, found)
        standings |= _kept(archive)
        for found in made:
            standings.setdefault(found.car, _standing(archive, found))
        if progress:
            progress(len(standings), len(names))
    return sorted((standings[car] for car in names), key=_badness, reverse=True)


def remember(archive: Archive, found: Trends) -> None:
    """Write a car's standing from its trends, inside `archive.writing`."""
    told = _told(found)
    row = {"car": found.car, "method": METHOD, **told, "moved": json.dumps(told["moved"])}
    archive.db.put("standing", [row], ["car"])


def trend_findings(archive: Archive, car: str, day: str = "9999") -> tuple[Finding, ...]:
    """What a car's nights up to a day add to that day's findings, 'note' to 'hold'.

    For the newest day the car's standing is written too. Inside a transaction of the archive.
    """
    sql = "select distinct date from nights where car = ?"
    days = {row[0] for row in archive.db.rows(sql, car)}
    known = [d for d in days if d <= day]
    found = Trends(car, tuple(sorted(known)), (), ())
    if len(known) > int(chart_settings()["least_nights"]):  # fewer tell nothing yet
        found = trends(archive, car, until=day)
    if days and len(known) == len(days):
        remember(archive, found)
    return found.findings


def _kept(archive: Archive) -> dict[str, Standing]:
    told = "select car, nights, last, verdict, severity, moved, said from standings"
    rows = archive.db.dicts(f"{told} where method = ? and nights > 0", METHOD)
    return {r["car"]: Standing(**r | {"moved": tuple(json.loads(r["moved"]))}) for r in rows}


def _standing(archive: Archive, found: Trends) -> Standing:
    nights = archive.nights(found.car, columns=["verdict", "added_at"]).sort("date", "added_at")
    last, days = nights.row(-1, named=True), nights["date"].n_unique()
    return Standing(found.car, days, last["date"], last["verdict"], **_told(found))


def _told(found: Trends) -> dict[str, Any]:
    """Worst severity, what has moved, the worst trend's sentence."""
    worst = max(found.findings, key=lambda f: SEVERITIES.index(f.severity), default=None)
    states = ("shifted", "drifting", "past_limit")
    return {
        "severity": worst.severity if worst else "",
        "moved": tuple(t.measure.name for t in found.trends if t.state in states),
        "said": worst.message if worst else "",
    }


def _badness(standing: Standing) -> tuple[int, int, int, str]:
    severity = SEVERITIES.index(standing.severity) if standing.severity else -1
    return VERDICTS.index(standing.verdict), severity, len(standing.moved), standing.car
