"""What the engine was doing, on a thinned clock: the evidence that units are judged by."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.model import Array, Bools

THIN_TO = 1200  # rows of evidence
LEAST = 4  # samples for a level to count


@dataclass(frozen=True, eq=False)
class Scene:
    """Thinned, forward-filled rows. rpm; opening: throttle or pedal, 0 closed to 1 wide open; speed
    in the source's own unit. None where the log has none. time: s. The rest is known of other
    columns once they are decided; geared: the car file's gearing tells more of road speed.
    """

    time: Array
    rpm: Array | None = None
    opening: Array | None = None
    speed: Array | None = None
    speed_kmh: Array | None = None
    second_kmh: Array | None = None
    manifold_kpa: Array | None = None
    geared: bool = False

    @cached_property
    def closed(self) -> Bools | None:
        return None if self.opening is None else np.asarray(self.opening < 0.06)

    @cached_property
    def stopped(self) -> Bools | None:
        return None if self.rpm is None else np.asarray(self.rpm < 50.0)

    @cached_property
    def idle(self) -> Bools | None:
        if self.rpm is None:
            return None
        rest = self.closed
        if rest is None:
            rest = self.rpm < 1000.0 if self.speed is None else self.speed < 2.0
        return np.asarray((self.rpm > 450.0) & (self.rpm < 1300.0) & rest)

    @cached_property
    def overrun(self) -> Bools | None:
        if self.rpm is None or self.closed is None:
            return None
        return np.asarray((self.rpm > 1800.0) & self.closed)

    @cached_property
    def wide(self) -> Bools | None:
        """Wide open, and so for two rows."""
        if self.opening is None:
            return None
        open_now = self.opening > 0.85
        held = open_now.copy()
        held[1:] &= open_now[:-1]
        if self.rpm is not None:
            held &= self.rpm > 1000.0
        return np.asarray(held)

    @cached_property
    def steady(self) -> Bools | None:
        """Light load, neither wide open nor closed."""
        if self.opening is None or self.rpm is None:
            return None
        return np.asarray((self.opening > 0.06) & (self.opening < 0.4) & (self.rpm > 1000.0))

    def level(self, values: Array, where: Bools | None, *, share: float = 0.5) -> float | None:
        """The quantile of values where the mask holds; None for too few samples."""
        if where is None:
            return None
        picked = values[where]
        picked = picked[np.isfinite(picked)]
        return quantile(np.sort(picked), share) if len(picked) >= LEAST else None


def quantile(ordered: Array, share: float) -> float:
    """The sample nearest to that share of a sorted array."""
    return float(ordered[round(share * (len(ordered) - 1))])


def opening_of(throttle: Array) -> Array | None:
    """0 (closed) to 1 (wide open) from a throttle in any unit; None when it never moves enough to
    tell.
    """
    finite = throttle[np.isfinite(throttle)]
    if len(finite) < LEAST:
        return None
    ordered = np.sort(finite)
    low, high = quantile(ordered, 0.01), quantile(ordered, 0.995)
    if high - low > 25.0:
        return np.asarray((throttle - low) / max(high - low, 55.0 if low < 30.0 else 1.0))
    if low > 70.0:
        return np.asarray(throttle / max(high, 1.0))  # wide open all along
    return np.asarray((throttle - low) / 80.0)  # a closed or half-open throttle all along
