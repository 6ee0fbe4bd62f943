"""A step response in the terms of IEEE Std 181: levels, transition, overshoot, settling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, clean, median, median_sorted
from audit.signal.lines import theil_sen
from audit.signal.peak import peak_bound, peak_interval_error
from audit.signal.plateau import Plateau, plateau_slope
from audit.signal.robust import noise_sigma
from audit.signal.settle import Settled
from audit.signal.transition import (
    Trace,
    find_knee,
    instants,
    pace_of,
    rose,
    settled_from,
    settled_line,
    start_level,
)

__all__ = ["Plateau", "StepResponse", "peak_bound", "peak_interval_error", "plateau", "plateau_slope", "step_response"]

LEAST_SAMPLES = 6
LEAST_PLATEAU_S = 0.25
MOST_LEFT = 0.05  # share of the step that may still be to come at the end of a settled response


@dataclass(frozen=True)
class StepResponse:
    """What a step did; times in s on the clock given, levels in the unit of y.

    start_level, settled_level: the two state levels (the second: middle of the plateau, or of the last
    part where it never settled). level_at_peak: the plateau line carried back to the peak's time.
    peak, peak_s: highest sample just after the transition, against that line; highest, highest_s: of all.
    overshoot: peak above level_at_peak, at least 0, less what noise alone would reach; as a share of the
    step, and of level_at_peak, in %. rise_s: 10 to 90 %. settling_s: from the 50 % instant until the signal
    stays inside the band. None: not in the data (the transition began before the first sample).
    """

    start_level: float
    settled_level: float
    settled_from_s: float
    peak: float
    peak_s: float
    overshoot: float
    overshoot_pct_of_step: float | None
    overshoot_pct_of_level: float | None
    rise_s: float | None
    transition_start_s: float | None
    settling_s: float | None
    settled: bool
    slope_per_s: float
    level_at_peak: float
    highest: float
    highest_s: float
    noise_sigma: float


def step_response(t: ArrayLike, y: ArrayLike, *, base: float | None = None,
                  target: float | None = None) -> StepResponse | None:
    """Measure a rise to a plateau; None under 6 samples.

    t: n seconds, strictly increasing, uneven is fine; y: n. base: the start level if known (0 for gauge
    pressure), else the level before the rise. target: the high level by agreement, used only where the
    data never settle. The plateau may slope: overshoot counts above the plateau's own line at the time of
    the peak, so that neither creep nor fade is read as overshoot. For a falling step give -y. A sudden fall in the last tenth (the release) is left out.
    Does not see a peak between samples (peak_bound) nor a decay slower than about a third of what was logged
    after the peak: that is fade.
    Source: IEEE Std 181-2011, state levels, transition duration, overshoot, settling duration (terms from memory).
    """
    clock, values = clean(t, y)
    if values.size < LEAST_SAMPLES:
        return None
    sigma = noise_sigma(clock, values) or 0.0
    kept = _before_the_drop(clock, values, sigma)
    clock, values = clock[:kept], values[:kept]
    return _measure(Trace(clock, values, sigma), base, target)


def _before_the_drop(t: FloatArray, y: FloatArray, sigma: float) -> int:
    """Rows to keep: a window cut a little late ends in the release, a sudden fall in its last tenth."""
    last = median_sorted(y[t >= t[-1] - 0.3 * (t[-1] - t[0])])
    limit = last - max(0.12 * (last - float(y.min())), 6 * sigma)
    high = np.flatnonzero(y >= limit)
    kept = int(high[-1]) + 1 if high.size else y.size
    brief = t[-1] - t[kept - 1] <= 0.12 * (t[-1] - t[0])
    return kept if brief and kept >= LEAST_SAMPLES else y.size


def plateau(t: ArrayLike, y: ArrayLike) -> Plateau | None:
    """The settled part of a rise, as a line; None under 6 samples or where it never settles."""
    clock, values = clean(t, y)
    step = step_response(clock, values)
    if step is None or not step.settled:
        return None
    return _plateau_from(clock, values, step.settled_from_s)


def _plateau_from(t: FloatArray, y: FloatArray, from_s: float) -> Plateau:
    rows = t >= from_s
    a, b = t[rows], y[rows]
    middle = 0.5 * float(a[0] + a[-1])
    fit = plateau_slope(a - middle, b)
    slope = fit.slope if fit else 0.0
    level = median_sorted(b - slope * (a - middle))
    rest = b - level - slope * (a - middle)
    return Plateau(float(a[0]), float(a[-1]), level, slope, 1.4826 * median_sorted(np.abs(rest)))


def _measure(trace: Trace, base: float | None, target: float | None) -> StepResponse:
    t, y, calm = trace.t, trace.y, trace.calm
    start = start_level(trace) if base is None else base
    knee, first, bend = find_knee(trace, start)
    fit, arrival = settled_line(trace, start, knee, first)
    line = fit.at(t)
    amplitude = float(line[arrival]) - start
    settled_at, band = settled_from(trace, line, arrival, abs(amplitude))
    if not rose(trace, start):
        settled_at = arrival
    t10, t50, t90 = instants(trace, start, amplitude, first)
    rise = t90 - t10 if t10 is not None and t90 is not None else None
    found = _Rise(start, amplitude, arrival, knee, bend, pace_of(amplitude, t10, t50, t90))
    settled = _is_settled(trace, fit, found, settled_at, band)
    tail = trace.tail()
    if not settled:
        settled_at = y.size - 1
        line = np.full_like(line, target if target is not None else max(tail, float(calm[arrival:].min())))
        if target is None and line[0] < tail:
            line = np.full_like(line, tail)
    peak, over = _overshoot(trace, line, arrival, settled_at if settled else y.size - 1)
    level = median(line[settled_at:]) if settled else float(line[-1])
    step = float(line[peak]) - start
    top = int(np.argmax(y))
    at_peak = float(line[peak])
    return StepResponse(
        start_level=start, settled_level=level, settled_from_s=float(t[settled_at]), peak=float(y[peak]),
        peak_s=float(t[peak]), overshoot=over, overshoot_pct_of_step=_percent(over, step),
        overshoot_pct_of_level=_percent(over, at_peak), rise_s=rise, transition_start_s=t10,
        settling_s=max(float(t[settled_at]) - t50, 0.0) if settled and t50 is not None else None,
        settled=settled, slope_per_s=fit.slope if settled else 0.0, level_at_peak=at_peak,
        highest=float(y[top]), highest_s=float(t[top]), noise_sigma=trace.sigma)


def _percent(part: float, whole: float) -> float | None:
    return 100 * part / whole if whole > 0 else None


@dataclass(frozen=True)
class _Rise:
    """The parts of a rise: levels; rows of arrival and knee; distance of the knee from the chord; pace per s."""

    start: float
    amplitude: float
    arrival: int
    knee: int
    bend: float
    pace: float | None


def _is_settled(trace: Trace, fit: Settled, rise: _Rise, settled_at: int, band: float) -> bool:
    """Long enough at rest, nothing left to come, and no longer climbing at a fair part of the rise's pace."""
    amplitude, arrival = rise.amplitude, rise.arrival
    t = trace.t
    seen = float(t[-1] - t[settled_at])
    noise = 3 * trace.sigma
    if not rose(trace, rise.start):
        return True  # it rests at one level
    if seen < max(LEAST_PLATEAU_S, 2.5 * trace.interval):
        return False
    risen = trace.tail() - rise.start
    if amplitude < 0.5 * risen or rise.bend <= max(0.03 * amplitude, trace.sigma):
        return False
    if band > max(0.25 * amplitude, noise) or (not fit.still_rings and fit.left > max(MOST_LEFT * amplitude, noise)):
        return False
    if rise.pace is None:
        return True
    after = float(t[-1] - t[arrival])
    slope, most = fit.slope, 0.3
    if seen < 0.3 * float(t[-1] - t[0]) and not fit.still_rings:
        # a short look: trust the samples' own slope where it is steeper than the fit's
        line = theil_sen(t[arrival:], trace.y[arrival:])
        slope, most = max(slope, line.low if line else 0.0), 0.25
    if slope * after < 0.03 * amplitude:
        return True
    return slope < most * rise.pace and (fit.still_rings or not _still_bends(trace, max(arrival, rise.knee) + 1, amplitude))


def _still_bends(trace: Trace, begin: int, amplitude: float) -> bool:
    """Is the climb after the arrival the bend of an approach that is not over, rather than a straight creep?

    An exponential approach has slope²/|curvature| still to go.
    """
    u = trace.t[begin:] - trace.t[-1]
    if u.size < 5:
        return False
    columns = np.stack((np.ones_like(u), u, u * u), axis=1)
    inverse = np.linalg.inv(columns.T @ columns)
    c = inverse @ columns.T @ trace.y[begin:]
    rest = trace.y[begin:] - columns @ c
    variance = float(rest @ rest) / (u.size - 3) + (0.3 * trace.step) ** 2 + (1e-3 * amplitude) ** 2
    sure = c[2] < -3 * np.sqrt(variance * inverse[2, 2]) and c[1] > 2 * np.sqrt(variance * inverse[1, 1])
    return bool(sure) and float(c[1]) ** 2 > MOST_LEFT * amplitude * 2 * abs(float(c[2]))


def _overshoot(trace: Trace, line: FloatArray, arrival: int, settled_at: int) -> tuple[int, float]:
    """Row of the peak of the transient and its height above the line, less what noise alone reaches."""
    t, y = trace.t, trace.y
    least = int(np.searchsorted(t, t[arrival] + 1.0))
    stop = min(max(settled_at, arrival + 3, least) + 1, y.size)
    begin = max(arrival - 2, 0)
    above = y[begin:stop] - line[begin:stop]
    i = int(np.argmax(above))
    near = int(np.sum(above >= above[i] - 3 * trace.sigma))
    return begin + i, max(0.0, float(above[i]) - trace.sigma * _expected_top(near))


def _expected_top(n: int) -> float:
    """Mean of the largest of n standard normal values (extreme-value approximation), 0 for one."""
    if n < 2:
        return 0.0
    a = float(np.sqrt(2 * np.log(n)))
    return a - (float(np.log(np.log(n))) + 2.5310) / (2 * a) + 0.5772 / a
