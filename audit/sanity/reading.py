"""One channel's own samples, and what the engine did meanwhile: what every sensor test looks at."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from audit.engine import State
from audit.model import Array, Bools
from audit.sanity.tests.noise import noise_and_step
from audit.sanity.tests.spikes import median_of_some
from audit.signal.arrays import IntArray
from audit.tables import ChannelRow

LEAST_LAMBDA = 0.1  # nothing burns there: a zero has no 1/lambda


@dataclass(frozen=True, eq=False)
class Reading:
    """channel: its name, lambda_2; row: of its quantity; t: s, n samples, increasing; value: n,
    none blank, canonical unit; step, sigma: resolution and white noise in it; state: of every row.
    """

    channel: str
    row: ChannelRow
    t: Array
    value: Array
    state: State
    step: float
    sigma: float

    @property
    def name(self) -> str:
        """The quantity, whichever of its sensors this is."""
        return self.row.name

    @cached_property
    def ends(self) -> tuple[float, float]:
        """The lowest and the highest reading; NaN where there is none."""
        if not len(self.value):
            return np.nan, np.nan
        return float(self.value.min()), float(self.value.max())

    @cached_property
    def interval_s(self) -> float:
        """Its own usual interval, 0 under two samples."""
        return median_of_some(np.diff(self.t)) if len(self.t) > 1 else 0.0

    @cached_property
    def at(self) -> IntArray:
        """The row of the log in which each sample was taken, or the next."""
        return np.minimum(self.state.t.searchsorted(self.t), len(self.state.t) - 1)

    @cached_property
    def same(self) -> Bools:
        """For each step to the next sample: does the value stay?"""
        return np.asarray(np.diff(self.value) == 0.0)

    @cached_property
    def stretch(self) -> IntArray:
        """For each sample the number of the wide-open stretch that it lies in, -1 for none."""
        out = np.full(len(self.t), -1)
        for i, (start, end) in enumerate(self.state.windows):
            out[slice(*np.searchsorted(self.t, (start - 1e-9, end + 1e-9)))] = i
        return out

    @cached_property
    def slewing(self) -> Reading:
        """As the sensor answers: 1/lambda for lambda, whose slope towards air has no bound."""
        if self.name != "lambda":
            return self
        value = 1.0 / np.maximum(self.value, LEAST_LAMBDA)
        sigma, step = noise_and_step(self.t, value)
        return replace(self, value=value, sigma=sigma or 0.0, step=step)

    def rows(self, a: int, b: int, *, inside_s: float = 0.0) -> slice:
        """The rows of the log that samples a to b (one past) span, less inside_s at both ends."""
        ends = (self.t[a] + inside_s, self.t[b - 1] - inside_s)
        return slice(*np.searchsorted(self.state.t, ends))
