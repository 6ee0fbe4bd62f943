"""Gross range and rail: values that cannot be, and sensors pinned at an end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Array, Bools, FlagArray
from audit.signal.spans import runs


def gross_range(
    value: Array, *, fail_span: tuple[float, float], suspect_span: tuple[float, float] | None = None
) -> FlagArray:
    """4 outside fail_span, 3 outside suspect_span, 9 where blank, else 1; a value at a bound passes
    it.

    value and the spans in one unit; same length out.
    Source: QARTOD gross range test (U.S. IOOS manuals).
    """
    flags = np.full(len(value), GOOD, dtype=np.uint8)
    low, high = (
        fail_span
        if suspect_span is None
        else (max(fail_span[0], suspect_span[0]), min(fail_span[1], suspect_span[1]))
    )
    if len(value) and value.min() >= low and value.max() <= high:
        return flags  # the usual case, and a blank is not in it: it compares as false
    if suspect_span is not None:
        flags[(value < suspect_span[0]) | (value > suspect_span[1])] = SUSPECT
    flags[(value < fail_span[0]) | (value > fail_span[1])] = FAIL
    flags[np.isnan(value)] = MISSING
    return flags


def pinned(
    t: Array, value: Array, *, at: float, within: float, least_s: float, least_count: int = 3
) -> Bools:
    """Where the channel stands at `at` for least_s or more, and for least_count samples; a mask."""
    mask = np.abs(value - at) <= within
    if not mask.any():
        return mask
    starts, stops = runs(mask)
    out = np.zeros(len(value), dtype=np.bool_)
    long = (t[stops - 1] - t[starts] >= least_s - 1e-9) & (stops - starts >= least_count)
    for a, b in zip(starts[long], stops[long], strict=True):
        out[a:b] = True
    return out


def rail(
    t: Array, value: Array, *, rails: Sequence[float], within: float, least_s: float = 0.3
) -> FlagArray:
    """4 where the channel stands at one of its rails for least_s and three samples, 2 for fewer
    than three.

    t: s, n; value, rails and within in one unit. A value that passes through a rail is none.
    Does not see: a rail that is not in the list.
    """
    flags = np.full(len(value), GOOD if len(value) >= 3 else NOT_EVALUATED, dtype=np.uint8)
    low, high = (float(value.min()), float(value.max())) if len(value) else (np.nan, np.nan)
    for at in rails:
        if at < low - within or at > high + within:
            continue
        flags[pinned(t, value, at=at, within=within, least_s=least_s)] = FAIL
    flags[np.isnan(value)] = MISSING
    return flags
