"""Which day a night was, and when something was kept."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

from audit.errors import UsageError
from audit.model import Night


def now() -> str:
    """The present moment, ISO, UTC."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def day_of(text: str) -> str:
    """ISO day. Raises UsageError for a text that begins with none."""
    try:
        return dt.date.fromisoformat(text[:10]).isoformat()
    except ValueError:
        raise UsageError(f"date {text!r}: not a day. Write it as 2026-05-31.") from None


DAY_IN_PATH = re.compile(r"(?<!\d)(20\d\d)([-_.]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])(?!\d)")


def date_of(night: Night) -> str:
    """ISO day of a night: the earliest wall clock of its logs, else a day in their path, their files' date, today."""
    logs = [a for a in night.logs if not a.not_a_log]
    starts = [a.log.wall_start for a in logs if a.log is not None and a.log.wall_start]
    days = [day for text in starts if (day := _try_day(text))]
    if not days:
        named = [found[-1] for a in logs if (found := DAY_IN_PATH.findall(a.path))]
        days = [day for y, _, m, d in named if (day := _try_day(f"{y}-{m}-{d}"))]
    if not days:
        times = [Path(a.path).stat().st_mtime for a in logs if Path(a.path).is_file()]
        days = [day for t in times if (day := _day_at(t))]
    return min(days) if days else dt.datetime.now().astimezone().date().isoformat()


def _day_at(seconds: float) -> str | None:
    try:
        return dt.datetime.fromtimestamp(seconds).astimezone().date().isoformat()
    except (OverflowError, ValueError, OSError):
        return None


def _try_day(text: str) -> str | None:
    try:
        return day_of(text)
    except UsageError:
        return None
