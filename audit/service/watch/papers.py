"""What the service writes for people: the page of a night, its JSON, and the reason beside what was
not read.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from audit import __version__
from audit.errors import ArchiveError, PullauditError
from audit.files import write_text
from audit.model import Night
from audit.service.watch.health import say

COPIED_UP_TO = 64 << 20  # bytes; of a larger file only the reason is written
TOLD = ("hold", "stop")


@dataclass(frozen=True, slots=True)
class Places:
    """Where the service's own files lie."""

    root: Path

    @property
    def ledger(self) -> Path:
        return self.root / "ledger.sqlite"

    @property
    def health(self) -> Path:
        return self.root / "health.json"

    @property
    def lock(self) -> Path:
        return self.root / "watch.lock"

    @property
    def set_aside(self) -> Path:
        return self.root / "set_aside"

    def night(self, car: str, name: str) -> Path:
        """The page of a night."""
        return self.root / "nights" / folder_of(car) / f"{name}.html"


def folder_of(car: str) -> str:
    """A car's name, safe for any file system."""
    name = quote(car, safe=" ()+,").strip(". ") or "car"
    if len(name) > 100:
        name = f"{name[:80]}-{hashlib.sha256(car.encode()).hexdigest()[:12]}"
    return name


def write(places: Places, name: str, night: Night) -> tuple[str, dict[str, Any]] | None:
    """Write a night's page and JSON; the event to tell on hold and stop, None for clear."""
    from audit.report.words import every_finding

    page = _page(places.night(night.car.name, name), night)
    if night.verdict not in TOLD:
        return None
    codes = sorted({f"{f.code}/{f.severity}" for f in every_finding(night) if f.severity in TOLD})
    key = "|".join((night.car.name, name, night.verdict, *codes))
    body = {
        "id": hashlib.sha256(key.encode()).hexdigest()[:16],
        "car": night.car.name,
        "night": name,
        "verdict": night.verdict,
        "reason": night.reasons[0] if night.reasons else "",
        "reasons": list(night.reasons),
        "logs": [a.path for a in night.logs],
        "report": str(page) if page else None,
    }
    return key, body


def _page(page: Path, night: Night) -> Path | None:
    """Write the papers. They can be made anew at any time, so that a failure is told and holds
    nothing up.
    """
    from audit.report.document import dumps

    try:
        page.parent.mkdir(parents=True, exist_ok=True)
        write_text(page.with_suffix(".json"), dumps(night) + "\n")
        from audit.report.html import write_report

        write_report(night, page)
    except (OSError, PullauditError, ImportError, ValueError) as error:
        say("no report", level=40, night=page.stem, error=str(error))
        return None
    return page


def set_aside(places: Places, path: Path, *, sha256: str, car: str, reason: str) -> Path:
    """Copy a file that could not be read, with its reason beside it; the file itself stays where it
    is.

    Returns the note's path. Raises ArchiveError when it cannot be written.
    """
    folder = places.set_aside / folder_of(car)
    name = f"{sha256[:12]}-{path.name[-150:]}"
    copy, note = folder / name, folder / f"{name}.reason.txt"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        small = path.is_file() and path.stat().st_size <= COPIED_UP_TO
        if small and not copy.exists():
            part = folder / f".{name}.part"
            shutil.copyfile(path, part)
            part.replace(copy)
        kept = (
            f"A copy lies beside this note: {copy.name}"
            if small
            else "It is too large to be copied here; see the file itself."
        )
        at = dt.datetime.now().astimezone().isoformat(timespec="seconds")
        about = f"file: {path}\nsha256: {sha256}\ncar: {car}\n"
        about += f"set aside: {at}, pullaudit {__version__}\n{kept}\n"
        write_text(note, f"{reason}\n\n{about}")
    except (OSError, PullauditError) as error:
        raise ArchiveError(f"{folder}: cannot set {path.name} aside ({error}).") from None
    return note
