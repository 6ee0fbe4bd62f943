"""Logs that come in through the browser: screened from a folder of ours, under names of ours."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from audit.errors import UsageError
from audit.model import Car, LogAudit, Night
from audit.tables import toml_table

MOST_FILES = 24
SHOWN_LENGTH = 120


class Upload(NamedTuple):
    """A file as the browser sent it."""

    name: str
    body: bytes


def endings() -> tuple[str, ...]:
    """Those that tell the reader how to unpack. Nothing else of a name reaches the disk."""
    return tuple(toml_table("files.toml")["logs"])


def shown_name(name: str) -> str:
    """The last part of a name, for people: no folders, no control signs, not too long."""
    last = name.replace("\\", "/").rsplit("/", 1)[-1]
    clean = "".join(sign for sign in last if sign.isprintable()).strip()
    return clean[-SHOWN_LENGTH:] or "a log"


def ending(name: str) -> str:
    """A known ending, '.log' for every other; '.csv.gz' keeps both."""
    low = shown_name(name).lower()
    last = next(filter(low.endswith, endings()), ".log")
    inner = next(filter(low.removesuffix(last).endswith, endings()), "") if last == ".gz" else ""
    return inner + last


def screen_uploads(
    uploads: Sequence[Upload],
    *,
    car: Car,
    setting: str = "",
    told: Callable[[int, int, str], bool] = lambda _done, _of, _said: True,
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

    def stage(done: int, said: str) -> None:
        if not told(done, len(uploads), said):
            raise UsageError("Stopped. Nothing was kept.")

    audits: list[LogAudit] = []
    with tempfile.TemporaryDirectory(prefix="pullaudit-") as folder:
        for i, upload in enumerate(uploads, 1):
            name = shown_name(upload.name)
            stage(i - 1, f"Reading {name}: {i} of {len(uploads)}.")
            path = Path(folder) / f"upload{i}{ending(upload.name)}"
            path.write_bytes(upload.body)
            audits += [_renamed(audit, path, name) for audit in screen_log(path, car=car)]
    stage(len(uploads), "Judging the night…")
    return assemble(audits, car=car, setting=setting)


def _renamed(audit: LogAudit, path: Path, name: str) -> LogAudit:
    """The audit under the name that the person knows."""

    def told(text: str) -> str:
        return text.replace(str(path), name).replace(path.name, name)

    audit = replace(audit, path=told(audit.path), error=audit.error and told(audit.error))
    if audit.log is None:
        return audit
    log = replace(audit.log, path=told(audit.log.path))
    pulls = tuple(replace(p, pull=replace(p.pull, log=log)) for p in audit.pulls)
    return replace(audit, log=log, pulls=pulls)
