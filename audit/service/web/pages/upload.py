"""Logs that come in through the browser: screened from a folder of ours, under names of ours."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from audit.errors import UsageError
from audit.model import Car, LogAudit, Night

MOST_FILES = 24
# Endings that tell the reader how to unpack; any other name ends in .log. Nothing else of a name
# reaches the disk.
ENDINGS = (
    ".csv",
    ".txt",
    ".tsv",
    ".log",
    ".gz",
    ".zip",
    ".parquet",
    ".json",
    ".mf4",
    ".mdf",
    ".dat",
    ".xlsx",
)
SHOWN_LENGTH = 120


@dataclass(frozen=True, slots=True)
class Upload:
    """A file as the browser sent it."""

    name: str
    body: bytes


def shown_name(name: str) -> str:
    """The last part of a name, for people: no folders, no control signs, not too long."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    clean = "".join(sign for sign in last if sign.isprintable()).strip()
    return clean[-SHOWN_LENGTH:] or "a log"


def ending(name: str) -> str:
    """One of ENDINGS, '.log' for every other; '.csv.gz' keeps both."""
    low = shown_name(name).lower()
    found = next((e for e in ENDINGS if low.endswith(e)), ".log")
    inner = (
        next((e for e in ENDINGS if low.removesuffix(found).endswith(e)), "")
        if found == ".gz"
        else ""
    )
    return inner + found


def screen_uploads(
    uploads: Sequence[Upload],
    *,
    car: Car,
    setting: str = "",
    told: Callable[[int, int, str], bool] | None = None,
) -> Night:
    """One night from uploaded files. Raises UsageError for none, too many, or where it was stopped.

    told: called with how many files are done, of how many, and a sentence; it answers whether to go
    on.
    """
    from audit.night.screen import assemble, screen_log

    if not uploads:
        raise UsageError("No file came with the form. Choose one or more logs.")
    if len(uploads) > MOST_FILES:
        raise UsageError(
            f"{len(uploads)} files; at most {MOST_FILES} at a time. Use `pullaudit screen` for a "
            "whole folder."
        )
    audits: list[LogAudit] = []
    with tempfile.TemporaryDirectory(prefix="pullaudit-") as folder:
        for i, upload in enumerate(uploads, 1):
            name = shown_name(upload.name)
            if told is not None and not told(
                i - 1, len(uploads), f"Reading {name}: {i} of {len(uploads)}."
            ):
                raise UsageError("Stopped. Nothing was kept.")
            path = Path(folder) / f"upload{i}{ending(upload.name)}"
            path.write_bytes(upload.body)
            audits += [
                _renamed(a, path, shown_name(upload.name)) for a in screen_log(path, car=car)
            ]
    if told is not None and not told(len(uploads), len(uploads), "Judging the night…"):
        raise UsageError("Stopped. Nothing was kept.")
    return assemble(audits, car=car, setting=setting)


def _renamed(audit: LogAudit, path: Path, name: str) -> LogAudit:
    """The audit under the name that the person knows."""

    def told(text: str) -> str:
        return text.replace(str(path), name).replace(path.name, name)

    log = audit.log and dataclasses.replace(audit.log, path=told(audit.log.path))
    pulls = (
        tuple(
            dataclasses.replace(p, pull=dataclasses.replace(p.pull, log=log)) for p in audit.pulls
        )
        if log
        else audit.pulls
    )
    error = told(audit.error) if audit.error else audit.error
    return dataclasses.replace(audit, path=told(audit.path), error=error, log=log, pulls=pulls)
