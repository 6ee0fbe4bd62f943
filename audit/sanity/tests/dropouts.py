"""Dropout and gap: samples that fall away for a moment, and samples that never came."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.model import FAIL, MISSING, Array, FlagArray
from audit.sanity.aggregate import passed
from audit.signal.arrays import median
from audit.signal.spans import runs

BRIEF_S = 5.0  # a quick quantity may come to rest for longer


def dropout(
    t: Array,
    value: Array,
    *,
    to: Sequence[float],
    within: float,
    least: float,
    longest_s: float = BRIEF_S,
) -> FlagArray:
    """4 where the channel leaps to one of `to` and leaps back within longest_s; 2 under 3 samples.

    t: s, n; to, within, least: one unit. Both edges must be one step higher than `least` and on one
    side, so that a quantity which merely reaches the value or passes through it is not flagged. 9
    where blank.
    Does not see: a fall from which the channel does not return (rail and flat line do)."""
    n = len(value)
    flags = passed(n, 3)
    low, high = (float(value.min()), float(value.max())) if n else (np.nan, np.nan)
    for at in to:
        if n < 3 or at < low - within or at > high + within:
            continue
        starts, stops = runs(np.abs(value - at) <= within)
        inner = (starts > 0) & (stops < n)
        starts, stops = starts[inner], stops[inner]
        before, after = value[starts - 1] - at, value[stops] - at
        edge = np.where(before * after > 0, np.minimum(np.abs(before), np.abs(after)), 0.0)
        hits = (t[stops] - t[starts] <= longest_s) & (edge > least)
        for a, b in zip(starts[hits], stops[hits], strict=True):
            flags[a:b] = FAIL
    flags[np.isnan(value)] = MISSING
    return flags


def blanks(
    t: Array, *, until_s: float, least_s: float, times: float = 4.0
) -> list[tuple[float, float]]:
    """Spans without a sample, longer than least_s and `times` usual intervals.

    t: times of a channel's own samples, s; until_s: when the log ends, so that a channel which dies
    is seen."""
    if len(t) < 3:
        return []
    dt = np.diff(t)
    limit = max(least_s, times * median(dt))
    rows = np.flatnonzero(dt > limit)
    spans = [(float(t[i]), float(t[i + 1])) for i in rows]
    if until_s - t[-1] > limit:
        spans.append((float(t[-1]), until_s))
    return spans
