"""Bytes to Log: dialect, header, clock, names, units, rates; Parquet out and in."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from audit.intake.raw import Rejected
    from audit.model import Car, Log


def read_logs(path: Path, *, car: Car, rate_hz: float | None = None) -> list[Log | Rejected]:
    """Every recording behind a path (several for a zip), understood, or rejected with a sentence.

    rate_hz: rows a second for a log without a time column. Never raises for bad content.
    """
    from audit.intake.raw import Rejected
    from audit.intake.read import read_raw
    from audit.intake.understand import understand

    return [one if isinstance(one, Rejected) else understand(one, car) for one in read_raw(path, rate_hz=rate_hz)]


__all__ = ["read_logs"]
