"""One thing seen with its evidence, and how a check came out."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing seen, with its evidence. A code is one of the stable finding codes."""

    code: str
    severity: str
    message: str
    channel: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    likely: tuple[str, ...] = ()
    look_at: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class CheckResult:
    """How one check came out. cause, when not evaluated: 'missing', 'not_believed', 'too_slow',
    'too_short' or 'crashed'; why is the sentence for people."""

    name: str
    status: str  # pass, watch, fail, not_evaluated
    score: float | None
    why: str = ""
    cause: str = ""
    findings: tuple[Finding, ...] = ()
