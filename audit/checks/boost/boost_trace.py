"""Boost in one pull, told apart for the boost checks: rise, transient, settled line. No check.

The line of the settled part is fitted robustly and carried back, so that creep and fade are no
overshoot and overshoot is no fade. One rule says whether boost was building or settled at the end;
see `_building`. Quick on purpose: four checks share one trace of a pull.
Does not see: what happens between samples; a transient slower than about half of what follows the
rise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from audit.model import Array, Pull, Series
from audit.signal.arrays import block_means, interval_of, mean, median_sorted, quantile, rows_of
from audit.signal.held import stretches, without_singles
from audit.signal.lines import median_line
from audit.signal.robust import noise_sigma, resolution
from audit.signal.smoothing import smooth

LEAST_SAMPLES = 6
LEAST_AFTER_S = 0.7  # of boost after its arrival, to call it settled
LINE_POINTS = 32  # means of neighbours that carry the line: 496 pairs
BAND = 0.03  # settling band, share of the rise
SPIKE_INTERVAL_S = 0.125  # slower than this, one sample may be a whole overshoot
FLAT_KPA = 10.0  # a rise smaller than this is a car without boost: it rests
# Common practice, no published source:
RISE_ITSELF = 0.3  # share of the whole rise from which a line that climbs is the rise itself
STILL_RISING = 0.4  # of the quickest pace of the rise: a climb quicker than this has not left it
SLOWS = 0.45  # late over early pace: a climb that slows down like this is an approach
TO_COME = 0.06  # share of the rise that an approach still brings
CREEPS_S = 2.0  # a straight climb as long as this behind a knee is a creep, whatever its pace
KNEE = 0.1  # share of the rise that the knee stands over the chord; less is a straight climb
WITHIN_S = 0.5  # boost is lost when it falls away within this
HELD_S = 0.3  # and had stood at its level for so long before
LIFT_S = 0.3  # boost and throttle need not show a lift in the same moment
ESTABLISHED_S = 0.8  # so long, and what it falls from was no overshoot
COLLAPSED = 0.2  # share of its level: less within WITHIN_S is no collapse but a sag
SAGGED = 0.15  # share of its level
GONE = 0.5  # share of its peak: no overshoot ends so low
NEAR = 0.08  # of the boost wanted: what falls from here was no overshoot
LEAST_LOST_KPA = 10.0
SHORT_PULL_S = 4.0  # a pull as long as this is not too short: what it does not show is missing


@dataclass(frozen=True, eq=False)
class Samples:
    """Boost as believed: t s, y kPa gauge, calm (lightly smoothed), its noise, step, interval."""

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


class Rest(NamedTuple):
    """What boost came to rest on: level and slope (kPa, kPa/s) from origin_s.

    arrival: first row on the line; settled_at: row from which boost keeps to it."""

    level: float
    slope: float
    origin_s: float
    arrival: int = 0
    settled_at: int = 0

    def at(self, t: Array) -> Array:
        """The line at the times t, kPa gauge."""
        return self.level + self.slope * (t - self.origin_s)


class Fall(NamedTuple):
    """Boost that fell away for good at an open throttle: from level to low, kPa gauge, and when.

    share: of its level, the most it fell within WITHIN_S. sudden: it collapsed; else it sagged."""

    level: float
    low: float
    start_s: float
    end_s: float
    share: float
    sudden: bool


@dataclass(frozen=True, eq=False)
class BoostTrace(Samples):
    """Samples taken apart, up to where boost fell away if it did.

    start: level before the rise; level: median of the settled part, kPa gauge. why: boost was still
    building, or hardly over, at the end; empty where it settled. rise_s: 10 to 90 %. whole_s:
    length of the pull's boost."""

    start: float
    rest: Rest
    why: str
    level: float
    rise_s: float | None
    fall: Fall | None = None
    whole_s: float = 0.0

    @property
    def settled(self) -> bool:
        """Did boost settle in the pull?"""
        return not self.why

    @property
    def short(self) -> bool:
        """Is the pull so short that it need not show everything?"""
        return self.whole_s < SHORT_PULL_S

    @property
    def unable(self) -> tuple[str, str]:
        """(cause, sentence) where it is not settled: 'too_short' only where the pull really was."""
        return ("too_short" if self.short and self.fall is None else "missing"), self.why

    @property
    def arrival(self) -> int:
        """First row on the settled line."""
        return self.rest.arrival

    @property
    def settled_at(self) -> int:
        """Row from which boost keeps to the settled line."""
        return self.rest.settled_at

    @property
    def settled_span(self) -> tuple[float, float]:
        """From when on boost keeps to the settled line, and the end, s."""
        return float(self.t[self.settled_at]), float(self.t[-1])

    def on_line(self) -> Array:
        """The settled line at every sample, kPa."""
        return self.rest.at(self.t)

    def settled_series(self) -> Series:
        """The samples of the settled part."""
        return Series(self.t[self.settled_at :], self.y[self.settled_at :])

    def crossing_s(self, level: float) -> float | None:
        """When the calmed boost first rises through a level, s; None if it never does."""
        return crossing(self.t, self.calm, level)


def trace_of(pull: Pull) -> BoostTrace | None:
    """The trace of the pull's boost; None under 6 believed samples."""
    t, y, seen_open = _wide_open(pull)
    if len(t) < LEAST_SAMPLES:
        return None
    wanted, logged = _wanted(pull)
    fall = collapse(t, y, wanted) if seen_open else None
    length = float(t[-1] - t[0])
    if fall is not None:
        stop = max(int(t.searchsorted(fall.start_s, side="right")), LEAST_SAMPLES)
        t, y = t[:stop], y[:stop]
    else:
        t, y = _without_drop(t, y)
    trace = find_trace(t, y, wanted=wanted, asked=wanted if logged else None)
    return replace(trace, fall=fall or trace.fall, whole_s=length)


def _wanted(pull: Pull) -> tuple[float | None, bool]:
    """The boost wanted at the end of the pull, kPa gauge, if known; whether the log tells it."""
    logged = pull.believed("boost_target").value
    if len(logged):
        return median_sorted(logged[-max(3, len(logged) // 4) :]), True
    return pull.car.target_for(pull.gear), False


def _wide_open(pull: Pull) -> tuple[Array, Array, bool]:
    """Boost up to where the throttle closes, and whether the log shows it open until then."""
    t, y = pull.believed("boost")
    if len(t) < LEAST_SAMPLES:
        return t, y, False
    throttle = pull.believed("throttle_position") or pull.believed("pedal_position")
    if len(throttle.t) < LEAST_SAMPLES:
        return t, y, False
    low = throttle.value < quantile(throttle.value, 0.75) - 6.0
    shut = rows_of(low & np.append(low[1:], True))  # a lone sample that dips is no lift
    late = shut[throttle.t[shut] > t[0] + LEAST_AFTER_S]
    stop = int(t.searchsorted(throttle.t[late[0]])) if late.size else len(t)
    return t[:stop], y[:stop], True


def collapse(t: Array, y: Array, wanted: float | None) -> Fall | None:
    """Where boost fell away at once and did not come back, or None.

    A level that boost had stood at or over for HELD_S, less what it stands at WITHIN_S later. An
    overshoot that comes back to its level is none, nor is a swing or a cut of the fuel from which
    boost recovers. wanted: the boost that is aimed at, or that the car makes in its other pulls,
    kPa; what falls from there for good is no overshoot.

    Example: 98 kPa for 2 s, then 3 kPa within 0.3 s and to the end of the pull: 97 % lost."""
    interval = interval_of(t)
    calm = without_singles(y)
    k = max(1, round(HELD_S / interval))
    if t.size < k + 3:
        return None
    held = sliding_window_view(calm, k + 1).min(axis=1)  # of the rows k on
    at = np.arange(k, t.size)
    later = np.minimum(
        t.searchsorted(t[at] + WITHIN_S + 0.5 * interval, side="right") - 1, t.size - 1
    )
    share = (held - calm[later]) / np.maximum(held, 2 * LEAST_LOST_KPA)
    best = int(share.argmax())
    i, j, level = int(at[best]), int(later[best]), float(held[best])
    drop = level - float(calm[j])
    if share[best] < COLLAPSED or drop < LEAST_LOST_KPA or t[-1] - t[i] < WITHIN_S - interval:
        return None
    below = i + int((calm[i:] < level - 0.6 * drop).argmax())
    after = calm[below:]
    if t[-1] - t[below] + interval < LIFT_S or after.size < 2:
        return None  # the lift, which the throttle shows a moment later
    if float(quantile(after, 0.9)) > level - 0.6 * drop:
        return None  # it came back
    end = median_sorted(calm[-max(3, after.size // 2) :])
    if wanted is not None and end > 0.85 * wanted:
        return None
    stood = rows_of(calm[: i + 1] < 0.9 * level)
    since = float(t[i] - t[stood[-1] + 1 if stood.size and stood[-1] < i else 0])
    from_there = wanted is not None and abs(level - wanted) <= NEAR * wanted
    if not from_there and since < ESTABLISHED_S and end > GONE * float(calm.max()):
        return None
    fell = float(share[best])
    return Fall(level, float(after.min()), float(t[i]), float(t[j]), fell, sudden=True)


def _without_drop(t: Array, y: Array) -> tuple[Array, Array]:
    """Take off the last samples if they fall steeply off what went before: the throttle has closed.

    Looked for in the last 0.3 s, against the line through the 0.8 s before it; a fade that goes on
    stays."""
    interval = interval_of(t)
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


def find_trace(
    t: Array, y: Array, *, wanted: float | None = None, asked: float | None = None
) -> BoostTrace:
    """Find rise, transient and settled line of a boost trace.

    t: n seconds, strictly increasing, at least 6; y: n, kPa gauge; wanted: the target, if known:
    boost that is past it is building no more; asked: the same where the engine computer steers for
    it: boost that climbs and is still short of it is building. Boost that sags at the end is taken
    apart up to where it leaves its level."""
    s = _samples(t, y)
    trace = _told_apart(s, wanted, asked)
    if trace.settled or (fall := _sag(s)) is None:
        return trace
    stop = int(t.searchsorted(fall.start_s, side="right"))
    if stop >= LEAST_SAMPLES:
        trace = _told_apart(_samples(t[:stop], y[:stop]), wanted, asked)
    fell = f"boost fell away from {fall.level:.0f} kPa to {fall.low:.0f} kPa"
    return replace(trace, fall=fall, why=trace.why and f"{fell} before it had settled")


def _told_apart(s: Samples, wanted: float | None, asked: float | None) -> BoostTrace:
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
    if not why and not past and _building(s, rest, start, height, clear, asked):
        why = "boost was still building at the end of the pull"
    level = median_sorted(s.y[rest.settled_at :])
    return BoostTrace(**vars(s), start=start, rest=rest, why=why, level=level, rise_s=rise)


def _sag(s: Samples) -> Fall | None:
    """Boost that left for good, and slower than a collapse, the level it held longest, or None."""
    held = stretches(s.t, ESTABLISHED_S, least=3).above(s.calm)
    if held is None:
        return None
    after = s.calm[s.t.searchsorted(held.end_s) :]
    if after.size < 3:
        return None
    low = median_sorted(after[-max(3, after.size // 4) :])
    if held.level - low < max(SAGGED * held.level, LEAST_LOST_KPA):
        return None
    return Fall(held.level, low, held.end_s, float(s.t[-1]), 0.0, sudden=False)


def past_target(boost: float, wanted: float) -> bool:
    """Whether boost, kPa gauge, stands over its target by more than pulls differ."""
    return boost > wanted + max(2.0, 0.02 * wanted)


def _samples(t: Array, y: Array) -> Samples:
    interval = interval_of(t)
    quantum = resolution(y)
    sigma = noise_sigma(t, y, step=quantum) or 0.0
    if interval <= SPIKE_INTERVAL_S:
        y = without_spikes(y, sigma, quantum)
    window = _window(interval, max(sigma, 0.3 * quantum), float(y.max() - y.min()))
    return Samples(t, y, smooth(t, y, window), sigma, quantum, interval)


def without_spikes(y: Array, sigma: float, quantum: float) -> Array:
    """Lone samples far above or below what both sides point to, replaced by their neighbours' mean.

    A lone sample is a sensor matter. The tip of a narrow true peak stays: the rise before it points
    higher."""
    if y.size < 5:
        return y
    here, before, after = y[2:-2], y[1:-3], y[3:-1]
    due = np.stack((2 * before - y[:-4], 2 * after - y[4:], before, after))
    height, middle = max(6 * sigma, 4 * quantum, 4.0), 0.5 * (before + after)
    out_of_line = (here > due.max(axis=0) + height) | (here < due.min(axis=0) - height)
    lone = out_of_line & (np.abs(after - before) < 0.5 * np.abs(here - middle))
    out = y.copy()
    out[2:-2][lone] = middle[lone]
    return out


def _window(interval: float, grain: float, reach: float) -> float:
    """Long enough to calm the noise, short enough to keep the shape; none without noise."""
    if grain < 0.004 * max(reach, 1.0):
        return 0.0
    return max(2.1 * interval, min(6 * interval, 0.2))


def _ends(calm: Array) -> tuple[float, float]:
    """Level before the rise (a low quantile of what is before the top) and of the last sixth."""
    top = int((calm >= quantile(calm, 0.9)).argmax())
    tail = median_sorted(calm[-max(3, calm.size // 6) :])
    return min(quantile(calm[: top + 1], 0.03), float(calm[0])), tail


def _resting(s: Samples) -> BoostTrace:
    """Nothing rose: it rests from the first sample on."""
    length = float(s.t[-1] - s.t[0])
    why = "" if length >= LEAST_AFTER_S else f"the pull has only {length:.1f} s of boost"
    start, rest, level = float(s.calm[0]), _line(s.t, s.y), median_sorted(s.y)
    return BoostTrace(**vars(s), start=start, rest=rest, why=why, level=level, rise_s=None)


def _knee(s: Samples, start: float, tail: float) -> tuple[int, int, float]:
    """First row of the rise, its knee, and how far it stands over the chord, share of the rise."""
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
    fit = median_line(a - float(t[0]), b)
    level, slope = (median_sorted(y), 0.0) if fit is None else (fit.intercept, fit.slope)
    return Rest(level, slope, float(t[0]))


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
        settled_at = _keeps_from(s, at, arrival, float(height[arrival]))
        rest = rest._replace(arrival=arrival, settled_at=settled_at)
        if settled_at == begin or turn == 2:
            break
        begin = settled_at
    return rest


def _keeps_from(s: Samples, at: Array | float, begin: int, height: float) -> int:
    """First row, not before begin, from which boost keeps to a line: it swings off it by no more
    than in the last third."""
    off = np.abs(s.calm - at)
    ring = float(off[begin + 2 * (off.size - begin) // 3 :].max())
    out = rows_of(off[begin:] > max(BAND * height, 1.15 * ring, 2.0 * s.grain))
    return min(begin + int(out[-1]) + 1 if out.size else begin, max(off.size - 4, 0))


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
    level = median_sorted(s.y[begin + 2 * (s.t.size - begin) // 3 :])
    at = _keeps_from(s, level, begin, abs(level))
    return Rest(level, 0.0, float(s.t[0]), rest.arrival, at)


def _rise_s(s: Samples, start: float, height: float, first: int) -> float | None:
    """10 to 90 % of the rise, s, on lines between samples; None where its start is not seen."""
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
        on_its_way = "boost was still on its way to a settled level"
        return f"{on_its_way} {seen:.1f} s before the end of the pull"
    return ""


def _building(  # noqa: PLR0917 - the facts of one pull
    s: Samples, rest: Rest, start: float, height: float, clear: float, asked: float | None
) -> bool:
    """Was boost that climbs on its last line still building? The one rule; else it is settled.

    Building: it climbs at STILL_RISING of the rise's quickest pace or more (it never left its
    rise); or it slows down and has a share of TO_COME still to come (an approach); or its line
    leaves from far down; or it is short of a target that the engine computer steers for. A straight
    climb of CREEPS_S behind a knee is a creep at any pace.

    Example: a rise at 60 kPa/s to 80 kPa, then 14 kPa/s, steady, for 3 s (18 kPa per 1000 rpm):
    0.23 of the rise's pace, not slowing: settled, and a creep. The same with 60, 30, 14, 7 kPa/s:
    slowing, 10 kPa to come: building."""
    seen = max(float(s.t[-1] - s.t[rest.settled_at]), 1e-9)
    gain = rest.slope * seen
    end = float(s.calm[-1])
    if gain <= max(2.0, 3 * s.grain, 0.03 * height):
        return False
    if asked is not None and end < asked - max(6.0, 0.06 * asked) and gain > 0.1 * (end - start):
        return True
    early, late = _paces(s, rest.settled_at)
    if seen >= CREEPS_S and clear >= KNEE and late > SLOWS * early:
        return False
    if height < RISE_ITSELF * (end - start) or late > STILL_RISING * _quickest(s, rest.arrival):
        return True
    if late <= 3 * s.grain / seen or late >= SLOWS * early:
        return False
    return late * 0.5 * seen / float(np.log(early / late)) > TO_COME * height


def _quickest(s: Samples, arrival: int) -> float:
    """The quickest pace of the rise over 0.3 s, kPa/s; infinite where no rise is in the pull."""
    k = max(2, round(0.3 / s.interval))
    t, y = s.t[: arrival + 1], s.calm[: arrival + 1]
    if t.size <= k:
        return float((y[-1] - y[0]) / (t[-1] - t[0])) if t.size > 1 else np.inf
    return float(((y[k:] - y[:-k]) / (t[k:] - t[:-k])).max())


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
    """When y first rises through a level, s, on lines between samples; None if it began above."""
    up = rows_of(y >= level)
    if not up.size or up[0] == 0:
        return None
    i = int(up[0])
    share = (level - float(y[i - 1])) / float(y[i] - y[i - 1])
    return float(t[i - 1] + share * (t[i] - t[i - 1]))
