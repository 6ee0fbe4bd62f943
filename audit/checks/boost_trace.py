"""Boost in one pull, told apart once for all boost checks: rise, transient, settled line. No check.

The line of the settled part is fitted robustly and carried back, so that creep and fade are no overshoot
and overshoot is no fade. Quick on purpose: four checks share one trace of a pull.
Does not see: what happens between samples; a transient slower than about half of what follows the rise.
"""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np

from audit.model import Array, Pull, Series
from audit.signal.arrays import block_means, median_sorted
from audit.signal.lines import Line, theil_sen
from audit.signal.robust import noise_sigma, resolution
from audit.signal.smoothing import smooth

LEAST_SAMPLES = 6
LEAST_AFTER_S = 0.7  # of boost after its arrival, to call it settled
LINE_POINTS = 32  # means of neighbours that carry the line: 496 pairs
BAND = 0.03  # settling band, share of the rise
FLAT_KPA = 10.0  # a rise smaller than this is a car without boost: it rests


@dataclass(frozen=True, eq=False)
class BoostTrace:
    """Times s, boost kPa gauge. Rows: first (rise begins), arrival (on the line), settled_at.

    settled False: the boost was still building, or hardly over, at the end; why says so. line: kPa over s
    from origin_s. still_s2: kPa/s of the later half. ring: largest swing off the line in the last third.
    """

    t: Array
    y: Array
    calm: Array
    sigma: float
    quantum: float
    interval: float
    start: float
    first: int
    arrival: int
    settled_at: int
    settled: bool
    why: str
    line: Line
    origin_s: float
    level: float
    rise_s: float | None
    ring: float

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return 1.0 / self.interval

    @property
    def grain(self) -> float:
        """The least difference that means anything in one sample, kPa."""
        return max(self.sigma, 0.3 * self.quantum)

    def on_line(self) -> Array:
        """The settled line at every sample, kPa."""
        return self.line.intercept + self.line.slope * (self.t - self.origin_s)

    def settled_series(self) -> Series:
        """The samples of the settled part."""
        return Series(self.t[self.settled_at:], self.y[self.settled_at:])

    def crossing_s(self, level: float) -> float | None:
        """When the calmed boost first rises through a level, s; None if it began above or never does."""
        begin = 0
        up = np.flatnonzero(self.calm[begin:] >= level)
        if not up.size or up[0] == 0:
            return None
        i = int(up[0])
        low, high = float(self.calm[i - 1]), float(self.calm[i])
        share = (level - low) / (high - low) if high > low else 1.0
        return float(self.t[i - 1] + share * (self.t[i] - self.t[i - 1]))


_traces: weakref.WeakKeyDictionary[Pull, BoostTrace | None] = weakref.WeakKeyDictionary()


def boost_trace(pull: Pull) -> BoostTrace | None:
    """The pull's boost, taken apart; None under 6 believed samples. Made once a pull."""
    if pull not in _traces:
        t, y = _wide_open(pull)
        _traces[pull] = take_apart(t, y) if len(t) >= LEAST_SAMPLES else None
    return _traces[pull]


def _wide_open(pull: Pull) -> tuple[Array, Array]:
    """Boost less the samples at the end that the lift, the shift or the limiter already touches."""
    t, y = pull.believed("boost")
    if len(t) < LEAST_SAMPLES:
        return t, y
    stop = len(t)
    throttle = pull.believed("throttle_position")
    if len(throttle.t) >= LEAST_SAMPLES:
        open_pct = median_sorted(throttle.value)
        shut = np.flatnonzero(throttle.value < open_pct - 6.0)
        if shut.size and throttle.t[shut[0]] > t[len(t) // 2]:
            stop = max(int(np.searchsorted(t, throttle.t[shut[0]])), len(t) // 2)
    if pull.span.ended_by != "log end" and stop == len(t) and stop > 2 * LEAST_SAMPLES:
        stop = min(stop, int(np.searchsorted(t, t[-1] - 0.1, side="right")))
    return _without_drop(t[:stop], y[:stop])


def _without_drop(t: Array, y: Array) -> tuple[Array, Array]:
    """Take off up to 3 last samples that fall steeply: the throttle has closed, whatever its channel says."""
    for _ in range(3):
        if len(y) < 2 * LEAST_SAMPLES:
            break
        before = y[-6:-1]
        usual = max(float(np.ptp(before)), 4.0)
        if y[-1] > before.min() - 1.5 * usual:
            break
        t, y = t[:-1], y[:-1]
    return t, y


def take_apart(t: Array, y: Array) -> BoostTrace:
    """Find rise, transient and settled line of a boost trace.

    t: n seconds, strictly increasing, at least 6; y: n, kPa gauge.
    """
    interval = float(np.median(np.diff(t)))
    quantum = resolution(y)
    sigma = noise_sigma(t, y) or 0.0
    y = without_spikes(y, sigma, quantum)
    grain = max(sigma, 0.3 * quantum)
    calm = smooth(t, y, _window(interval, grain, float(np.ptp(y))))
    start, tail = _ends(calm)
    amplitude = tail - start
    if amplitude < FLAT_KPA and float(calm.max()) - start < FLAT_KPA:
        return _resting(t, y, calm, sigma, quantum, interval)
    first, knee, clear = _knee(t, calm, start, tail)
    line, origin, arrival, settled_at, ring = _settle(t, y, calm, first, knee, start, grain)
    rise = _rise_s(t, calm, start, float(line.intercept + line.slope * (t[arrival] - origin)), first)
    settled, why = _is_settled(t, calm, line, origin, arrival, settled_at, start, rise, clear, grain)
    level = median_sorted(y[settled_at:])
    return BoostTrace(t, y, calm, sigma, quantum, interval, start, first, arrival, settled_at, settled, why,
                      line, origin, level, rise, ring)


def without_spikes(y: Array, sigma: float, quantum: float) -> Array:
    """Lone samples far above or below what both sides point to, replaced by their neighbours' mean.

    A lone sample is a sensor matter. The tip of a narrow true peak stays: the rise before it points higher.
    """
    if y.size < 5:
        return y
    left = 2 * y[1:-3] - y[:-4]
    right = 2 * y[3:-1] - y[4:]
    inner = y[2:-2]
    height = max(6 * sigma, 4 * quantum, 4.0)
    near = np.stack((left, right, y[1:-3], y[3:-1]))
    lone = ((inner > near.max(axis=0) + height) | (inner < near.min(axis=0) - height)) & (
        np.abs(y[3:-1] - y[1:-3]) < 0.5 * np.abs(inner - 0.5 * (y[1:-3] + y[3:-1])))
    if not lone.any():
        return y
    out = y.copy()
    rows = np.flatnonzero(lone) + 2
    out[rows] = 0.5 * (y[rows - 1] + y[rows + 1])
    return out


def _window(interval: float, grain: float, reach: float) -> float:
    """Long enough to calm the noise, short enough to keep the shape; none where there is no noise."""
    if grain < 0.004 * max(reach, 1.0):
        return 0.0
    return max(2.1 * interval, min(6 * interval, 0.2))


def _ends(calm: Array) -> tuple[float, float]:
    """Level before the rise (a low quantile of what comes before the top) and of the last sixth."""
    last = calm[-max(3, calm.size // 6):]
    tail = median_sorted(last)
    top = int(np.argmax(calm >= np.quantile(calm, 0.9)))
    before = calm[: top + 1]
    return float(np.quantile(before, 0.03)), tail


def _resting(t: Array, y: Array, calm: Array, sigma: float, quantum: float, interval: float) -> BoostTrace:
    """Nothing rose: it rests from the first sample on."""
    line, origin = _line(t, y)
    off = np.abs(calm - line.intercept - line.slope * (t - origin))
    long_enough = float(t[-1] - t[0]) >= LEAST_AFTER_S
    return BoostTrace(t, y, calm, sigma, quantum, interval, float(calm[0]), 0, 0, 0, long_enough,
                      "" if long_enough else f"the pull has only {t[-1] - t[0]:.1f} s of boost", line, origin,
                      median_sorted(y), None, float(off[-max(3, off.size // 3):].max()))


def _knee(t: Array, calm: Array, start: float, tail: float) -> tuple[int, int, float]:
    """First row of the rise, row of its knee, and how far the knee stands over the chord, share of the rise."""
    top = float(calm.max())
    up = np.flatnonzero(calm >= start + 0.5 * (max(tail, 0.5 * (top + start)) - start))
    if up[0] == 0:
        return 0, 0, 1.0
    below = np.flatnonzero(calm[: up[0]] < start + 0.1 * (max(tail, 0.5 * (top + start)) - start))
    first = int(below[-1]) if below.size else 0
    chord = np.interp(t[first:], (t[first], t[-1]), (calm[first], tail))
    over = calm[first:] - chord
    knee = int(np.argmax(over))
    return first, first + knee, float(over[knee]) / max(top - start, 1e-9)


def _line(t: Array, y: Array) -> tuple[Line, float]:
    """Robust line through means of neighbours, and the time it counts from."""
    a, b, _ = block_means(t, y, LINE_POINTS)
    origin = float(t[0])
    fit = theil_sen(a - origin, b)
    if fit is None:
        return Line(0.0, median_sorted(y), -np.inf, np.inf), origin
    return fit, origin


def _settle(t: Array, y: Array, calm: Array, first: int, knee: int, start: float,
            grain: float) -> tuple[Line, float, int, int, float]:
    """Line, its origin, arrival on it, row from which the boost keeps to it, and the swing about it at the end."""
    last = max(t.size - 4, 0)
    begin = min(int(np.searchsorted(t, t[knee] + 0.35 * (t[-1] - t[knee]))), last)
    arrival = settled_at = knee
    ring = 0.0
    for turn in range(3):
        line, origin = _line(t[begin:], y[begin:])
        at = line.intercept + line.slope * (t - origin)
        height = np.abs(at - start)
        near = np.flatnonzero(calm[first:] >= (at - np.maximum(BAND * height, 1.5 * grain))[first:])
        arrival = min(first + int(near[0]) if near.size else knee, last)
        off = np.abs(calm - at)
        ring = float(off[arrival + 2 * (off.size - arrival) // 3:].max())
        band = max(BAND * float(height[arrival]), 1.15 * ring, 2.0 * grain)
        out = np.flatnonzero(off[arrival:] > band)
        settled_at = min(arrival + int(out[-1]) + 1 if out.size else arrival, last)
        if settled_at == begin or turn == 2:
            break
        begin = settled_at
    return line, origin, arrival, settled_at, ring


def _rise_s(t: Array, calm: Array, start: float, level: float, first: int) -> float | None:
    """10 to 90 % of the rise, s, on straight lines between samples; None where its start is not in the pull."""
    found = []
    for share in (0.1, 0.9):
        want = start + share * (level - start)
        up = np.flatnonzero(calm[first:] >= want)
        i = first + int(up[0]) if up.size else 0
        if level <= start or i == 0 or calm[i - 1] >= want:
            return None
        found.append(float(t[i - 1] + (want - calm[i - 1]) / (calm[i] - calm[i - 1]) * (t[i] - t[i - 1])))
    return found[1] - found[0]


def _is_settled(t: Array, calm: Array, line: Line, origin: float, arrival: int, settled_at: int, start: float,
                rise: float | None, clear: float, grain: float) -> tuple[bool, str]:
    """Whether the boost came to rest, and the sentence why not.

    An approach that still brings something slows down; a creep does not. So a rest that climbs is a creep
    where the knee is clear and the later half climbs as fast as the earlier.
    """
    after = float(t[-1] - t[arrival])
    rest = float(t[-1] - t[settled_at])
    interval = float(np.median(np.diff(t)))
    if after + 0.5 * interval < LEAST_AFTER_S:
        return False, f"the pull ended {after:.1f} s after boost arrived, before it could settle"
    height = float(line.intercept + line.slope * (t[arrival] - origin)) - start
    if rest < min(0.5, 0.4 * after) - 0.5 * interval:
        return False, f"boost was still on its way to a settled level {rest:.1f} s before the end of the pull"
    if line.slope <= 0 or height < FLAT_KPA:
        return True, ""
    half = settled_at + (t.size - settled_at) // 2
    early, late = _pace(t, calm, settled_at, half), _pace(t, calm, half, t.size)
    pace = 0.8 * height / rise if rise else np.inf
    sure = 3 * grain / max(rest, 1e-9)
    if late > max(0.3 * pace, sure) and late * rest > 0.05 * height and clear < 0.3:
        return False, "boost was still building at the end of the pull"
    if late > sure and 0 < late < 0.6 * early:
        to_come = late * 0.5 * rest / np.log(early / late)
        if to_come > 0.06 * height:
            return False, "boost was still building at the end of the pull"
    return True, ""


def _pace(t: Array, y: Array, start: int, stop: int) -> float:
    """Least-squares slope of some rows, 0 under 3 of them."""
    if stop - start < 3:
        return 0.0
    u = t[start:stop] - t[start:stop].mean()
    return float(u @ (y[start:stop] - y[start:stop].mean()) / (u @ u))
