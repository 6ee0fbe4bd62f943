"""Which day a night was, and when something was kept."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
from pathlib import Path

from audit.errors import UsageError
from audit.model import Night

_DATE = re.compile(
    r"(?<!\d)(20\d\d)([-_.]?)(0[1-9]|1[0-2])\2(0[1-9]|[12]\d|3[01])"
    r"(?:[T _-]+([01]\d|2[0-3])[-:_.h]?([0-5]\d)(?:[-:_.m]?([0-5]\d))?)?(?!\d)"
)


def now() -> str:
    """The present moment, ISO, UTC."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def today() -> str:
    """ISO day here."""
    return dt.datetime.now().astimezone().date().isoformat()


def day_of(text: str) -> str:
    """ISO day. Raises UsageError for a text that begins with none."""
    try:
        return dt.date.fromisoformat(text[:10]).isoformat()
    except ValueError:
        raise UsageError(f"date {text!r}: not a day. Write it as 2026-05-31.") from None


def dated(*names: str) -> tuple[dt.datetime, bool] | None:
    """(moment, is it a whole day) of a date in names, as 2026-05-31 or 2026-05-31_19-40.

    The last name that has one counts; None for none.
    """
    for found in filter(None, map(_DATE.search, reversed(names))):
        year, _, month, day, *clock = found.groups()
        hour, minute, second = (int(part or 0) for part in clock)
        with contextlib.suppress(ValueError):
            at = dt.datetime(int(year), int(month), int(day), hour, minute, second, tzinfo=dt.UTC)
            return at, clock[0] is None
    return None


def date_of(night: Night) -> str:
    """ISO day of a night, the earliest there is: of its logs' wall clocks, else of a date in their
    paths, else of their files, else today.
    """
    logs = [a for a in night.logs if not a.not_a_log]
    days = []
    for start in [a.log.wall_start for a in logs if a.log is not None and a.log.wall_start]:
        with contextlib.suppress(UsageError):
            days.append(day_of(start))
    if not days:
        named = [dated(*Path(a.path).parts) for a in logs]
        days = [found[0].date().isoformat() for found in named if found]
    if not days:
        for path in [Path(a.path) for a in logs if Path(a.path).is_file()]:
            with contextlib.suppress(OverflowError, ValueError, OSError):
                at = dt.datetime.fromtimestamp(path.stat().st_mtime).astimezone()
                days.append(at.date().isoformat())
    return min(days, default=today())
