"""From samples to the parts of a rise: start level, knee, settled line, the instants between."""

from __future__ import annotations

import numpy as np

from audit.signal.arrays import FloatArray, median, median_sorted
from audit.signal.robust import resolution
from audit.signal.settle import Settled, settle
from audit.signal.smoothing import smooth

BAND = 0.02  # settling band, share of the step


class Trace:
    """The samples, a lightly smoothed copy to find instants on, noise and step of the data."""

    def __init__(self, t: FloatArray, y: FloatArray, sigma: float) -> None:
        self.t, self.y, self.sigma = t, y, sigma
        self.step = resolution(y)
        interval = median(np.diff(t))
        noisy = max(sigma, 0.3 * self.step) > 0.004 * float(np.ptp(y))
        self.interval = interval
        self.calm = smooth(t, y, max(4 * interval, min(0.03 * float(t[-1] - t[0]), 0.2))) if noisy else y

    def tail(self) -> float:
        rows = max(3, int(np.sum(self.t >= self.t[-1] - 0.15 * (self.t[-1] - self.t[0]))))
        return median_sorted(self.y[-rows:])


def rose(trace: Trace, start: float) -> bool:
    """Does the end stand above the start by more than noise and one quantisation step?"""
    return trace.tail() - start > max(3 * trace.sigma, trace.step, 1e-6 * float(np.abs(trace.y).max()))


def start_level(trace: Trace) -> float:
    """Median of what lies below a tenth of the rise before its top; the lowest value where nothing rests there."""
    top = int(np.argmax(trace.calm >= np.quantile(trace.calm, 0.9)))
    before = trace.calm[: top + 1]
    low = float(np.quantile(before, 0.03))
    limit = low + 0.1 * (trace.tail() - low)
    begun = int(np.argmax(before > limit)) if bool((before > limit).any()) else before.size
    rest = trace.y[: max(begun, 1)]
    return median_sorted(rest) if limit > low and begun else low


def find_knee(trace: Trace, start: float) -> tuple[int, int, float]:
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


def settled_line(trace: Trace, start: float, knee: int, first: int) -> tuple[Settled, int]:
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


def settled_from(trace: Trace, line: FloatArray, arrival: int, amplitude: float) -> tuple[int, float]:
    """First row from which the signal stays in the band: 2 % of the step, or what it does at the end."""
    off = np.abs(trace.calm - line)
    third = max(3, (off.size - arrival) // 3)
    least = 1e-6 * max(float(np.abs(line).max()), 1e-6)
    band = max(BAND * amplitude, 1.1 * float(off[-third:].max()), trace.step, 2 * trace.sigma, least)
    out = np.flatnonzero(off[arrival:] > band)
    return (min(arrival + int(out[-1]) + 1, off.size - 1) if out.size else arrival), band


def instants(trace: Trace, start: float, amplitude: float,
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


def pace_of(amplitude: float, t10: float | None, t50: float | None, t90: float | None) -> float | None:
    """The faster of the two halves of the rise, per s."""
    halves = [(t50, t10), (t90, t50)]
    paces = [0.4 * amplitude / (b - a) for b, a in halves if b is not None and a is not None and b > a]
    return max(paces, default=None)
