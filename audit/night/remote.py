"""Logs on a file system that is not mounted here: s3://…, http://…, memory://…, whatever fsspec
knows.

fsspec is an optional extra (`pip install 'pullaudit[cluster]'`) and is loaded only for an address
with :// in it. The process that audits a log fetches it itself, so that on a cluster no byte goes
through the one who asks.
"""

from __future__ import annotations

import dataclasses
import importlib
import tempfile
from collections.abc import Iterable, Mapping
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, NamedTuple

from audit.carfile import CAR_FILE, load_car
from audit.discover import natural, passed_over
from audit.errors import UsageError
from audit.model import Car, LogAudit

if TYPE_CHECKING:
    from collections.abc import Callable

FOLDERS_ABOVE = 3  # a car file is looked for, as on a disk


class RemoteLog(NamedTuple):
    """A log by its address. size: bytes."""

    url: str
    size: int

    def __str__(self) -> str:
        return self.url


def is_remote(path: str) -> bool:
    """Is it an address of fsspec, no path of this machine?"""
    return "://" in path


def find_remote(urls: Iterable[str]) -> tuple[tuple[RemoteLog, ...], tuple[str, ...]]:
    """(logs, addresses where nothing is); a folder's address gives all logs below it.

    Raises UsageError when fsspec or the part for this kind of address is missing, or nobody
    answers.
    """
    found: dict[str, RemoteLog] = {}
    missing = []
    for url in urls:
        with_system = _opened(url)
        logs = _told(url, lambda pair=with_system: _below(*pair))
        found |= {log.url: log for log in logs}
        missing += [] if logs else [url]
    return tuple(found.values()), tuple(missing)


def _opened(url: str) -> tuple[Any, str]:
    try:
        fsspec = importlib.import_module("fsspec")
    except ImportError:
        raise UsageError(
            f"{url}: addresses need fsspec, which is not installed. Install it: pip install "
            "'pullaudit[cluster]'"
        ) from None
    try:
        system, path = fsspec.core.url_to_fs(url)
    except ImportError as error:
        raise UsageError(
            f"{url}: {str(error).rstrip('.')}. Install that package beside pullaudit."
        ) from None
    except ValueError as error:
        raise UsageError(
            f"{url}: {str(error).rstrip('.')}. Give an address that fsspec knows, as "
            "s3://bucket/folder."
        ) from None
    return system, str(path)


def _told(url: str, do: Any) -> Any:
    try:
        return do()
    except Exception as error:  # every file system raises its own
        raise UsageError(
            f"{url}: cannot be read ({type(error).__name__}: {str(error)[:200]}). Check address "
            "and rights."
        ) from None


def _below(system: Any, path: str) -> list[RemoteLog]:
    if not system.exists(path):
        return []
    if system.isfile(path):
        return [RemoteLog(str(system.unstrip_protocol(path)), int(system.size(path) or 0))]
    names = sorted((Path(name) for name in system.find(path)), key=natural)
    kept = [n for n in names if not passed_over(n.name) and not n.name.startswith(".")]
    return [
        RemoteLog(str(system.unstrip_protocol(n.as_posix())), int(system.size(n.as_posix()) or 0))
        for n in kept
    ]


def remote_car(logs: Iterable[RemoteLog], said: Mapping[str, str] | None = None) -> Car:
    """The car of the car.toml beside the logs or up to three folders above; the default car without
    one.

    said: as for load_car. Raises CarFileError for one that is wrong, UsageError when the logs lie
    under two different ones.
    """
    cars = {url for log in logs if (url := _car_above(log.url)) is not None}
    if len(cars) > 1:
        raise UsageError(
            f"the logs lie under {len(cars)} car files ({', '.join(sorted(cars))}). Screen one "
            "car at a time, or give --car."
        )
    if not cars:
        return load_car(None, said)
    url = cars.pop()
    system, path = _opened(url)
    with tempfile.TemporaryDirectory() as folder:
        local = (
            Path(folder) / PurePosixPath(path).parent.name / CAR_FILE
        )  # an unnamed car is named by its folder
        local.parent.mkdir(parents=True, exist_ok=True)
        local.write_bytes(_told(url, lambda: system.cat_file(path)))
        return dataclasses.replace(load_car(local, said), path=url)


def _car_above(url: str) -> str | None:
    system, path = _opened(url)
    above = list(PurePosixPath(path).parents)[: FOLDERS_ABOVE + 1]
    for folder in above:
        candidate = (folder / CAR_FILE).as_posix()
        if _told(url, lambda path=candidate: system.exists(path)):
            return str(system.unstrip_protocol(candidate))
    return None


def fetched(audit: Callable[[Path], list[LogAudit]], log: RemoteLog) -> list[LogAudit]:
    """Fetch a log into a passing folder, audit it, call it by its address."""
    with tempfile.TemporaryDirectory(prefix="pullaudit-") as folder:
        local = Path(folder) / (PurePosixPath(log.url).name or "log")
        try:
            system, path = _opened(log.url)
            system.get_file(path, str(local))
        except Exception as error:  # every file system raises its own
            return [
                LogAudit(
                    log.url,
                    "",
                    "rejected",
                    error=(
                        f"{log.url}: cannot be fetched ({type(error).__name__}). Check address "
                        "and rights."
                    ),
                )
            ]
        return [_called(a, str(local), log.url) for a in audit(local)]


def _called(audit: LogAudit, local: str, url: str) -> LogAudit:
    log = audit.log and dataclasses.replace(audit.log, path=audit.log.path.replace(local, url))
    pulls = tuple(
        dataclasses.replace(
            p, pull=dataclasses.replace(p.pull, log=dataclasses.replace(p.pull.log, path=url))
        )
        for p in audit.pulls
    )
    error = audit.error.replace(local, url) if audit.error else audit.error
    return dataclasses.replace(
        audit, path=audit.path.replace(local, url), log=log, pulls=pulls, error=error
    )
