"""One file, in whatever process or on whatever machine it is read; what is said when its reader
died.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from audit.model import Car, LogAudit
from audit.night.one_log import screen_log

if TYPE_CHECKING:
    from audit.night.remote import RemoteLog

Audit = Callable[["Path | RemoteLog"], list[LogAudit]]
Keep = Callable[[LogAudit], LogAudit]


def audit_one(
    source: Path | RemoteLog,
    *,
    car: Car,
    rate_hz: float | None = None,
    keep_frames: bool = True,
    duty: Mapping[str, float] | None = None,
    keep: Keep | None = None,
) -> list[LogAudit]:
    """Audit one file of this machine, or one that is fetched first. duty: %, by path, set by
    hand. keep: what is done with each audit where the file was read.
    """
    if keep is not None:
        audits = audit_one(source, car=car, rate_hz=rate_hz, duty=duty)
        return [keep(audit) for audit in audits]
    audit = functools.partial(
        screen_log,
        car=car,
        rate_hz=rate_hz,
        keep_frames=keep_frames,
        duty_pct=(duty or {}).get(str(source)),
    )
    if isinstance(source, Path):
        return audit(source)
    from audit.night.remote import fetched

    return fetched(audit, source)


def killer(path: Path | RemoteLog) -> LogAudit:
    """The word on a file whose reader died each time."""
    sentence = (
        f"{path}: the process that read it was ended by the system each time, most likely for "
        "want of memory. Screen it alone on a machine with more, or cut the log into parts."
    )
    return LogAudit(str(path), "", "rejected", error=sentence)
