"""All cars of an archive, worst first.

What a car's trends say is kept in cache/ under a key of what they were made from, so that the view of many
cars reads little. The cache may be deleted at any time; a car whose key has changed is worked out anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.archive.store.places import Places, write_whole
from audit.archive.trend.trend import Trends
from audit.archive.trend.trends import trends, trends_of_many
from audit.model import SEVERITIES, VERDICTS, Car, Finding

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.store import Archive

Progress = Callable[[int, int], None]
TOGETHER = 50  # cars that are read at once when they are worked out anew
METHOD = 2  # raise it when trends come out differently, so that what is in the cache is made anew


@dataclass(frozen=True, slots=True)
class Standing:
    """One car in the fleet. verdict: of its last night; severity: the worst of its trends, "" for none;
    moved: measures that have shifted or drift; said: the worst trend's sentence.
    """

    car: str
    nights: int
    last: str
    verdict: str
    severity: str
    moved: tuple[str, ...]
    said: str


def fleet(archive: Archive, *, progress: Progress | None = None) -> list[Standing]:
    """Every car, worst first: by its last verdict, then its worst trend, then how many measures moved.

    Raises ArchiveError when the archive cannot be read.
    """
    nights = archive.nights(columns=["car", "verdict", "added_at"])
    notes = archive.notes()
    rows = _cars(nights, notes)
    standings = {
        car: kept
        for car, row in rows.items()
        if (kept := _from_cache(archive.places, car, row["key"]))
    }
    missing = [car for car in rows if car not in standings]
    for start in range(0, len(missing), TOGETHER):
        for found in trends_of_many(archive, missing[start : start + TOGETHER]):
            standings[found.car] = _keep(archive, found, rows[found.car])
            if progress:
                progress(len(standings), len(rows))
    return sorted(standings.values(), key=_badness, reverse=True)


def remember(archive: Archive, found: Trends) -> Standing:
    """Put a car's trends, just worked out, into the cache."""
    nights = archive.nights(found.car, columns=["car", "verdict", "added_at"])
    row = _cars(nights, archive.notes(found.car))[found.car]
    return _keep(archive, found, row)


def _cars(nights: pl.DataFrame, notes: pl.DataFrame) -> Mapping[str, dict[str, Any]]:
    """Per car: nights, last night, its verdict, and the key of what its trends are made from."""
    import polars as pl

    noted = dict(notes.group_by("car").agg(pl.len()).iter_rows())
    found = (
        nights.sort("date", "added_at")
        .group_by("car")
        .agg(
            nights=pl.col("date").n_unique(),
            last=pl.col("date").last(),
            verdict=pl.col("verdict").last(),
            rows=pl.len(),
            revisions=pl.col("revision").sum(),
            newest=pl.col("added_at").max(),
        )
    )
    rows = {}
    for row in found.iter_rows(named=True):
        text = (
            f"{METHOD}|{row['rows']}|{row['revisions']}|{row['newest']}|{noted.get(row['car'], 0)}"
        )
        rows[row["car"]] = {**row, "key": text}
    return rows


def _cache_file(places: Places, car: str) -> Path:
    return places.cache / "standing" / f"{hashlib.sha256(car.encode()).hexdigest()[:32]}.json"


def _from_cache(places: Places, car: str, key: str) -> Standing | None:
    try:
        kept = json.loads(_cache_file(places, car).read_bytes())
        if kept["key"] != key:
            return None
        return Standing(**{**kept["standing"], "moved": tuple(kept["standing"]["moved"])})
    except (OSError, ValueError, KeyError, TypeError):
        return None  # a cache that cannot be read is one that is not there


def _keep(archive: Archive, found: Trends, row: Mapping[str, Any]) -> Standing:
    worst = max(found.findings, key=lambda f: SEVERITIES.index(f.severity), default=None)
    moved = tuple(t.measure.name for t in found.trends if t.state in ("shifted", "drifting"))
    standing = Standing(
        car=found.car,
        nights=row["nights"],
        last=row["last"],
        verdict=row["verdict"],
        severity=worst.severity if worst else "",
        moved=moved,
        said=worst.message if worst else "",
    )
    body = json.dumps(
        {"key": row["key"], "standing": asdict(standing)}, ensure_ascii=False
    ).encode()
    with contextlib.suppress(OSError):  # a read-only archive can still be looked at
        write_whole(_cache_file(archive.places, found.car), body, aside=archive.places.cache)
    return standing


def trend_findings(archive: Archive, car: str | Car) -> tuple[Finding, ...]:
    """What the car's past nights add to the next one's findings, 'note' to 'hold'; () for a car without nights.

    The car's standing in the fleet view is brought up to date on the way.
    """
    name = car.name if isinstance(car, Car) else car
    if not archive.places.format_file.exists() or name not in archive.cars():
        return ()
    found = trends(archive, name)
    remember(archive, found)
    return found.findings


def _badness(standing: Standing) -> tuple[int, int, int, str]:
    severity = SEVERITIES.index(standing.severity) if standing.severity else -1
    return VERDICTS.index(standing.verdict), severity, len(standing.moved), standing.car


__all__ = ["Standing", "fleet", "remember", "trend_findings"]
