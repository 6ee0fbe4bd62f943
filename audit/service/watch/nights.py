"""Which logs belong to one night: the same car, and no more than some hours between them."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.archive.store.days import dated
from audit.model import LogAudit

GAP_S = 4 * 3600.0
# A day without an hour is taken as its waking hours, so that it joins logs of that day and not of
# the next.
DAY_FROM, DAY_TO = 10 * 3600.0, 22 * 3600.0


@dataclass(frozen=True, slots=True)
class Entry:
    """One log in time. start, stop: seconds of the local clock, counted as if it were UTC; error:
    why it was not read, "" when it was.
    """

    car: str
    log_id: str
    start: float
    stop: float
    error: str
    path: str

    @property
    def day(self) -> str:
        """ISO day of its start."""
        return dt.datetime.fromtimestamp(self.start, dt.UTC).date().isoformat()


def entry_of(
    audit: LogAudit, *, car: str, log_id: str, path: Path, below: Path, modified: float
) -> Entry:
    """When a log was made: by its own clock, else by a date in its name or a folder's below the
    inbox, else by the time its file was last written (seconds since 1970, `modified`).
    """
    start, stop = _span(audit, path, below, modified)
    return Entry(
        car, log_id, start, stop, (audit.error or "") if audit.status != "read" else "", str(path)
    )


def beside(
    entries: Iterable[Entry], *, below: Path, stamps: Mapping[str, float], gap_s: float = GAP_S
) -> list[Entry]:
    """The same, but a log that could not be read and whose time is its file's alone stands with the
    log written nearest to it.

    A torn log tells no clock, and a copy's file may be younger than the drive: its neighbours were
    copied with it. stamps: path -> when its file was last written.
    """
    entries = list(entries)
    good = sorted(
        (stamps[e.path], e.log_id, e.start) for e in entries if not e.error and e.path in stamps
    )
    return [
        _moved(e, good, stamps, gap_s) if e.error and not _is_dated(Path(e.path), below) else e
        for e in entries
    ]


def _moved(
    entry: Entry,
    good: Sequence[tuple[float, str, float]],
    stamps: Mapping[str, float],
    gap_s: float,
) -> Entry:
    written = stamps.get(entry.path)
    if written is None or not good:
        return entry
    at, _, start = min(good, key=lambda g: (abs(g[0] - written), g[1]))
    return (
        dataclasses.replace(entry, start=start, stop=start) if abs(at - written) <= gap_s else entry
    )


def _is_dated(path: Path, below: Path) -> bool:
    return dated(*_inside(path, below)) is not None


def _inside(path: Path, below: Path) -> tuple[str, ...]:
    return path.relative_to(below).parts if path.is_relative_to(below) else (path.name,)


def _span(audit: LogAudit, path: Path, below: Path, modified: float) -> tuple[float, float]:
    own = audit.log.wall_start if audit.log is not None else None
    if own and (start := _seconds(own)) is not None:
        return start, start + audit.duration_s
    if (found := dated(*_inside(path, below))) is not None:
        start, whole_day = found[0].timestamp(), found[1]
        return (
            (start + DAY_FROM, start + DAY_TO) if whole_day else (start, start + audit.duration_s)
        )
    local = dt.datetime.fromtimestamp(modified).astimezone()
    stop = local.replace(tzinfo=dt.UTC).timestamp()
    return stop - audit.duration_s, stop


def _seconds(iso: str) -> float | None:
    try:
        return dt.datetime.fromisoformat(iso).replace(tzinfo=dt.UTC).timestamp()
    except ValueError:
        return None


def grouped(entries: Iterable[Entry], *, gap_s: float = GAP_S) -> list[tuple[Entry, ...]]:
    """The nights of one car, by time: a new one begins where more than gap_s lies between two
    logs.
    """
    nights: list[list[Entry]] = []
    latest = 0.0
    for entry in sorted(entries, key=lambda e: (e.start, e.log_id)):
        if nights and entry.start - latest <= gap_s:
            nights[-1].append(entry)
            latest = max(latest, entry.stop)
        else:
            nights.append([entry])
            latest = entry.stop
    return [tuple(night) for night in nights]


def named(nights: Iterable[tuple[Entry, ...]]) -> dict[str, tuple[Entry, ...]]:
    """Each night under its day; a second one that begins on the same day under day and time."""
    out: dict[str, tuple[Entry, ...]] = {}
    for night in nights:
        start = dt.datetime.fromtimestamp(night[0].start, dt.UTC)
        name = start.date().isoformat()
        out[name if name not in out else f"{name}_{start:%H%M%S}"] = night
    return out
