"""Bytes to Log: dialect, header, clock, names, units, rates; Parquet out and in."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from audit.intake.raw import Rejected
    from audit.model import Car, Log


def read_logs(path: Path, *, car: Car, rate_hz: float | None = None) -> list[Log | Rejected]:
    """Every recording behind a path (several for a zip), understood, or rejected with a sentence.

    rate_hz: rows a second for a log without a time column. A Parquet file that this program wrote
    comes back as it was understood then. Never raises for bad content.
    """
    own = _own_parquet(path)
    if own is not None:
        return [own]
    from audit.intake.raw import Rejected
    from audit.intake.read import read_raw
    from audit.intake.understand import understand

    return [
        one if isinstance(one, Rejected) else understand(one, car)
        for one in read_raw(path, rate_hz=rate_hz)
    ]


def _own_parquet(path: Path) -> Log | Rejected | None:
    """A log of our own making, None when the file is something else."""
    try:
        with path.open("rb") as file:
            if file.read(4) != b"PAR1":
                return None
    except OSError:
        return None
    from dataclasses import replace

    from audit.errors import UnreadableLog
    from audit.intake.parquet import is_ours, read_log
    from audit.intake.raw import Rejected

    if not is_ours(path):
        return None
    try:
        return replace(read_log(path), path=str(path))
    except UnreadableLog as error:
        return Rejected(str(path), "", str(error))


__all__ = ["read_logs"]
