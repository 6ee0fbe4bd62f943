"""What is said of a pull, a log and a night, and the decision."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from audit.model.car import Car
from audit.model.finding import CheckResult, Finding
from audit.model.log import Log, Sanity
from audit.model.pull import Pull, Tear


@dataclass(frozen=True, eq=False)
class PullAudit:
    """One pull judged: its measures, how each check came out, and what was found."""

    pull: Pull
    measures: Mapping[str, float | None]
    checks: Mapping[str, CheckResult]
    findings: tuple[Finding, ...]

    @property
    def score(self) -> float | None:
        scores = [c.score for c in self.checks.values() if c.score is not None]
        return min(scores) if scores else None


@dataclass(frozen=True, eq=False)
class LogAudit:
    """One file of the night: read and judged, or rejected with the reason."""

    path: str
    sha256: str
    status: str  # read, rejected
    error: str | None = None
    log: Log | None = None
    sanity: Sanity | None = None
    findings: tuple[Finding, ...] = ()
    pulls: tuple[PullAudit, ...] = ()
    checks: Mapping[str, CheckResult] = field(default_factory=dict)  # judged on the whole log
    tears: tuple[Tear, ...] = ()  # wide-open stretches of which a part is missing
    not_a_log: bool = False  # rejected, and nothing in the file looks like a log
    rows: int = 0
    duration_s: float = 0.0
    rate_hz: float = 0.0
    facts: Mapping[str, Any] | None = None  # of the whole log, where its samples were dropped
    kept: str | None = None  # the archive's file of a log that its reader has kept


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do about boost after a night. state: 'step', 'stay', 'no_step'. why, first: a
    sentence each,
    canonical units; first: what to look at first. expected_kpa: (low, mid, high), settled boost of
    the next pull at duty_next_pct, gauge, nine in ten; other_gears: (gear, its next duty in %) of
    those with pulls. None, or left out, for what is not known."""

    state: str
    why: str
    first: str
    duty_now_pct: float | None = None
    duty_next_pct: float | None = None
    expected_kpa: tuple[float, float, float] | None = None
    gear: int | None = None
    other_gears: tuple[tuple[int, float], ...] = ()

    def plain(self) -> dict[str, Any]:
        """As plain values for JSON; figures to two digits."""
        low, mid, high = self.expected_kpa or (None, None, None)
        return {
            "state": self.state,
            "duty_now_pct": _rounded(self.duty_now_pct),
            "duty_next_pct": _rounded(self.duty_next_pct),
            "expected_kpa": {"low": _rounded(low), "mid": _rounded(mid), "high": _rounded(high)},
            "gear": self.gear,
            "why": self.why,
            "first": self.first,
            "other_gears": [
                {"gear": gear, "duty_next_pct": _rounded(duty)} for gear, duty in self.other_gears
            ],
        }


def _rounded(value: float | None) -> float | None:
    return round(float(value), 2) if value is not None and math.isfinite(value) else None


@dataclass(frozen=True, eq=False)
class Night:
    """All that is said of one night of one car."""

    car: Car
    logs: tuple[LogAudit, ...]
    verdict: str
    reasons: tuple[str, ...]
    checks: Mapping[str, CheckResult]
    findings: tuple[Finding, ...] = ()
    assumed: tuple[str, ...] = ()  # what was taken for granted for want of a car file
    us_units: bool = False
    setting: str = ""  # dyno, street or ""
    decision: Decision | None = None
