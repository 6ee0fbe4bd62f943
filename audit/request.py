"""One request of `screen`, from paths to a night: which files, which car, what is kept."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from audit.archive.step.decide import in_history, with_decision
from audit.carfile import find_car_file, load_car
from audit.discover import Found, find_logs
from audit.errors import ArchiveError, UsageError
from audit.model import Car, Night
from audit.night.days import date_of, day_of
from audit.night.screen import screen_night
from audit.night.typed import by_path, unused

if TYPE_CHECKING:
    from audit.archive.store.store import Archive
    from audit.night.remote import RemoteLog
    from audit.night.worker import Keep


@dataclass(frozen=True, slots=True)
class Request:
    """What a person asked to have screened."""

    paths: tuple[Path, ...]
    car_file: Path | None = None
    archive: str | Path | None = None
    logs: str | None = None  # where a new archive keeps its logs
    units: str | None = None
    workers: int | None = None
    rate_hz: float | None = None
    setting: str | None = None
    date: str | None = None
    keep_frames: bool = True
    progress: Callable[[int, int], None] | None = None
    urls: tuple[str, ...] = ()  # logs on other file systems, by fsspec's addresses
    cluster: str | None = None  # address of a Dask scheduler
    said: Mapping[str, str] = field(default_factory=dict)  # the car file's keys, for this call
    duty: Mapping[str, float] = field(default_factory=dict)  # %, set by hand, by path; "" for all
    ask: Callable[[str], bool] | None = None  # a question to the person; None where nobody answers


class Outcome(NamedTuple):
    """night: None when there was nothing to read; usage: a path was wrong; warnings: for people."""

    night: Night | None
    warnings: tuple[str, ...]
    usage: bool
    date: str = ""  # the night's ISO day

    @property
    def any_read(self) -> bool:
        """Could any log be read?"""
        return self.night is not None and any(a.status == "read" for a in self.night.logs)


def run(request: Request) -> Outcome:
    """Screen what was asked for. Raises CarFileError or UsageError for a wrong car file or date."""
    archive = None
    if request.archive is not None:
        from audit.archive.store.store import Archive

        archive = Archive(checked_archive(request.archive), logs=request.logs)
    found = find_logs(request.paths)
    remote, not_there = _remote(request.urls)
    warnings = list(_complaints(found, not_there))
    wrong = bool(found.missing or not_there)
    car = _car(request, found, remote)
    date = None if request.date is None else day_of(request.date)
    files: tuple[Path | RemoteLog, ...] = (*found.files, *remote)
    if not files:
        return Outcome(None, tuple(warnings), usage=wrong)
    night = screen_night(
        files,
        car=car,
        cluster=request.cluster,
        rate_hz=request.rate_hz,
        workers=request.workers,
        keep_frames=request.keep_frames,
        setting=request.setting or "",
        progress=request.progress,
        duty=by_path(request.duty, files),
        keep=_keeping(archive) if archive is not None and request.cluster else None,
    )
    kept: tuple[str, ...] = ()
    if archive is not None:
        night, kept = _archived(night, request, archive, date)
    if night.decision is None:
        try:
            night = with_decision(night, archive)
        except ArchiveError:  # one that cannot be read gives no history
            night = with_decision(night, None)
    if request.units is not None:
        night = dataclasses.replace(night, us_units=request.units == "us")
    warnings += [a.error or a.path for a in night.logs if a.status == "rejected"]
    warnings += [
        f"{a.path}: {said}" for a in night.logs if a.log is not None and (said := unused(a.log))
    ]
    return Outcome(night, (*warnings, *kept), usage=wrong, date=date or date_of(night))


def checked_archive(archive: str | Path) -> str:
    """The same as text. Raises UsageError for an address that is none of a database server."""
    text = str(archive)
    if re.match(r"[A-Za-z][A-Za-z0-9+.-]+:/", text) and not re.match(r"postgres(ql)?:/", text):
        address = re.sub(r":/+", "://", text, count=1)  # a path has lost one of its slashes
        raise UsageError(
            f"--archive {address}: an archive is a folder, or a database server by postgresql://…; "
            "the logs alone may lie in a store: --logs."
        )
    return text


def _complaints(found: Found, not_there: Iterable[str]) -> Iterator[str]:
    for p in found.missing:
        yield (
            f"{p}: no such file or folder. Check the spelling, or give the folder that holds the "
            "logs."
        )
    for p in found.empty:
        yield (
            f"{p}: no log in this folder. Give the logs themselves, or the folder your logger "
            "writes to."
        )
    for url in not_there:
        yield f"{url}: no log there. Check the address."


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


def _archived(
    night: Night, request: Request, archive: Archive, date: str | None
) -> tuple[Night, tuple[str, ...]]:
    """Keep the night; what the car's history says joins its findings and its verdict.

    An archive that cannot be read or written takes nothing from the verdict: that is said, and the
    verdict stands.
    """
    keep = partial(archive.add, night, date=date, setting=night.setting, history=in_history)
    try:
        added = keep()
        if added.misdated and request.ask is not None:
            names = ", ".join(added.misdated)
            if request.ask(f"{names}: these logs are kept under another date. Move to {date}?"):
                with archive.writing(night.car.name):
                    for name in added.misdated:
                        archive.withdraw(name)
                    added = keep()
    except ArchiveError as error:
        return night, (f"{error} This night is not kept; the verdict is on its logs alone.",)
    return added.night, added.said


def _keeping(archive: Archive) -> Keep | None:
    """With logs in a store, each is kept by the worker that has read it; its samples stay there."""
    from audit.archive.store.store import keep_where_read

    try:
        archive.make()
    except ArchiveError:  # told when the night is kept
        return None
    remote = archive.kept.remote
    return partial(keep_where_read, logs=archive.kept.address) if remote else None
