"""What the service writes for people: the page of a night, its JSON, and the reason beside what was
not read. All of it lies in one folder, the service's own.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import shutil
from pathlib import Path
from typing import Any
from urllib.parse import quote

from audit import __version__
from audit.errors import PullauditError
from audit.files import told, write_text
from audit.model import Night
from audit.service.watch.health import say
from audit.service.watch.ledger import File

COPIED_UP_TO = 64 << 20  # bytes; of a larger file only the reason is written
TOLD = ("hold", "stop")


def folder_of(car: str) -> str:
    """A car's name, safe for any file system."""
    name = quote(car, safe=" ()+,").strip(". ") or "car"
    if len(name) > 100:
        name = f"{name[:80]}-{hashlib.sha256(car.encode()).hexdigest()[:12]}"
    return name


def write(folder: Path, name: str, night: Night) -> tuple[str, dict[str, Any]] | None:
    """Write a night's page and JSON; the event to tell on hold and stop, None for clear."""
    from audit.report.words import every_finding

    car, verdict = night.car.name, night.verdict
    page = _page(folder / "nights" / folder_of(car) / f"{name}.html", night)
    if verdict not in TOLD:
        return None
    codes = sorted({f"{f.code}/{f.severity}" for f in every_finding(night) if f.severity in TOLD})
    key = "|".join((car, name, verdict, *codes))
    return key, {
        "id": hashlib.sha256(key.encode()).hexdigest()[:16],
        "car": car,
        "night": name,
        "verdict": verdict,
        "reason": next(iter(night.reasons), ""),
        "reasons": list(night.reasons),
        "logs": [a.path for a in night.logs],
        "report": str(page) if page else None,
    }


def _page(page: Path, night: Night) -> Path | None:
    """Write the papers. They can be made anew at any time, so that a failure is told and holds
    nothing up.
    """
    try:
        from audit.report.document import dumps
        from audit.report.html import write_report

        page.parent.mkdir(parents=True, exist_ok=True)
        write_text(page.with_suffix(".json"), dumps(night) + "\n")
        write_report(night, page)
    except (OSError, PullauditError, ImportError, ValueError) as error:
        say("no report", level=40, night=page.stem, error=str(error))
        return None
    return page


def set_aside(folder: Path, file: File) -> None:
    """Copy a file that could not be read, with its reason beside it; the file itself stays where it
    is. Raises ArchiveError when it cannot be written.
    """
    path, folder = file.path, folder / "set_aside" / folder_of(file.car)
    name = f"{file.sha256[:12]}-{path.name[-150:]}"
    copy, part = folder / name, folder / f".{name}.part"
    with told(f"{folder}: cannot set {path.name} aside", PullauditError):
        folder.mkdir(parents=True, exist_ok=True)
        small = path.is_file() and path.stat().st_size <= COPIED_UP_TO
        if small and not copy.exists():
            shutil.copyfile(path, part)
            part.replace(copy)
        kept = f"A copy lies beside this note: {copy.name}"
        large = "It is too large to be copied here; see the file itself."
        at = dt.datetime.now().astimezone().isoformat(timespec="seconds")
        about = f"file: {path}\nsha256: {file.sha256}\ncar: {file.car}\n"
        about += f"set aside: {at}, pullaudit {__version__}\n{kept if small else large}\n"
        write_text(folder / f"{name}.reason.txt", f"{file.reason}\n\n{about}")
