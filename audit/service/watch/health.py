"""How the service is doing: log lines as JSON, a health file, and word to a service manager that
asks for it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import logging
import os
import socket
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, TextIO

from audit import __version__
from audit.files import write_text
from audit.night.days import now as utc_now

LOGGER = "pullaudit.watch"
HEALTH = "health.json"
STALE_AFTER = 3.0  # times the interval at which the health file is written


class Lines(logging.Formatter):
    """One JSON object a line: time (UTC), level, event, and what belongs to it. plain: the same for
    people, '19:40:02 screened  car=alder verdict=hold'.
    """

    def __init__(self, *, plain: bool) -> None:
        super().__init__()
        self.plain = plain

    def format(self, record: logging.LogRecord) -> str:
        level, event, about = record.levelname.lower(), record.getMessage(), vars(record)["about"]
        at = dt.datetime.fromtimestamp(record.created, dt.UTC)
        if self.plain:
            mark = "" if record.levelno <= logging.INFO else f"{level}: "
            told = " ".join(f"{key}={value}" for key, value in about.items())
            return f"{at.astimezone():%H:%M:%S} {mark}{event}  {told}".rstrip()
        line = {"at": at.isoformat(timespec="milliseconds"), "level": level, "event": event}
        return json.dumps(line | about, ensure_ascii=False, default=str)


def start_logging(out: TextIO, *, plain: bool) -> None:
    """Send the service's lines to a stream, and only there."""
    logger, handler = logging.getLogger(LOGGER), logging.StreamHandler(out)
    handler.setFormatter(Lines(plain=plain))
    logger.handlers = [handler]
    logger.setLevel(logging.DEBUG if os.environ.get("PULLAUDIT_DEBUG") else logging.INFO)
    logger.propagate = False


def say(event: str, *, level: int = logging.INFO, **about: Any) -> None:
    """One structured line."""
    logging.getLogger(LOGGER).log(level, event, extra={"about": about})


@dataclass(slots=True)
class Health:
    """The service in figures. waiting: files not complete yet; backlog: complete, not read yet;
    blocked: files kept back by something to be mended, told in `trouble`; skipped: files whose name
    or time cannot be dealt with.
    """

    inbox: str = ""
    mode: str = ""
    read: int = 0
    set_aside: int = 0
    known: int = 0
    nights: int = 0
    waiting: int = 0
    backlog: int = 0
    blocked: int = 0
    untold: int = 0
    skipped: int = 0
    trouble: str = ""
    last_verdict: str = ""
    last_at: str = ""
    started: str = ""
    every_s: float = 60.0
    ended: bool = False

    def line(self) -> dict[str, Any]:
        """The health line: figures now, the process and its memory."""
        return {
            **asdict(self),
            "pid": os.getpid(),
            "version": __version__,
            "at": utc_now(),
            "memory_mb": _memory_mb(),
        }


def write_health(folder: Path, health: Health) -> None:
    """Put the health line into its file, whole."""
    write_text(folder / HEALTH, json.dumps(health.line(), ensure_ascii=False) + "\n")


def read_health(folder: Path) -> tuple[bool, str]:
    """(is the service well, one sentence) from its health file."""
    path = folder / HEALTH
    try:
        line = json.loads(path.read_text(encoding="utf-8"))
        age = (dt.datetime.now(dt.UTC) - dt.datetime.fromisoformat(line["at"])).total_seconds()
        late = age > STALE_AFTER * line["every_s"]
    except (OSError, ValueError, KeyError, TypeError):
        return False, f"not well: {path}: no health line; the service has not run here."
    figures = (
        f"{line['read']} read, {line['set_aside']} set aside, {line['backlog']} in the backlog, "
        f"{line['waiting']} not complete yet"
    )
    if line.get("skipped"):
        figures += f", {line['skipped']} skipped for their name or time"
    wrong = f"stopped or stuck: the last health line is {age:.0f} s old" if late else ""
    wrong = wrong or (f"it ended at {line['at']}" if line.get("ended") else line["trouble"])
    if wrong:
        return False, f"not well: {wrong} ({figures})."
    last = f"; last verdict: {line['last_verdict']}" if line["last_verdict"] else ""
    return True, f"well: {figures}, {line['mode']}{last}."


def tell_manager(state: str) -> None:
    """Word to the service manager by its notification socket (sd_notify(3)); nothing without
    one.
    """
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.connect("\0" + address[1:] if address.startswith("@") else address)
        out.sendall(state.encode())


def _memory_mb() -> float | None:
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
        page = os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError, AttributeError):  # a system that does not tell
        return None
    return round(pages * page / 1e6, 1)
