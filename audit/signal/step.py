"""A step response in the terms of IEEE Std 181: levels, transition, overshoot, settling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, clean, median_sorted
from audit.signal.lines import theil_sen
from audit.signal.peak import peak_bound, peak_interval_error
from audit.signal.plateau import Plateau, plateau_slope
from audit.signal.robust import noise_sigma, resolution
from audit.signal.settle import Settled, settle
from audit.signal.smoothing import smooth

__all__ = ["Plateau", "StepResponse", "peak_bound", "peak_interval_error", "plateau", "plateau_slope", "step_response"]

BAND = 0.02  # settling band, share of the step
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
    the peak, so that neither creep nor fade is read as overshoot. For a falling step give -y.
    Does not see a peak between samples (peak_bound) nor a decay slower than about a third of what was logged
    after the peak: that is fade.
    Source: IEEE Std 181-2011, state levels, transition duration, overshoot, settling duration (terms from memory).
    """
    clock, values = clean(t, y)
    if values.size < LEAST_SAMPLES:
        return None
    sigma = noise_sigma(clock, values) or 0.0
    return _measure(_Trace(clock, values, sigma), base, target)


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


class _Trace:
    """The samples, a lightly smoothed copy to find instants on, noise and step of the data."""

    def __init__(self, t: FloatArray, y: FloatArray, sigma: float) -> None:
        self.t, self.y, self.sigma = t, y, sigma
        self.step = resolution(y)
        interval = float(np.median(np.diff(t)))
        noisy = max(sigma, 0.3 * self.step) > 0.004 * float(np.ptp(y))
        self.interval = interval
        self.calm = smooth(t, y, max(4 * interval, min(0.03 * float(t[-1] - t[0]), 0.2))) if noisy else y

    def tail(self) -> float:
        rows = max(3, int(np.sum(self.t >= self.t[-1] - 0.15 * (self.t[-1] - self.t[0]))))
        return median_sorted(self.y[-rows:])


def _measure(trace: _Trace, base: float | None, target: float | None) -> StepResponse:
    t, y, calm = trace.t, trace.y, trace.calm
    start = _start_level(trace) if base is None else base
    knee, first, bend = _knee(trace, start)
    fit, arrival = _settled_line(trace, start, knee, first)
    line = fit.at(t)
    amplitude = float(line[arrival]) - start
    settled_at, band = _settled_at(trace, line, arrival, abs(amplitude))
    if not _rose(trace, start):
        settled_at = arrival
    t10, t50, t90 = _instants(trace, start, amplitude, first)
    rise = t90 - t10 if t10 is not None and t90 is not None else None
    settled = _is_settled(trace, fit, settled_at, band, amplitude, _pace(amplitude, t10, t50, t90), arrival, start,
                          knee=knee, has_knee=bend > max(0.03 * amplitude, trace.sigma))
    tail = trace.tail()
    if not settled:
        settled_at = y.size - 1
        line = np.full_like(line, target if target is not None else max(tail, float(calm[arrival:].min())))
        if target is None and line[0] < tail:
            line = np.full_like(line, tail)
    peak, over = _overshoot(trace, line, arrival, settled_at if settled else y.size - 1)
    level = float(np.median(line[settled_at:])) if settled else float(line[-1])
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


def _rose(trace: _Trace, start: float) -> bool:
    return trace.tail() - start > max(3 * trace.sigma, trace.step, 1e-6 * float(np.abs(trace.y).max()))


def _percent(part: float, whole: float) -> float | None:
    return 100 * part / whole if whole > 0 else None


def _start_level(trace: _Trace) -> float:
    """Median of what lies below a tenth of the rise before its top; the lowest value where nothing rests there."""
    top = int(np.argmax(trace.calm >= np.quantile(trace.calm, 0.9)))
    before = trace.calm[: top + 1]
    low = float(np.quantile(before, 0.03))
    limit = low + 0.1 * (trace.tail() - low)
    begun = int(np.argmax(before > limit)) if bool((before > limit).any()) else before.size
    rest = trace.y[: max(begun, 1)]
    return median_sorted(rest) if limit > low and begun else low


def _knee(trace: _Trace, start: float) -> tuple[int, int, float]:
    """Row of the knee (farthest above the chord from the start of the rise to the end), that start, the distance."""
    calm, t, tail = trace.calm, trace.t, trace.tail()
    low = start + 0.1 * (tail - start)
    up = np.flatnonzero(calm >= start + 0.5 * (tail - start))
    if tail <= start or not up.size or up[0] == 0:
        return 0, 0, np.inf
    below = np.flatnonzero(calm[: up[0]] < low)
    first = int(below[-1]) if below.size else 0
    chord = np.interp(t, (t[first], t[-1]), (calm[first], tail))
    above = calm[first:] - chord[first:]
    knee = int(np.argmax(above))
    return first + knee, first, float(above[knee])


def _settled_line(trace: _Trace, start: float, knee: int, first: int) -> tuple[Settled, int]:
    """The plateau line, fitted from the knee or from the arrival at the line, whichever is later."""
    t, y, calm = trace.t, trace.y, trace.calm
    last = max(y.size - 4, 0)
    begin = min(knee, last)
    fit = settle(t[begin:], y[begin:], trace.sigma)
    arrival = begin
    for _ in range(3):
        line = fit.at(t)
        near = line - np.maximum(BAND * np.abs(line - start), 1.5 * trace.sigma)
        there = np.flatnonzero(calm[first:] >= near[first:])
        arrival = first + int(there[0]) if there.size else begin
        later = min(max(knee, arrival), last)
        if later <= begin:
            break
        begin = later
        fit = settle(t[begin:], y[begin:], trace.sigma)
    return fit, min(arrival, y.size - 1)


def _settled_at(trace: _Trace, line: FloatArray, arrival: int, amplitude: float) -> tuple[int, float]:
    """First row from which the signal stays in the band: 2 % of the step, or what it does at the end."""
    off = np.abs(trace.calm - line)
    third = max(3, (off.size - arrival) // 3)
    least = 1e-6 * max(float(np.abs(line).max()), 1e-6)
    band = max(BAND * amplitude, 1.1 * float(off[-third:].max()), trace.step, 2 * trace.sigma, least)
    out = np.flatnonzero(off[arrival:] > band)
    return (min(arrival + int(out[-1]) + 1, off.size - 1) if out.size else arrival), band


def _instants(trace: _Trace, start: float, amplitude: float,
              first: int) -> tuple[float | None, float | None, float | None]:
    """The 10, 50 and 90 % instants of the rise, on straight lines between samples."""
    calm, t = trace.calm, trace.t

    def instant(share: float) -> float | None:
        level = start + share * amplitude
        up = np.flatnonzero(calm[first:] >= level)
        i = first + int(up[0]) if up.size else 0
        if amplitude <= 0 or i == 0 or calm[i - 1] >= level:
            return None
        return float(t[i - 1] + (level - calm[i - 1]) / (calm[i] - calm[i - 1]) * (t[i] - t[i - 1]))

    return instant(0.1), instant(0.5), instant(0.9)


def _pace(amplitude: float, t10: float | None, t50: float | None, t90: float | None) -> float | None:
    """The faster of the two halves of the rise, per s."""
    halves = [(t50, t10), (t90, t50)]
    paces = [0.4 * amplitude / (b - a) for b, a in halves if b is not None and a is not None and b > a]
    return max(paces, default=None)


def _is_settled(trace: _Trace, fit: Settled, settled_at: int, band: float, amplitude: float,
                pace: float | None, arrival: int, start: float, *,
                knee: int, has_knee: bool) -> bool:
    """Long enough at rest, nothing left to come, and no longer climbing at a fair part of the rise's pace."""
    t = trace.t
    seen = float(t[-1] - t[settled_at])
    noise = 3 * trace.sigma
    if not _rose(trace, start):
        return True  # it rests at one level
    if seen < max(LEAST_PLATEAU_S, 2.5 * trace.interval):
        return False
    risen = trace.tail() - start
    if amplitude < 0.5 * risen or not has_knee:
        return False
    if band > max(0.25 * amplitude, noise) or (not fit.still_rings and fit.left > max(MOST_LEFT * amplitude, noise)):
        return False
    if pace is None:
        return True
    after = float(t[-1] - t[arrival])
    slope, most = fit.slope, 0.3
    if seen < 0.3 * float(t[-1] - t[0]) and not fit.still_rings:
        # a short look: trust the samples' own slope where it is steeper than the fit's
        line = theil_sen(t[arrival:], trace.y[arrival:])
        slope, most = max(slope, line.low if line else 0.0), 0.25
    if slope * after < 0.03 * amplitude:
        return True
    return slope < most * pace and (fit.still_rings or not _still_bends(trace, max(arrival, knee) + 1, amplitude))


def _still_bends(trace: _Trace, begin: int, amplitude: float) -> bool:
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


def _overshoot(trace: _Trace, line: FloatArray, arrival: int, settled_at: int) -> tuple[int, float]:
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
