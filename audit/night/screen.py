"""One night of one car, from files to verdict: the face of this room."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from audit.model import Car, Night
from audit.night.assemble import assemble, with_findings
from audit.night.one_log import audit_log, screen_log, slim
from audit.night.pool import audit_files
from audit.night.worker import Keep

if TYPE_CHECKING:
    from audit.night.remote import RemoteLog

Progress = Callable[[int, int], None]


def screen_night(
    paths: Sequence[Path | RemoteLog],
    *,
    car: Car,
    rate_hz: float | None = None,
    workers: int | None = None,
    keep_frames: bool = True,
    setting: str = "",
    progress: Progress | None = None,
    cluster: str | None = None,
    duty: Mapping[str, float] | None = None,
    keep: Keep | None = None,
) -> Night:
    """Audit all logs of one night of one car and decide.

    duty: %, set by hand, by path. keep: what is done with each audit where its file is read.
    """
    audits = audit_files(
        paths,
        car=car,
        rate_hz=rate_hz,
        workers=workers,
        keep_frames=keep_frames,
        progress=progress,
        cluster=cluster,
        duty=duty,
        keep=keep,
    )
    return assemble(audits, car=car, setting=setting)


__all__ = ["assemble", "audit_log", "screen_log", "screen_night", "slim", "with_findings"]
