"""One night of one car, from files to verdict: the face of this room."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from audit.model import Car, LogAudit, Night
from audit.night.assemble import assemble, with_findings
from audit.night.one_log import audit_log, screen_log, slim
from audit.night.pool import audit_each

if TYPE_CHECKING:
    from audit.night.remote import RemoteLog

Progress = Callable[[int, int], None]


def screen_night(
    paths: Sequence[Path | RemoteLog],
    *,
    car: Car,
    setting: str = "",
    progress: Progress | None = None,
    **how: Any,
) -> Night:
    """Audit all logs of one night of one car and decide.

    progress: told how many of how many are done. how: as audit_each and audit_one have it.
    """
    found: dict[int, list[LogAudit]] = {}
    for index, audits in audit_each(paths, car=car, **how):
        found[index] = audits
        if progress is not None:
            progress(len(found), len(paths))
    audits = [audit for index in range(len(paths)) for audit in found[index]]
    return assemble(audits, car=car, setting=setting)


__all__ = ["assemble", "audit_log", "screen_log", "screen_night", "slim", "with_findings"]
