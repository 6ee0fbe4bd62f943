"""Engine speed, duty and target beside a boost trace, and its highest. No check."""

from __future__ import annotations

from math import log, sqrt
from typing import NamedTuple

import numpy as np

from audit.checks.boost.boost_trace import BoostTrace
from audit.model import Array, Pull, Series
from audit.signal.arrays import median_sorted, parabola
from audit.signal.smoothing import smooth

INNER = np.linspace(0.0, 1.0, 41)  # where the top of a parabola is looked for, from first to last
CALMED = 1.3  # times the variance of a plain mean: the calming weighs its middle more
NOISIER = 1.6  # times the noise of the whole log: intake pulsation grows with load


class Target(NamedTuple):
    """The boost wanted, kPa gauge, and who says so: the log's channel, else the car file."""

    kpa: float
    logged: bool

    @property
    def whose(self) -> str:
        """As it is said in a sentence."""
        return "the logged target" if self.logged else "the car file's target"


def level_between(series: Series, start_s: float, end_s: float) -> float | None:
    """Median from start to end (the last sample before, where none lies between), or None."""
    inside = series.within(start_s, end_s)
    if len(inside.t):
        return median_sorted(inside.value)
    before = int(series.t.searchsorted(start_s))
    return float(series.value[before - 1]) if before else None


def change_between(series: Series, start_s: float, end_s: float) -> float | None:
    """How far a channel moved from the first to the last third of a stretch; None for no sample."""
    third = (end_s - start_s) / 3
    early = level_between(series, start_s, start_s + third)
    late = level_between(series, end_s - third, end_s)
    return None if early is None or late is None else late - early


def rpm_at(pull: Pull, t: Array) -> Array:
    """Engine speed at the times t, rpm; NaN where no believed sample is near."""
    return pull.believed("engine_speed", lead_s=0.5, tail_s=0.5).at(t, max_gap_s=1.5)


def target_level(pull: Pull, start_s: float, end_s: float) -> Target | None:
    """The boost wanted in a stretch; None where nobody says."""
    level = level_between(pull.believed("boost_target"), start_s, end_s)
    if level is not None and level > 1.0:
        return Target(level, logged=True)
    given = pull.car.target_for(pull.gear)
    return None if given is None else Target(given, logged=False)


def over_target(
    pull: Pull, t: Array, y: Array, wanted: Target
) -> tuple[Array, Array, Array] | None:
    """Times, boost over its target at the same moments, and that target, kPa; None under three."""
    logged = pull.believed("boost_target", lead_s=1.0, tail_s=1.0)
    follows = wanted.logged and len(logged.t) > 1
    asked = logged.at(t) if follows else np.full(t.size, wanted.kpa)
    good = np.isfinite(asked)
    return (t[good], (y - asked)[good], asked[good]) if good.sum() >= 3 else None


def expected_top(n: int) -> float:
    """Mean of the largest of n standard normal values (extreme-value approximation), 0 for one."""
    if n < 2:
        return 0.0
    a = sqrt(2 * log(n))
    return a - (log(log(n)) + 2.5310) / (2 * a) + 0.5772 / a


def highest(pull: Pull, trace: BoostTrace) -> tuple[float, float, float]:
    """Boost peak in kPa, its time in s, and the level that at least two samples on end bear out.

    Noise makes the highest of many samples too high by its expected share of the samples that stand
    about the top; these are counted on the calmed boost, so that a plateau has many and a narrow
    peak few. Smoothing makes a narrow peak too low: the greater of that, the calmed boost and a
    parabola through the top is taken. The noise is no more than the whole log's, so that a swing is
    not taken for it.

    Example: 60 s of 20 samples at 100 kPa with 0.5 kPa of noise read 101.6 at most; 1200 samples
    stand about the top, of which the highest is due 3.2 sigma over it: 100.0."""
    t, y, sigma = trace.t, trace.y, noise_of(pull, trace)
    calm = calmed(trace)
    peak = max(crest(y, calm, sigma, trace.interval), _vertex(trace, calm, sigma))
    i = int(y.argmax())
    pairs = float(np.minimum(y[1:], y[:-1]).max())
    return min(peak, float(y[i])), float(t[i]), min(peak, pairs + sigma)


def calmed(trace: BoostTrace) -> Array:
    """Boost smoothed over 2 to 6 samples, however little noise it has, kPa."""
    return smooth(trace.t, trace.y, _span_s(trace.interval))


def _span_s(interval: float) -> float:
    return max(min(6 * interval, 0.2), 2.1 * interval)


def crest(y: Array, calm: Array, sigma: float, interval: float) -> float:
    """Top of a noisy signal less what noise of sigma puts on it; calm: it, lightly smoothed."""
    near = _near_top(calm, sigma)
    # what calming over 2 to 6 samples leaves of the noise still picks the highest of several
    spans = _span_s(interval) / interval
    left = sigma * sqrt(CALMED / spans) * expected_top(round(near / spans))
    return max(float(y.max()) - sigma * expected_top(near), float(calm.max()) - left)


def noise_of(pull: Pull, trace: BoostTrace) -> float:
    """White noise of boost about its peak, kPa: the pull's, but for a swing, which swells it."""
    known = pull.sanity.noise.get("manifold_pressure", 0.0) or 0.0
    return min(trace.sigma, NOISIER * known) if known > 0 else trace.sigma


def _near_top(calm: Array, sigma: float) -> int:
    """How many samples stand about the top."""
    return int(np.count_nonzero(calm >= float(calm.max()) - 1.5 * sigma)) if sigma > 0 else 1


def _vertex(trace: BoostTrace, calm: Array, sigma: float) -> float:
    """Top of a parabola about the calmed boost's highest, less noise; -inf under 5 samples."""
    middle = float(trace.t[int(calm.argmax())])
    half = max(2 * trace.interval, 0.12) * 1.01
    low, high = trace.t.searchsorted((middle - half, middle + half))
    u, v = trace.t[low:high] - middle, trace.y[low:high]
    if u.size < 5:
        return -np.inf
    first, last = max(float(u[0]), -0.5 * half), min(float(u[-1]), 0.5 * half)
    top = min(float(parabola(u, v, first + (last - first) * INNER).max()), float(v.max()))
    # the middle of a parabola through n samples has 1.5 / sqrt(n) of their noise (least squares)
    return top - 1.5 * sigma / sqrt(u.size) * expected_top(round(_near_top(calm, sigma) / u.size))
