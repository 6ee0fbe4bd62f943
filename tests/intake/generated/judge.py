"""A log as read against what was written: every channel, every value's size, the clock; and whether a fault was announced."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cases import Case, Column

from audit.intake import read_logs
from audit.model import Car, Log

SHARES = (0.03, 0.25, 0.5, 0.75, 0.9, 0.97)


@dataclass(frozen=True)
class Fault:
    """One thing read wrong. announced: the log says so (doubt, no such channel, refused)."""

    seed: int
    channel: str
    what: str
    announced: bool
    tellable: bool = True


def read(case: Case):
    """The entries of the case's file."""
    assert case.drive is not None
    car = (
        Car(
            path="car.toml",
            gear_ratios=tuple(r for r in case.drive.ratios),
            final_drive=1.0,
            circumference_m=60 / 3.6,
        )
        if case.gearing
        else Car()
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / case.name
        path.write_bytes(case.data)
        return read_logs(path, car=car, rate_hz=case.rate_hz)


def judge(case: Case) -> tuple[list[Fault], list[str]]:
    """(what is wrong, channels right but doubted though their unit could be told)."""
    entries = read(case)
    if len(entries) != 1 or not isinstance(entries[0], Log):
        error = "; ".join(getattr(e, "error", "read") for e in entries)
        return [
            Fault(case.seed, "file", f"{len(entries)} entries: {error}"[:300], announced=True)
        ], []
    log = entries[0]
    faults = _clock(case, log)
    doubted = []
    for column in case.columns:
        same = [
            c for c in log.channels if c.source == column.header
        ]  # two of a header where a column came twice
        found = next((c for c in same if c.known), same[0] if same else None)
        if found is None or found.name != column.channel:
            there = (
                "no such column"
                if found is None
                else f"read as {found.name if found.known else 'no channel'} ({found.name_why})"
            )
            faults.append(
                Fault(
                    case.seed,
                    column.channel,
                    f"{column.header!r} {there}",
                    announced=found is not None and not found.known and not log.has(column.channel),
                    tellable=column.tellable,
                )
            )
        elif not _same(case, log, column):
            faults.append(
                Fault(
                    case.seed,
                    column.channel,
                    f"{column.header!r} in {column.unit or 'no unit'} {column.reference} x{column.scale:g} read as {found.source_unit} ({found.unit_why})",
                    announced=found.doubtful,
                    tellable=column.tellable,
                )
            )
        elif found.doubtful and column.tellable:
            doubted.append(
                f"{column.channel}: {column.header!r} read as {found.source_unit}, or {found.runner_up}; {found.unit_why}"
            )
    return faults, doubted


def _clock(case: Case, log: Log) -> list[Fault]:
    assert case.rows is not None
    due = float(case.rows[-1] - case.rows[0])
    rows = abs(log.rows - len(case.rows)) <= max(3, 0.01 * len(case.rows))
    length = abs(log.duration_s - due) <= max(1.1, 0.03 * due) and bool(
        (np.diff(log.time) > 0).all()
    )
    if rows and length:
        return []
    return [
        Fault(
            case.seed,
            "time",
            f"{log.rows} rows over {log.duration_s:.1f} s, written {len(case.rows)} over {due:.1f} s ({log.clock})",
            announced=any("time" in n.message for n in log.notes),
        )
    ]


def _same(case: Case, log: Log, column: Column) -> bool:
    """The quantiles agree: a wrong unit moves them all."""
    assert case.drive is not None
    true, got = case.drive.channels[column.channel][:: column.every], log.values(column.channel)
    if column.held:
        true = np.repeat(true, column.every)[: len(case.drive.time)]
    got = got[np.isfinite(got)]
    if not len(got):
        return False
    slack = 0.3 if column.channel.endswith("temp") else 0.0
    if (
        column.channel == "manifold_pressure" and column.reference == "g"
    ):  # the reading is the boost; ambient may be unknown
        true, got = true - case.drive.ambient, got - log.barometric.kpa
    if column.channel == "boost_target" and column.reference == "a":
        true, got = true + case.drive.ambient, got + log.barometric.kpa
    if column.channel in ("manifold_pressure", "boost_target"):
        slack = 3.2
    size = 0.04 * float(np.abs(true).max()) + slack
    if column.channel in ("throttle_position", "pedal_position"):
        size = 6.0
    if column.channel == "acceleration_longitudinal":
        size = 0.5  # noise against little movement
    low, high = (
        np.quantile(true, np.clip(np.array(SHARES) - 0.015, 0, 1)) - size,
        np.quantile(true, np.clip(np.array(SHARES) + 0.015, 0, 1)) + size,
    )
    seen = np.quantile(got, SHARES)  # damage may cost a few rows
    return bool(((seen >= low) & (seen <= high)).all())
