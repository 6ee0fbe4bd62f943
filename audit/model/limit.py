"""One row of the thresholds table, and what a check may ask of the table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np

from audit.model.basis import SCORE_AT, Array


@dataclass(frozen=True, slots=True)
class Limit:
    """One row of the thresholds table for one measure, car overrides applied.

    below: a small value is the bad one. best: the value that scores 100.
    by, at, along: where the levels go by another figure (boost), its name, points and the levels
    there; best, watch, hold and stop are then those of the last point, and when() gives the row at
    any.
    """

    code: str
    measure: str
    unit: str
    best: float
    watch: float | None
    hold: float | None
    stop: float | None
    below: bool = False
    why: str = ""
    source: str = ""
    by: str = ""
    at: tuple[float, ...] = ()
    along: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    def when(self, figure: float | None) -> Limit:
        """The row at a figure of what its levels go by: straight lines between the points, level
        beyond them.
        """
        if figure is None or not self.at:
            return self
        levels = {n: float(np.interp(figure, self.at, v)) for n, v in self.along.items()}
        return replace(
            self,
            by="",
            at=(),
            along={},
            best=levels["best"],
            watch=levels.get("watch"),
            hold=levels.get("hold"),
            stop=levels.get("stop"),
        )

    def places(self, value: Array, figure: Array) -> Array:
        """How bad each value is at its own figure: 0 at best, 1 at watch, 2 at hold, 3 at stop, and
        on by line.

        For rows whose levels go by another figure; so stretches under changing boost compare.
        """
        levels = np.stack([np.interp(figure, self.at, v) for v in self.along.values()])
        place: Array = (value - levels[0]) / np.maximum(levels[1] - levels[0], 1e-6)
        for i in range(1, len(levels)):
            last = i == len(levels) - 1
            step = levels[i] - levels[i - 1] if last else levels[i + 1] - levels[i]
            step = np.maximum(step, 1e-6)  # a car file may lay two levels on one another
            place = np.where(value >= levels[i], i + (value - levels[i]) / step, place)
        return place

    def value_at(self, place: float, figure: float) -> float:
        """The value that stands at a place (see places) at this figure."""
        levels = [float(np.interp(figure, self.at, v)) for v in self.along.values()]
        i = min(max(int(place), 0), len(levels) - 1)
        step = levels[i] - levels[i - 1] if i == len(levels) - 1 else levels[i + 1] - levels[i]
        return levels[i] + (place - i) * max(step, 1e-6)

    def severity(self, value: float | None) -> str | None:
        """'watch', 'hold' or 'stop' when that level is reached, else None."""
        if value is None or not math.isfinite(value):
            return None
        for name, level in (("stop", self.stop), ("hold", self.hold), ("watch", self.watch)):
            if level is not None and (value <= level if self.below else value >= level):
                return name
        return None

    def reached(self, value: float | None) -> float | None:
        """The level that the value has reached (the worst), or None."""
        severity = self.severity(value)
        return None if severity is None else getattr(self, severity)

    def score(self, value: float | None) -> float | None:
        """100 at best, 70 at watch, 40 at hold, 10 at stop, falling on beyond; linear between."""
        if value is None or not math.isfinite(value):
            return None
        if (value >= self.best) if self.below else (value <= self.best):
            return 100.0
        points = [(self.best, 100.0)]
        for name, score in SCORE_AT.items():
            level = getattr(self, name)
            if level is not None:
                points.append((level, score))
        sign = -1.0 if self.below else 1.0
        x = [sign * p for p, _ in points]
        y = [s for _, s in points]
        v = sign * value
        if v <= x[-1] or len(x) < 2:
            return float(np.interp(v, x, y))
        span = x[-1] - x[-2]
        slope = (y[-2] - y[-1]) / span if span > 0 else 0.0
        return max(0.0, y[-1] - slope * (v - x[-1]))


class LimitTable(Protocol):
    """What a check may ask of the limits (audit.tables.Limits)."""

    def rows(self, code: str) -> tuple[Limit, ...]: ...
    def row(self, code: str, measure: str) -> Limit: ...
    def setting(self, name: str) -> float: ...
