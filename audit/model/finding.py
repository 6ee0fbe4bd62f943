"""One thing seen with its evidence, and how a check came out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from audit.model.basis import SEVERITIES


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

    def worse_than(self, other: Finding) -> bool:
        """Of a higher severity; of the same one, further out on the side of its limit.

        Only figures of one code and unit can be told apart: else neither is worse.
        """
        if self.severity != other.severity:
            return SEVERITIES.index(self.severity) > SEVERITIES.index(other.severity)
        if self.value is None or other.value is None or self.limit is None:
            return False
        if (self.code, self.unit) != (other.code, other.unit):
            return False
        return self.value > other.value if self.value >= self.limit else self.value < other.value


def worst_of(findings: Sequence[Finding]) -> int:
    """Where the worst of some findings stands, the first of equals; 0 for none."""
    worst = 0
    for i, finding in enumerate(findings):
        if finding.worse_than(findings[worst]):
            worst = i
    return worst


class CheckResult(NamedTuple):
    """How one check came out. cause, when not evaluated: 'missing', 'not_believed', 'too_slow',
    'too_short' or 'crashed'; why is the sentence for people."""

    name: str
    status: str  # pass, watch, fail, not_evaluated
    score: float | None
    why: str = ""
    cause: str = ""
    findings: tuple[Finding, ...] = ()
