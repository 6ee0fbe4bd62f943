"""How often a channel really speaks, whatever the rate of the rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import BoolArray, FloatArray, clean, median_sorted, paired
from audit.signal.robust import resolution

LEAST_JUMPS = 5
LEAST_CONFIDENCE = 0.5
STEPS_OF_A_JUMP = 1.5  # a change of two steps or more at once cannot be a slow crawl read at every row


@dataclass(frozen=True)
class Rate:
    """Updates a second; held: values are repeated between updates; confidence 0 to 1 in that reading."""

    rate_hz: float
    held: bool
    confidence: float


def effective_rate(t: ArrayLike, y: ArrayLike) -> Rate | None:
    """True update rate of a channel that is blank or repeats itself between updates; None under 4 values.

    t: n seconds, strictly increasing; y: n, NaN where blank. Blank rows simply do not count. Held is decided on the
    large jumps alone (two quantisation steps or more): a channel read at every row that just jumped
    goes on moving at the next row, a held one stands still until its next update. A quantised signal that moves
    one step now and then (coolant in whole degrees) has no large jumps: it keeps the rate of its rows, with a
    low confidence, since the data cannot tell. Does not see a hold in a channel that hardly moves.
    """
    clock, values = clean(t, y)
    if values.size < 4:
        return None
    row_s = median_sorted(np.diff(clock))
    rows_hz = 1 / row_s
    changed = np.flatnonzero(np.diff(values) != 0) + 1
    if changed.size < 2:
        return Rate(rows_hz, False, 0.0)
    waits = _waits_after_jumps(clock, values, changed)
    if waits.size < LEAST_JUMPS:
        return Rate(rows_hz, False, 0.3 * waits.size / LEAST_JUMPS)
    standing = float(np.mean(waits > 1.5 * row_s))
    if standing < 0.6:
        return Rate(rows_hz, False, min(1.0, 1.2 * (1 - standing)))
    # an update may repeat the value before it, so the short waits are the period and the rest multiples of it
    short = float(np.quantile(waits, 0.2))
    regular = waits[waits <= 1.6 * short]
    period = float(regular.mean())
    turns = waits / period
    even = float(np.mean(np.abs(turns - np.maximum(np.round(turns), 1)) <= max(0.25, 1.01 * row_s / period)))
    kept = float(regular.size / waits.size)
    enough = min(1.0, waits.size / (3 * LEAST_JUMPS))
    confidence = standing * even * (0.4 + 0.6 * enough) * min(1.0, 0.4 + kept)
    if confidence < LEAST_CONFIDENCE:
        return Rate(rows_hz, False, 0.2)
    return Rate(1 / period, True, confidence)


def _waits_after_jumps(t: FloatArray, y: FloatArray, changed: np.ndarray[tuple[int, ...], np.dtype[np.intp]],
                       ) -> FloatArray:
    """Time from each large jump to the next change of any size."""
    size = np.abs(y[changed] - y[changed - 1])[:-1]
    large = size >= STEPS_OF_A_JUMP * resolution(y)
    waits: FloatArray = np.diff(t[changed])[large]
    return waits


def updates(t: ArrayLike, y: ArrayLike) -> BoolArray:
    """Rows that carry a new reading, same length; blank rows never do.

    Where the channel is held: the rows where it changes, and within a long stand the rows nearest after
    each further period (a reading may repeat). Where it is not held: every row with a value.
    """
    clock, values = paired(t, y)
    good = np.isfinite(clock) & np.isfinite(values)
    result = good.copy()
    rate = effective_rate(clock, values)
    if rate is None or not rate.held:
        return result
    a, b = clock[good], values[good]
    changed = np.concatenate(([True], np.diff(b) != 0))
    since = a - a[np.maximum.accumulate(np.where(changed, np.arange(a.size), 0))]
    # half a row early or late is the same update
    half = 0.5 * median_sorted(np.diff(a))
    count = np.floor((since + half) * rate.rate_hz)
    again = np.concatenate(([False], (np.diff(count) > 0) & ~changed[1:]))
    # not just before the next change: that is the update itself, read a row later
    until = a[np.minimum(_next_change(changed), a.size - 1)] - a
    result[good] = changed | (again & ((until > 0.5 / rate.rate_hz) | (until == 0)))
    return result


def _next_change(changed: BoolArray) -> np.ndarray[tuple[int, ...], np.dtype[np.intp]]:
    rows = np.where(changed, np.arange(changed.size), changed.size)
    later = np.minimum.accumulate(rows[::-1])[::-1]
    return np.append(later[1:], changed.size)
