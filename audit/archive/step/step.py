"""A next step as a noun, and what it is held against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from audit.archive.step.step_table import words


@dataclass(frozen=True)
class Overshoot:
    """worst_kpa: highest peak over the settled level seen; share: the same over the settled level;
    spread_kpa: sd.
    seen: False where no pull could show it.
    """

    worst_kpa: float
    share: float
    spread_kpa: float
    seen: bool

    def allowance(self, settled_kpa: float) -> float:
        """What a peak may stand above a settled level, kPa."""
        return max(self.worst_kpa, self.share * settled_kpa) + self.spread_kpa


@dataclass(frozen=True)
class Air:
    """Last night's: density over the reference's, ambient pressure in kPa absolute."""

    relative: float
    barometric_kpa: float


@dataclass(frozen=True)
class Bounds:
    """What no step may pass. limit_kpa: gauge; assumed: why it is not the car file's, "" if it is.
    duty_min_pct: the solenoid does not move below it, so a step is counted from there.
    unproven_pct: the highest duty while boost was not seen to follow duty; None once it was.
    large_pct: the most duty of a step over step_pct, where the curve speaks for one; None for none.
    """

    target_kpa: float
    limit_kpa: float
    assumed: str
    sensor_top_kpa: float | None
    duty_max_pct: float
    step_pct: float
    step_kpa: float
    unproven_pct: float | None = None
    large_pct: float | None = None
    duty_min_pct: float = 0.0


@dataclass(frozen=True)
class Step:
    """action: 'up', 'stay', 'down' or 'refuse'. duty: to try next, % (None for refuse). expected,
    low, high: settled
    boost there, kPa gauge, 90 % interval of the next pull; peak: upper end with colder air and
    overshoot.
    binds: the bound, one word; sentence: for people, canonical units; log_next: what to log, "" for
    nothing.
    target_duty: (lower, median, upper) duty for the target, each None where 100 % does not reach
    it.
    """

    action: str
    gear: int
    sentence: str
    binds: str = ""
    from_duty: float | None = None
    duty: float | None = None
    expected: float | None = None
    low: float | None = None
    high: float | None = None
    peak: float | None = None
    limit: float | None = None
    target: float | None = None
    target_duty: tuple[float | None, float | None, float | None] = (None, None, None)
    log_next: str = ""


def worded(
    key: str, action: str, gear: int, binds: str = "", *, say: Any = None, **known: Any
) -> Step:
    """A step by a row of the table of words. binds: the bound, else the row's name. say: figures of
    the sentences beside those of the step, `known`.
    """
    row, figures = words("step")[key], {"gear_said": gear_said(gear), **known, **(say or {})}
    said, then = (row.get(name, "").format(**figures) for name in ("said", "next"))
    return Step(action, gear, said, binds or key, log_next=then, **known)


def gear_said(gear: int) -> str:
    """'gear 3', or that it is not known."""
    return f"gear {gear}" if gear else "a gear not known"
