"""One request of `screen`, from paths to a night: which files, which car, what goes to the archive."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from audit.carfile import find_car_file, load_car
from audit.discover import Found, find_logs
from audit.errors import UsageError
from audit.model import Car, Night
from audit.night.screen import screen_night, with_findings
from audit.night.typed import by_path

if TYPE_CHECKING:
    from audit.night.remote import RemoteLog


@dataclass(frozen=True, slots=True)
class Request:
    """What a person asked to have screened."""

    paths: tuple[Path, ...]
    car_file: Path | None = None
    archive: Path | None = None
    units: str | None = None
    workers: int | None = None
    rate_hz: float | None = None
    setting: str = ""
    date: str | None = None
    keep_frames: bool = True
    progress: Callable[[int, int], None] | None = None
    urls: tuple[str, ...] = ()  # logs on other file systems, by fsspec's addresses
    cluster: str | None = None  # address of a Dask scheduler
    said: Mapping[str, str] = field(default_factory=dict)  # the car file's keys, for this call
    duty: Mapping[str, float] = field(default_factory=dict)  # %, set by hand, by path; "" for all


@dataclass(frozen=True, slots=True)
class Outcome:
    """night: None when there was nothing to read; usage: a path was wrong; warnings: for people."""

    night: Night | None
    warnings: tuple[str, ...]
    usage: bool
    any_read: bool = False
    date: str = ""  # the night's ISO day


def run(request: Request) -> Outcome:
    """Screen what was asked for. Raises CarFileError or UsageError for a wrong car file or date."""
    if request.archive is not None:
        on_this_machine(request.archive)
    found = find_logs(request.paths)
    remote, not_there = _remote(request.urls)
    warnings = (
        *_complaints(found),
        *(f"{url}: no log there. Check the address." for url in not_there),
    )
    wrong = bool(found.missing or not_there)
    car = _car(request, found, remote)
    date = _checked_date(request.date)
    if not found.files and not remote:
        return Outcome(None, warnings, usage=wrong)
    duty = by_path(request.duty, (*found.files, *remote))
    night = screen_night(
        (*found.files, *remote),
        car=car,
        cluster=request.cluster,
        rate_hz=request.rate_hz,
        workers=request.workers,
        keep_frames=request.keep_frames,
        setting=request.setting,
        progress=request.progress,
        duty=duty,
    )
    any_read = any(a.status == "read" for a in night.logs)
    if request.archive is not None:
        night = _archived(night, request.archive, date, any_read=any_read)
    night = _decided(night, request.archive)
    if request.units is not None:
        night = dataclasses.replace(night, us_units=request.units == "us")
    warnings = (*warnings, *(a.error or a.path for a in night.logs if a.status == "rejected"))
    from audit.archive.store.store import date_of

    return Outcome(night, warnings, usage=wrong, any_read=any_read, date=date or date_of(night))


def on_this_machine(archive: Path) -> None:
    """Raises UsageError for an archive given by an address: it is kept by renames and locks, which a store lacks."""
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]+:/", str(archive)):
        address = re.sub(r":/+", "://", str(archive), count=1)  # a path has lost one of its slashes
        raise UsageError(
            f"--archive {address}: an archive is a folder of this machine, or of a share mounted on it. Give such a folder."
        )


def _complaints(found: Found) -> tuple[str, ...]:
    missing = [
        f"{p}: no such file or folder. Check the spelling, or give the folder that holds the logs."
        for p in found.missing
    ]
    empty = [
        f"{p}: no log in this folder. Give the logs themselves, or the folder your logger writes to."
        for p in found.empty
    ]
    return (*missing, *empty)


def _remote(urls: tuple[str, ...]) -> tuple[tuple[RemoteLog, ...], tuple[str, ...]]:
    if not urls:
        return (), ()
    from audit.night.remote import find_remote

    return find_remote(urls)


def _car(request: Request, found: Found, remote: tuple[RemoteLog, ...]) -> Car:
    path = request.car_file or find_car_file(found.files)
    if path is None and remote:
        from audit.night.remote import remote_car

        return remote_car(remote, request.said)
    return load_car(path, request.said)


def _checked_date(text: str | None) -> str | None:
    from datetime import date

    if text is None:
        return None
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(f"--date {text}: no such day. Write it as 2026-11-25.") from None


def _archived(night: Night, folder: Path, date: str | None, *, any_read: bool) -> Night:
    """Keep the night; what the car's history says joins its findings and its verdict.

    What is kept already of the same night may not stand better than this verdict.
    """
    from audit.archive.store.join import hold
    from audit.archive.store.store import Archive
    from audit.archive.trend.fleet import trend_findings

    archive = Archive(folder)
    if any_read:
        archive.add(night, date=date, setting=night.setting)
        trend = trend_findings(archive, night.car.name)
        night = with_findings(night, trend) if trend else night
    hold(archive, night, date=date)
    return night


def _decided(night: Night, folder: Path | None) -> Night:
    from audit.archive.step.decide import with_decision
    from audit.archive.store.store import Archive

    return with_decision(night, None if folder is None else Archive(folder))
