"""The nouns of a car's trends: one measure over its nights, and all of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from audit.archive.trend.alarm import Shift
from audit.archive.trend.slope import Forecast, Slope
from audit.archive.watched import Watched
from audit.model import Finding

if TYPE_CHECKING:
    from audit.archive.store.journal import JournalNote


@dataclass(frozen=True)
class Trend:
    """One measure of one car over the nights of its present baseline.

    state: 'few' (too few nights to say), 'shifted', 'drifting' (a sure slope), 'past_limit' (of the
    car, without a shift or slope that explains it), 'not_sure' (the moving average is past its own
    limit, and no more) or 'steady'. values:
    a night each, at the reference conditions, in the measure's unit; residuals: what each was off
    what was expected from the nights before, in its unit; scores: the same as normal scores. ewma:
    moving average of the scores, cusum_high and cusum_low: the quick sums.
    ewma_limit: of the average. shift, slope, forecast: None for none. limit: the car's hold limit
    of the measure, None for none. alone: it has moved, and nothing that faults move with it has.
    """

    measure: Watched
    state: str
    dates: tuple[str, ...]
    values: tuple[float, ...]
    residuals: tuple[float, ...]
    scores: tuple[float, ...]
    ewma: tuple[float, ...]
    ewma_limit: float
    cusum_high: tuple[float, ...]
    cusum_low: tuple[float, ...]
    baseline: float | None
    level: float | None
    shift: Shift | None
    past: tuple[Shift, ...]
    slope: Slope | None
    forecast: Forecast | None
    because: str
    said: str = ""
    meaning: str = ""
    parts: Mapping[str, float] = field(default_factory=dict)
    limit: float | None = None
    alone: bool = False

    @property
    def side(self) -> str | None:
        """'up', 'down' or None: which way the measure has moved."""
        if self.shift:
            return self.shift.side
        if self.state == "drifting" and self.slope:
            return "up" if self.slope.per_night > 0 else "down"
        return None

    @property
    def told_as(self) -> str:
        """The row of `means` and `look_at` that it is told by; "" where it has not moved."""
        alone = f"{self.side}_alone"
        return alone if self.alone and alone in self.measure.means else self.side or ""

    @property
    def look_at(self) -> tuple[str, ...]:
        """What to look at, likeliest first."""
        return self.measure.look_at.get(self.told_as, ())

    @property
    def shift_night(self) -> str | None:
        """The night of the standing shift's onset."""
        return self.dates[self.shift.onset] if self.shift else None

    @property
    def raised_night(self) -> str | None:
        """The night on which it was first told."""
        return self.dates[self.shift.raised] if self.shift else None


@dataclass(frozen=True)
class Trends:
    """All measures of a car that any night had. findings: what the next night should hear of."""

    car: str
    dates: tuple[str, ...]
    trends: tuple[Trend, ...]
    findings: tuple[Finding, ...]
    notes: tuple[JournalNote, ...] = ()
