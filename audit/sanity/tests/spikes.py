"""Spike and rate of change: what no quantity of its kind can do from one sample to the next."""

from __future__ import annotations

import numpy as np

from audit.model import MISSING, NOT_EVALUATED, SUSPECT, Array, Bools, FlagArray
from audit.sanity.aggregate import passed
from audit.signal.arrays import IntArray

SHARP = 0.35  # how far the samples beside a spike may disagree, as a share of its height
LOUD = 4.0  # and how far it must stand out of the second differences around it
NEAR = 8  # samples on either side that are 'around it'


def spike(t: Array, value: Array, *, least: float, two_wide_s: float = 0.12) -> FlagArray:
    """3 for a sample (or two, where two fit into two_wide_s) that leaps off and comes straight
    back.

    t: s, n; value, least: one unit. A spike is higher than `least` on both sides, the samples
    beside it agree within 35 % of its height, and it is four times as high as the second
    differences around it, so that a swing or a noisy stretch is no row of spikes. A step is none.
    First and last two samples 2; fewer than five samples all 2; 9 where blank.
    Source: after the QARTOD spike test, 'differential' form, made blind to steps and swings."""
    n = len(value)
    flags = passed(n, 5)
    if n >= 5:
        flags[:2] = flags[-2:] = NOT_EVALUATED
        step = np.diff(value)
        if max(step.max(), -step.min()) <= least:
            return flags  # nothing leaps at all (and nothing is blank, or this would not hold)
        two_fit = n >= 6 and 2 * (t[-1] - t[0]) / (n - 1) <= two_wide_s
        for width in (1, 2) if two_fit else (1,):
            first = _leaps(t, value, least, width, two_wide_s)
            for i in range(width):
                flags[first + i] = SUSPECT
    flags[np.isnan(value)] = MISSING
    return flags


def _leaps(t: Array, v: Array, least: float, width: int, longest_s: float) -> IntArray:
    """First sample of each spike of `width` samples: off by one step, and back by another."""
    d = np.diff(v)
    off, back = d[:-width], d[width:]
    height = np.minimum(np.abs(off), np.abs(back))
    i = np.flatnonzero((height > least) & ((off < 0) != (back < 0))) + 1
    i = i[(i >= 2) & (i < len(v) - 1 - width)]
    if not i.size:
        return i
    after, agree = i + width, SHARP * height[i - 1]
    beside = (
        (np.abs(v[after] - v[i - 1]) <= agree)
        & (np.abs(v[i - 1] - v[i - 2]) <= agree)
        & (np.abs(v[after + 1] - v[after]) <= agree)
    )
    i = i[beside & (t[after - 1] - t[i] <= longest_s)]
    return i[height[i - 1] >= LOUD * _around(v, i, width)] if i.size else i


def _around(v: Array, i: IntArray, width: int) -> Array:
    """Upper quartile of the second differences near each spike, its own left out."""
    second = np.abs(v[1:-1] - 0.5 * (v[:-2] + v[2:]))
    reach = np.concatenate((np.arange(-NEAR - 2, -2), np.arange(width + 2, width + 2 + NEAR)))
    rows = i[:, None] - 1 + reach
    inside = (rows >= 0) & (rows < len(second))
    block = np.where(inside, second[np.clip(rows, 0, len(second) - 1)], np.nan)
    some = inside.any(axis=1)
    out = np.zeros(len(i))
    out[some] = np.nanpercentile(block[some], 75, axis=1)
    return out


def rate_of_change(t: Array, value: Array, *, per_s: float, slack: float = 0.0) -> FlagArray:
    """3 where |difference| exceeds per_s × interval + slack, on the later sample; the first is 2.

    t: s, n; per_s: unit per second; slack: what noise and resolution may add, in the unit. An
    interval shorter than half the usual one counts as that half, since a jittering clock makes no
    fast sensor. Blank is 9 and the sample after it 2.
    Source: QARTOD rate of change test."""
    flags = passed(len(value))
    flags[:1] = NOT_EVALUATED
    if len(value) >= 2:
        flags[1:][too_fast(t, value, per_s=per_s, slack=slack)] = SUSPECT
        blank = np.isnan(value)
        flags[1:][blank[:-1]] = NOT_EVALUATED
        flags[blank] = MISSING
    return flags


def median_of_some(dt: Array) -> float:
    """Median of some 250 of the intervals, spread evenly: the usual one, cheaply."""
    some = dt[:: max(1, len(dt) // 250)]
    return float(np.partition(some, len(some) // 2)[len(some) // 2])


def too_fast(t: Array, value: Array, *, per_s: float, slack: float) -> Bools:
    """For each step to the next sample (n - 1 of them): is it faster than per_s allows?"""
    dt, step = np.diff(t), np.diff(value)
    usual = median_of_some(dt)
    if max(step.max(), -step.min()) <= 0.5 * per_s * usual + slack:
        return np.zeros(len(step), dtype=np.bool_)
    mask: Bools = np.abs(step) > per_s * np.maximum(dt, 0.5 * usual) + slack
    return mask
