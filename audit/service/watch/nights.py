"""Which logs belong to one night: the same car, and no more than some hours between them."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
from collections.abc import Iterable, Mapping
from pathlib import Path

from audit.model import LogAudit
from audit.night.days import dated
from audit.service.watch.ledger import Entry, File

GAP_S = 4 * 3600.0
# A day without an hour is taken as its waking hours, so that it joins logs of that day and not of
# the next.
DAY_FROM, DAY_TO = 10 * 3600.0, 22 * 3600.0


def entry_of(audit: LogAudit, file: File, *, below: Path) -> Entry:
    """When a log was made: by its own clock, else by a date in its name or a folder's below the
    inbox, else by the time its file was last written.
    """
    start, stop = _span(audit, file, below)
    error = "" if audit.status == "read" else audit.error or ""
    return Entry(file.car, audit.sha256 or file.sha256, start, stop, error, str(file.path))


def _span(audit: LogAudit, file: File, below: Path) -> tuple[float, float]:
    lasted = audit.duration_s
    if audit.log is not None and audit.log.wall_start:
        with contextlib.suppress(ValueError):
            own = dt.datetime.fromisoformat(audit.log.wall_start)
            start = own.replace(tzinfo=dt.UTC).timestamp()
            return start, start + lasted
    if (found := _dated(file.path, below)) is not None:
        start, whole_day = found[0].timestamp(), found[1]
        return (start + DAY_FROM, start + DAY_TO) if whole_day else (start, start + lasted)
    local = dt.datetime.fromtimestamp(file.stamp / 1e9).astimezone()
    stop = local.replace(tzinfo=dt.UTC).timestamp()
    return stop - lasted, stop


def _dated(path: Path, below: Path) -> tuple[dt.datetime, bool] | None:
    """(moment, is it a whole day) of a date in a path below the inbox."""
    return dated(*(path.relative_to(below).parts if path.is_relative_to(below) else (path.name,)))


def beside(entries: Iterable[Entry], *, below: Path, stamps: Mapping[str, float]) -> list[Entry]:
    """The same, but a log that could not be read and whose time is its file's alone stands with the
    log written nearest to it.

    A torn log tells no clock, and a copy's file may be younger than the drive: its neighbours were
    copied with it. stamps: path -> when its file was last written.
    """
    entries = list(entries)
    good = sorted(
        (stamps[e.path], e.log_id, e.start) for e in entries if not e.error and e.path in stamps
    )

    def moved(e: Entry) -> Entry:
        if not (e.error and good and e.path in stamps) or _dated(Path(e.path), below):
            return e
        written = stamps[e.path]
        at, _, start = min(good, key=lambda g: (abs(g[0] - written), g[1]))
        return dataclasses.replace(e, start=start, stop=start) if abs(at - written) <= GAP_S else e

    return [moved(e) for e in entries]


def grouped(entries: Iterable[Entry]) -> list[tuple[Entry, ...]]:
    """The nights of one car, by time: a new one begins where more than GAP_S lies between two
    logs.
    """
    nights: list[list[Entry]] = []
    latest = 0.0
    for entry in sorted(entries, key=lambda e: (e.start, e.log_id)):
        if nights and entry.start - latest <= GAP_S:
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
