"""The level that a signal held for a while: what a lone sample cannot raise."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, IntArray, clean, median_sorted

WIDE = 24  # samples: from here on a table of minima is quicker than one scan a stretch


class Held(NamedTuple):
    """The level, and the first and last sample of the stretch that held it, s."""

    level: float
    start_s: float
    end_s: float

    @property
    def seconds(self) -> float:
        """From the first to the last sample."""
        return self.end_s - self.start_s


class Stretches(NamedTuple):
    """The shortest stretches that count as held, on one clock: rows first to stop (one past the
    last).

    For several signals of one clock without blanks; held_above does it all for a single one.
    """

    t: FloatArray
    first: IntArray
    stop: IntArray

    def above(self, y: FloatArray) -> Held | None:
        """The highest level that y, one value a time of the clock and none blank, was at or above;
        see held_above.
        """
        if not self.first.size:
            return None
        lows = _minima(y, self.first, self.stop)
        best = int(lows.argmax())
        level, begin = float(lows[best]), int(self.first[best])
        under = y[begin:] < level
        end = begin + int(under.argmax()) if under.any() else y.size
        return Held(level, float(self.t[begin]), float(self.t[end - 1]))

    def below(self, y: FloatArray) -> Held | None:
        """The lowest level that y was at or below; as above, upside down."""
        found = self.above(-y)
        return None if found is None else Held(-found.level, found.start_s, found.end_s)


def stretches(
    t: FloatArray, for_s: float, *, least: int = 2, most_gap_s: float | None = None
) -> Stretches:
    """Where a level can be held for for_s on end, by at least `least` samples; the rest as
    held_above.

    t: n seconds, increasing, none blank. Raises ValueError for least under 1.
    """
    if least < 1:
        raise ValueError(f"least must be 1 or more, got {least}")
    gaps = t[1:] - t[:-1]
    interval = median_sorted(gaps) if gaps.size else for_s
    # One past the last sample of the shortest stretch from each first sample.
    stop = t.searchsorted(t + (for_s - interval) - 0.02 * interval) + 1
    first = np.arange(t.size)
    stop = np.maximum(stop, first + least)
    whole = int(stop.searchsorted(t.size, side="right"))
    first, stop = first[:whole], stop[:whole]
    wide = gaps > (3 * interval if most_gap_s is None else most_gap_s)
    if wide.any():
        part = np.concatenate(([0], wide.cumsum()))
        joined = part[stop - 1] == part[first]
        first, stop = first[joined], stop[joined]
    return Stretches(t, first, stop)


def held_above(
    t: ArrayLike, y: ArrayLike, for_s: float, *, least: int = 2, most_gap_s: float | None = None
) -> Held | None:
    """The highest level that y was at or above for for_s on end, by at least `least` samples.

    t: n seconds, increasing; y: n values. Each sample stands for one median interval, so k samples
    an interval apart have lasted k intervals. No stretch reaches over a gap wider than most_gap_s
    (default: three median intervals). None where no stretch is long enough. Raises ValueError for
    least under 1. With noise the level comes out low, never high: it is the lowest sample of its
    stretch.
    Source: the largest of the moving minima; arithmetic.
    """
    clock, values = clean(t, y)
    return stretches(clock, for_s, least=least, most_gap_s=most_gap_s).above(values)


def held_below(
    t: ArrayLike, y: ArrayLike, for_s: float, *, least: int = 2, most_gap_s: float | None = None
) -> Held | None:
    """The lowest level that y was at or below for for_s on end; as held_above, upside down."""
    found = held_above(
        t, -np.asarray(y, dtype=np.float64), for_s, least=least, most_gap_s=most_gap_s
    )
    return None if found is None else Held(-found.level, found.start_s, found.end_s)


def spread(t: ArrayLike, y: ArrayLike, level: float, held: Held) -> Held:
    """The whole stretch round `held` in which y stays at or above `level`; lone samples below do
    not end it.

    t: n seconds, increasing; y: n values without blanks; level: at or below the held one. How long
    something lasted is its end minus its start and the interval that the last sample stands for.
    """
    clock, above = np.asarray(t, dtype=np.float64), np.asarray(y, dtype=np.float64) >= level
    above = above.copy()
    above[1:-1] |= above[:-2] & above[2:]
    first, last = clock.searchsorted((held.start_s, held.end_s))
    first, last = int(min(first, above.size - 1)), int(min(last, above.size - 1))
    before, after = np.flatnonzero(~above[: first + 1]), np.flatnonzero(~above[last:])
    start = int(before[-1]) + 1 if before.size else 0
    stop = last + int(after[0]) - 1 if after.size else above.size - 1
    return Held(held.level, float(clock[min(start, first)]), float(clock[max(stop, last)]))


def without_singles(y: ArrayLike) -> FloatArray:
    """Each value replaced by the median of itself and its two neighbours; the ends by the nearer
    two's bound.

    A lone wild sample disappears, a step or a ramp stays. n values without blanks, same length. At
    an end the value is kept between its neighbour and the line on from its two neighbours, so a
    ramp keeps its end.
    Source: running median of three with Tukey's end rule (Tukey, Exploratory Data Analysis, 1977,
    from memory).
    """
    v = np.asarray(y, dtype=np.float64)
    if v.size < 3:
        return v.copy()
    out = v.copy()
    left, here = v[:-2], v[1:-1]
    out[1:-1] = np.maximum(np.minimum(left, here), np.minimum(np.maximum(left, here), v[2:]))
    for end, near, far in ((0, 1, 2), (-1, -2, -3)):
        out[end] = sorted((float(v[end]), float(out[near]), float(3 * out[near] - 2 * out[far])))[1]
    return out


def moving_minima(y: FloatArray, spans: Stretches) -> FloatArray:
    """The lowest of y in each stretch; y: one value a time of their clock, none blank."""
    return _minima(y, spans.first, spans.stop)


def _minima(values: FloatArray, first: IntArray, stop: IntArray) -> FloatArray:
    """Minimum of values[first:stop] for each pair; wide ones from minima over powers of two."""
    width = stop - first
    if width.max() > WIDE:
        return _wide_minima(values, first, stop, np.frexp(width)[1] - 1)
    padded = np.concatenate((values, (np.inf,)))
    pairs = np.empty(2 * first.size, dtype=np.intp)
    pairs[::2], pairs[1::2] = first, stop
    lows: FloatArray = np.minimum.reduceat(padded, pairs)[::2]
    return lows


def _wide_minima(
    values: FloatArray, first: IntArray, stop: IntArray, power: IntArray
) -> FloatArray:
    """As _minima: the lesser of the minima over the first and over the last 2**power samples of
    each stretch.
    """
    lows = np.empty(first.size)
    table = values
    for p in range(int(power.max()) + 1):
        here = power == p
        if here.any():
            lows[here] = np.minimum(table[first[here]], table[stop[here] - (1 << p)])
        table = np.minimum(table[: -(1 << p)], table[1 << p :])
    return lows
