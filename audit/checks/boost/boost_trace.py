"""Boost in one pull, told apart once for all boost checks: rise, transient, settled line. No check.

The line of the settled part is fitted robustly and carried back, so that creep and fade are no overshoot
and overshoot is no fade. Quick on purpose: four checks share one trace of a pull.
Does not see: what happens between samples; a transient slower than about half of what follows the rise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from audit.model import Array, Pull, Series
from audit.signal.arrays import block_means, mean, median_sorted, quantile, rows_of
from audit.signal.lines import median_line
from audit.signal.robust import noise_sigma, resolution
from audit.signal.smoothing import smooth

LEAST_SAMPLES = 6
LEAST_AFTER_S = 0.7  # of boost after its arrival, to call it settled
LINE_POINTS = 32  # means of neighbours that carry the line: 496 pairs
BAND = 0.03  # settling band, share of the rise
SPIKE_INTERVAL_S = 0.125  # slower than this, one sample may be a whole overshoot
NO_KNEE = 0.1  # share of the rise that the knee stands over the chord: less is a straight climb to the end
RISE_ITSELF = 0.3  # share of the whole rise; common practice, no published source
FLAT_KPA = 10.0  # a rise smaller than this is a car without boost: it rests


@dataclass(frozen=True, eq=False)
class Samples:
    """Boost as believed: t s and y kPa gauge, calm (lightly smoothed), white noise, step and interval of the data."""

    t: Array
    y: Array
    calm: Array
    sigma: float
    quantum: float
    interval: float

    @property
    def rate_hz(self) -> float:
        """Samples a second."""
        return 1.0 / self.interval

    @property
    def grain(self) -> float:
        """The least difference that means anything in one sample, kPa."""
        return max(self.sigma, 0.3 * self.quantum)


@dataclass(frozen=True)
class Rest:
    """What boost came to rest on: level and slope (kPa, kPa/s) from origin_s.

    arrival: first row on the line; settled_at: row from which boost keeps to it; ring: largest swing off the line in
    the last third, kPa.
    """

    level: float
    slope: float
    origin_s: float
    arrival: int
    settled_at: int
    ring: float

    def at(self, t: Array) -> Array:
        """The line at the times t, kPa gauge."""
        return self.level + self.slope * (t - self.origin_s)


@dataclass(frozen=True, eq=False)
class BoostTrace(Samples):
    """Samples taken apart. start: level before the rise; level: median of the settled part, kPa gauge.

    settled False: boost was still building, or hardly over, at the end; why says so. rise_s: 10 to 90 %.
    """

    start: float
    rest: Rest
    settled: bool
    why: str
    level: float
    rise_s: float | None

    @property
    def arrival(self) -> int:
        """First row on the settled line."""
        return self.rest.arrival

    @property
    def settled_at(self) -> int:
        """Row from which boost keeps to the settled line."""
        return self.rest.settled_at

    @property
    def ring(self) -> float:
        """Largest swing off the settled line in the last third, kPa."""
        return self.rest.ring

    def on_line(self) -> Array:
        """The settled line at every sample, kPa."""
        return self.rest.at(self.t)

    def settled_series(self) -> Series:
        """The samples of the settled part."""
        return Series(self.t[self.settled_at :], self.y[self.settled_at :])

    def crossing_s(self, level: float) -> float | None:
        """When the calmed boost first rises through a level, s; None if it began above or never does."""
        return crossing(self.t, self.calm, level)


def boost_trace(pull: Pull) -> BoostTrace | None:
    """The pull's boost, taken apart; None under 6 believed samples. Made once a pull."""
    if "boost_trace" not in pull.taken_apart:
        t, y = _wide_open(pull)
        wanted, logged = _wanted(pull)
        asked = wanted if logged else None
        pull.taken_apart["boost_trace"] = (
            take_apart(t, y, wanted=wanted, asked=asked) if len(t) >= LEAST_SAMPLES else None
        )
    found: BoostTrace | None = pull.taken_apart["boost_trace"]
    return found


def _wanted(pull: Pull) -> tuple[float | None, bool]:
    """The boost wanted at the end of the pull, kPa gauge, if the log or the car file tells; whether the log does."""
    logged = pull.believed("boost_target").value
    if len(logged):
        return median_sorted(logged[-max(3, len(logged) // 4) :]), True
    return pull.car.target_for(pull.gear), False


def _wide_open(pull: Pull) -> tuple[Array, Array]:
    """Boost less the samples at the end that the lift, the shift or the limiter already touches."""
    t, y = pull.believed("boost")
    if len(t) < LEAST_SAMPLES:
        return t, y
    stop = len(t)
    throttle = pull.believed("throttle_position")
    if len(throttle.t) >= LEAST_SAMPLES:
        open_pct = median_sorted(throttle.value)
        shut = rows_of(throttle.value < open_pct - 6.0)
        if shut.size and throttle.t[shut[0]] > t[len(t) // 2]:
            stop = max(int(np.searchsorted(t, throttle.t[shut[0]])), len(t) // 2)
    return _without_drop(t[:stop], y[:stop])


def _without_drop(t: Array, y: Array) -> tuple[Array, Array]:
    """Take off the last samples if they fall steeply off what went before: the throttle has closed.

    Looked for in the last 0.3 s, against the line through the 0.8 s before it; a fade that goes on stays.
    """
    interval = median_sorted(t[1:] - t[:-1])
    split = int(np.searchsorted(t, t[-1] - max(0.3, 1.2 * interval)))
    begin = int(np.searchsorted(t, t[split] - max(0.8, 3.2 * interval)))
    u, before = t[begin:split], y[begin:split]
    if split >= t.size or u.size < 3:
        return t, y
    slope = min(_pace(u, before), 0.0)
    due = median_sorted(before) + slope * (t[split:] - mean(u))
    least = max(4 * median_sorted(np.abs(before[1:] - before[:-1])), 6.0)
    fallen = y[split:] < np.minimum(due, y[split - 1] + slope * (t[split:] - t[split - 1])) - least
    if not fallen[-1]:
        return t, y
    stop = split + int(rows_of(~fallen)[-1]) + 1 if not fallen.all() else split
    return t[:stop], y[:stop]


def take_apart(
    t: Array, y: Array, *, wanted: float | None = None, asked: float | None = None
) -> BoostTrace:
    """Find rise, transient and settled line of a boost trace.

    t: n seconds, strictly increasing, at least 6; y: n, kPa gauge; wanted: the target, if known: boost that is
    past it is building no more; asked: the same where the engine computer steers for it: boost that climbs and is
    still short of it is building.
    """
    s = _samples(t, y)
    start, tail = _ends(s.calm)
    if tail - start < FLAT_KPA and float(s.calm.max()) - start < FLAT_KPA:
        return _resting(s)
    first, knee, clear = _knee(s, start, tail)
    rest = _settle(s, first, knee, start)
    if _dies_away(s, rest):
        rest = _rest_at_end(s, rest)
    height = float(rest.at(s.t[rest.arrival : rest.arrival + 1])[0]) - start
    rise = _rise_s(s, start, height, first)
    past = wanted is not None and wanted > FLAT_KPA and past_target(float(s.calm[-1]), wanted)
    why = _too_early(s, rest, height)
    no_knee = clear < NO_KNEE and rest.slope * float(s.t[-1] - s.t[rest.settled_at]) > 0.1 * (
        tail - start
    )
    short = asked is not None and float(s.calm[-1]) < asked - max(6.0, 0.06 * asked)
    short = short and rest.slope * float(s.t[-1] - s.t[rest.settled_at]) > 0.1 * (tail - start)
    # A line that leaves from far down is no level that was reached and crept up from: it is the rise itself.
    rising = rest.slope > 0 and height < RISE_ITSELF * (float(s.calm[-1]) - start)
    if (
        not why
        and not past
        and (short or rising or no_knee or _still_building(s, rest, height, rise, clear))
    ):
        why = "boost was still building at the end of the pull"
    return _trace(s, start, rest, why, median_sorted(s.y[rest.settled_at :]), rise)


def past_target(boost: float, wanted: float) -> bool:
    """Whether boost, kPa gauge, stands over its target by more than pulls differ."""
    return boost > wanted + max(2.0, 0.02 * wanted)


def _trace(  # noqa: PLR0917 - one argument a part of the trace, in the order of the noun
    s: Samples, start: float, rest: Rest, why: str, level: float, rise: float | None
) -> BoostTrace:
    return BoostTrace(
        s.t, s.y, s.calm, s.sigma, s.quantum, s.interval, start, rest, not why, why, level, rise
    )


def _samples(t: Array, y: Array) -> Samples:
    interval = median_sorted(t[1:] - t[:-1])
    quantum = resolution(y)
    sigma = noise_sigma(t, y, step=quantum) or 0.0
    if interval <= SPIKE_INTERVAL_S:
        y = without_spikes(y, sigma, quantum)
    window = _window(interval, max(sigma, 0.3 * quantum), float(y.max() - y.min()))
    return Samples(t, y, smooth(t, y, window), sigma, quantum, interval)


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
    high = np.maximum(np.maximum(left, right), np.maximum(y[1:-3], y[3:-1]))
    low = np.minimum(np.minimum(left, right), np.minimum(y[1:-3], y[3:-1]))
    lone = ((inner > high + height) | (inner < low - height)) & (
        np.abs(y[3:-1] - y[1:-3]) < 0.5 * np.abs(inner - 0.5 * (y[1:-3] + y[3:-1]))
    )
    if not lone.any():
        return y
    out = y.copy()
    rows = rows_of(lone) + 2
    out[rows] = 0.5 * (y[rows - 1] + y[rows + 1])
    return out


def _window(interval: float, grain: float, reach: float) -> float:
    """Long enough to calm the noise, short enough to keep the shape; none where there is no noise."""
    if grain < 0.004 * max(reach, 1.0):
        return 0.0
    return max(2.1 * interval, min(6 * interval, 0.2))


def _ends(calm: Array) -> tuple[float, float]:
    """Level before the rise (a low quantile of what comes before the top) and of the last sixth."""
    last = calm[-max(3, calm.size // 6) :]
    tail = median_sorted(last)
    top = int((calm >= quantile(calm, 0.9)).argmax())
    before = calm[: top + 1]
    return quantile(before, 0.03), tail


def _resting(s: Samples) -> BoostTrace:
    """Nothing rose: it rests from the first sample on."""
    line = _line(s.t, s.y)
    third = s.t.size - max(3, s.t.size // 3)
    ring = float(np.abs(s.calm - line.at(s.t))[third:].max())
    length = float(s.t[-1] - s.t[0])
    why = "" if length >= LEAST_AFTER_S else f"the pull has only {length:.1f} s of boost"
    return _trace(s, float(s.calm[0]), replace(line, ring=ring), why, median_sorted(s.y), None)


def _knee(s: Samples, start: float, tail: float) -> tuple[int, int, float]:
    """First row of the rise, row of its knee, and how far the knee stands over the chord, share of the rise."""
    t, calm = s.t, s.calm
    top = float(calm.max())
    high = max(tail, 0.5 * (top + start)) - start
    up = rows_of(calm >= start + 0.5 * high)
    if up[0] == 0:
        return 0, 0, 1.0
    below = rows_of(calm[: up[0]] < start + 0.1 * high)
    first = int(below[-1]) if below.size else 0
    chord = np.interp(t[first:], (t[first], t[-1]), (calm[first], tail))
    over = calm[first:] - chord
    knee = int(over.argmax())
    return first, first + knee, float(over[knee]) / max(top - start, 1e-9)


def _line(t: Array, y: Array) -> Rest:
    """Robust line through means of neighbours."""
    a, b, _ = block_means(t, y, LINE_POINTS)
    origin = float(t[0])
    fit = median_line(a - origin, b)
    if fit is None:
        return Rest(median_sorted(y), 0.0, origin, 0, 0, 0.0)
    return Rest(fit.intercept, fit.slope, origin, 0, 0, 0.0)


def _settle(s: Samples, first: int, knee: int, start: float) -> Rest:
    """The line that boost settles on; fitted to the last part, then to all that keeps to it."""
    t, calm = s.t, s.calm
    last = max(t.size - 4, 0)
    begin = min(int(np.searchsorted(t, t[knee] + 0.35 * (t[-1] - t[knee]))), last)
    for turn in range(3):
        rest = _line(t[begin:], s.y[begin:])
        at = rest.at(t)
        height = np.abs(at - start)
        near = rows_of(calm[first:] >= (at - np.maximum(BAND * height, 1.5 * s.grain))[first:])
        arrival = min(first + int(near[0]) if near.size else knee, last)
        off = np.abs(calm - at)
        ring = float(off[arrival + 2 * (off.size - arrival) // 3 :].max())
        band = max(BAND * float(height[arrival]), 1.15 * ring, 2.0 * s.grain)
        out = rows_of(off[arrival:] > band)
        settled_at = min(arrival + int(out[-1]) + 1 if out.size else arrival, last)
        rest = replace(rest, arrival=arrival, settled_at=settled_at, ring=ring)
        if settled_at == begin or turn == 2:
            break
        begin = settled_at
    return rest


def _dies_away(s: Samples, rest: Rest) -> bool:
    """Whether what was fitted as a falling line is the tail of a transient: its fall slows down."""
    begin = rest.settled_at
    if -rest.slope * float(s.t[-1] - s.t[begin]) <= max(3 * s.grain, 2.0):
        return False
    early, late = _paces(s, begin)
    return early < 0 and late > 0.6 * early


def _rest_at_end(s: Samples, rest: Rest) -> Rest:
    """The level of the last third, held flat, and from where boost keeps to it."""
    begin = rest.settled_at
    third = begin + 2 * (s.t.size - begin) // 3
    level = median_sorted(s.y[third:])
    off = np.abs(s.calm - level)
    ring = float(off[third:].max())
    out = rows_of(off[begin:] > max(BAND * abs(level), 1.15 * ring, 2 * s.grain))
    at = min(begin + int(out[-1]) + 1 if out.size else begin, max(s.t.size - 4, 0))
    return Rest(level, 0.0, float(s.t[0]), rest.arrival, at, ring)


def _rise_s(s: Samples, start: float, height: float, first: int) -> float | None:
    """10 to 90 % of the rise, s, on straight lines between samples; None where its start is not in the pull."""
    if height <= 0:
        return None
    values = s.y if height > 25 * s.grain else s.calm  # calming widens a quick rise
    t10, t90 = (
        crossing(s.t[first:], values[first:], start + share * height) for share in (0.1, 0.9)
    )
    return t90 - t10 if t10 is not None and t90 is not None else None


def _too_early(s: Samples, rest: Rest, height: float) -> str:
    """The sentence that says why too little of the settled boost was logged, or nothing."""
    after, seen = float(s.t[-1] - s.t[rest.arrival]), float(s.t[-1] - s.t[rest.settled_at])
    if after + 0.5 * s.interval < LEAST_AFTER_S:
        return f"the pull ended {after:.1f} s after boost arrived, before it could settle"
    if height >= FLAT_KPA and seen < min(0.5, 0.4 * after) - 0.5 * s.interval:
        return (
            f"boost was still on its way to a settled level {seen:.1f} s before the end of the pull"
        )
    return ""


def _still_building(
    s: Samples, rest: Rest, height: float, rise: float | None, clear: float
) -> bool:
    """Whether the rest that climbs is an approach that still brings something, rather than a creep.

    An approach slows down; a creep has a clear knee before it and keeps its pace.
    """
    if rest.slope <= 0 or height < FLAT_KPA:
        return False
    seen = max(float(s.t[-1] - s.t[rest.settled_at]), 1e-9)
    early, late = _paces(s, rest.settled_at)
    pace = 0.8 * height / rise if rise else np.inf
    sure = 3 * s.grain / seen
    if late > max(0.3 * pace, sure) and late * seen > 0.05 * height and clear < 0.3:
        return True
    if late <= sure or late >= 0.45 * early:
        return False
    return late * 0.5 * seen / float(np.log(early / late)) > 0.06 * height


def _paces(s: Samples, begin: int) -> tuple[float, float]:
    """Least-squares slopes of the earlier and the later half of the rows from begin on, kPa/s."""
    half = begin + (s.t.size - begin) // 2
    return _pace(s.t[begin:half], s.calm[begin:half]), _pace(s.t[half:], s.calm[half:])


def _pace(t: Array, y: Array) -> float:
    if t.size < 3:
        return 0.0
    u = t - mean(t)
    return float(u @ (y - mean(y)) / (u @ u))


def crossing(t: Array, y: Array, level: float) -> float | None:
    """When y first rises through a level, s, on straight lines between samples; None if it began above it."""
    up = rows_of(y >= level)
    if not up.size or up[0] == 0:
        return None
    i = int(up[0])
    share = (level - float(y[i - 1])) / float(y[i] - y[i - 1])
    return float(t[i - 1] + share * (t[i] - t[i - 1]))
