"""Stretches in which a channel stands still; whether that is a fault, frozen.py decides."""

from __future__ import annotations

import numpy as np

from audit.model import Array
from audit.signal.spans import runs


def still_runs(
    t: Array, value: Array, *, for_s: float, within: float = 0.0, least_count: int = 5
) -> list[tuple[int, int]]:
    """Runs (first, one past last) in which no step exceeds `within`, of for_s and least_count.

    t: s, n; value, within: one unit, none blank. The whole run, not only its end as in the QARTOD
    flat-line test: what was read before the freeze was noticed is just as frozen."""
    if len(value) < least_count:
        return []
    starts, stops = runs(np.abs(np.diff(value)) <= within)
    long = (t[stops] - t[starts] >= for_s - 1e-9) & (stops - starts + 1 >= least_count)
    return [(int(a), int(b) + 1) for a, b in zip(starts[long], stops[long], strict=True)]
