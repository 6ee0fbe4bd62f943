"""Flat line: a channel that stands still."""

from __future__ import annotations

import numpy as np

from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, Array, FlagArray
from audit.signal.spans import runs


def still_runs(
    t: Array, value: Array, *, for_s: float, within: float = 0.0, least_count: int = 5
) -> list[tuple[int, int]]:
    """Runs (first, one past last) in which no step exceeds `within`, lasting for_s and least_count samples."""
    if len(value) < least_count:
        return []
    starts, stops = runs(np.abs(np.diff(value)) <= within)
    long = (t[stops] - t[starts] >= for_s - 1e-9) & (stops - starts + 1 >= least_count)
    return [(int(a), int(b) + 1) for a, b in zip(starts[long], stops[long], strict=True)]


def flat_line(t: Array, value: Array, *, for_s: float, within: float = 0.0) -> FlagArray:
    """4 for the whole of every run in which the value moves by no more than `within` a sample for for_s.

    t: s, n; value, within: one unit. Where the samples span less than for_s all are 2; 9 where blank.
    Differs from the QARTOD form on purpose: the whole run is flagged, not only its end, because what
    was read before the freeze was noticed is just as frozen; and within 0 means exactly equal.
    Does not see: a sensor that drifts slowly while dead.
    """
    n = len(value)
    blank = np.isnan(value)
    enough = n >= 3 and t[-1] - t[0] >= for_s
    flags = np.full(n, GOOD if enough else NOT_EVALUATED, dtype=np.uint8)
    good = np.flatnonzero(~blank)
    if enough and len(good):
        for a, b in still_runs(t[good], value[good], for_s=for_s, within=within, least_count=3):
            flags[good[a:b]] = FAIL
    flags[blank] = MISSING
    return flags
