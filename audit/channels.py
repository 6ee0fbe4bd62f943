"""How a log was understood: every source column, what it became and why, and what is missing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from audit.carfile import find_car_file, load_car
from audit.checks.kit.registry import all_checks
from audit.checks.kit.run import plain
from audit.discover import find_logs
from audit.errors import UsageError
from audit.model import REQUIRED_CHECKS, Channel, Log, Sanity, base_of
from audit.signal.arrays import quantile


@dataclass(frozen=True, slots=True)
class ColumnStory:
    """One source column. five: minimum, quartiles and maximum in the canonical unit, or None."""

    channel: Channel
    flag: int
    tests: Mapping[str, int]
    five: tuple[float, float, float, float, float] | None
    samples: int


@dataclass(frozen=True, slots=True)
class SwitchedOff:
    """A check that this log cannot feed, or a part of one that it does feed: for want of what."""

    check: str
    required: bool
    wants: str
    part: bool = False


@dataclass(frozen=True, slots=True)
class LogStory:
    """One log as it was understood."""

    log: Log
    columns: tuple[ColumnStory, ...]
    switched_off: tuple[SwitchedOff, ...]
    findings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Explained:
    """Everything `channels` shows of one path."""

    logs: tuple[LogStory, ...]
    rejected: tuple[str, ...]
    car_file: str | None
    us_units: bool

    def suggestion(self) -> str:
        """A [channels] block for the car file, from the first log."""
        from audit.intake.understand import suggest_channels

        return suggest_channels(self.logs[0].log) if self.logs else ""


def explain_file(
    path: Path, *, car_file: Path | None = None, rate_hz: float | None = None
) -> Explained:
    """Understand the logs of one path, without judging pulls. Raises UsageError when it is not
    there.
    """
    from audit.intake import read_logs
    from audit.sanity.examine import examine

    found = find_logs([path])
    if found.missing:
        raise UsageError(f"{path}: no such file or folder. Check the spelling.")
    chosen = car_file or find_car_file(found.files)
    car = load_car(chosen)
    stories: list[LogStory] = []
    rejected: list[str] = []
    for file in found.files:
        for entry in read_logs(file, car=car, rate_hz=rate_hz):
            if isinstance(entry, Log):
                stories.append(_story(entry, examine(entry, car)))
            else:
                rejected.append(entry.error)
    if not found.files:
        rejected.append(f"{path}: no log in this folder. Give the log itself.")
    us = car.units == "us" or (car.units is None and any(s.log.us_units for s in stories))
    return Explained(tuple(stories), tuple(rejected), str(chosen) if chosen else None, us)


def _story(log: Log, sanity: Sanity) -> LogStory:
    columns = tuple(_column(log, channel, sanity) for channel in log.channels)
    findings = tuple(
        dict.fromkeys([f.message for f in sanity.findings] + [n.message for n in log.notes])
    )
    return LogStory(log, columns, tuple(_switched_off(log)), findings)


def _column(log: Log, channel: Channel, sanity: Sanity) -> ColumnStory:
    five, samples = _five(log, channel)
    flag = int(sanity.flags.get(channel.name, 2)) if channel.known else 2
    tests = sanity.tests.get(channel.name, {}) if channel.known else {}
    return ColumnStory(channel, flag, tests, five, samples)


def _five(
    log: Log, channel: Channel
) -> tuple[tuple[float, float, float, float, float] | None, int]:
    name = channel.name
    if name not in log.frame.columns:
        return None, 0
    column = log.frame.get_column(name)
    if not column.dtype.is_numeric():
        return None, int(column.len() - column.null_count())
    values = column.drop_nulls().to_numpy().astype(float)
    values = values[np.isfinite(values)]
    if len(values) == 0:
        return None, 0
    low, q1, mid, q3, high = (quantile(values, share) for share in (0.0, 0.25, 0.5, 0.75, 1.0))
    return (low, q1, mid, q3, high), len(values)


def _switched_off(log: Log) -> list[SwitchedOff]:
    """Second sensors are no want: what has one is judged by it."""
    wanted = [
        (check, list(_wants(log, check.DECLARED.needs, check.DECLARED.least_rate_hz)))
        for check in all_checks()
    ]
    fed = {check.NAME for check, wants in wanted if not wants}
    return [
        SwitchedOff(check.NAME, required, want, part=check.NAME in fed)
        for check, wants in wanted
        for required in [check.NAME in REQUIRED_CHECKS and not check.DECLARED.part]
        for want in wants
    ]


def _wants(log: Log, needs: Iterable[str], least_hz: float) -> Iterator[str]:
    """What a check needs and this log lacks, in words."""
    for need in needs:
        options = ["manifold_pressure" if n == "boost" else n for n in need.split("|")]
        there = [log.by_name[n] for n in options if n in log.by_name]
        if not there and any(base_of(n) != n and base_of(n) in log.by_name for n in options):
            continue
        if not there:
            yield " or ".join(plain(n) for n in need.split("|"))
        elif max(c.rate_hz for c in there) < least_hz * 0.98:
            yield f"{plain(options[0])} at {least_hz:g} samples a second or more"
