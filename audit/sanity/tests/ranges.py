"""Gross range and rail: values that cannot be, and sensors pinned at an end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.model import FAIL, MISSING, SUSPECT, Array, Bools, FlagArray
from audit.sanity.aggregate import passed
from audit.signal.spans import held


def gross_range(
    value: Array, *, fail_span: tuple[float, float], suspect_span: tuple[float, float] | None = None
) -> FlagArray:
    """4 outside fail_span, 3 outside suspect_span, 9 where blank, else 1; a bound itself passes.

    value and the spans in one unit; same length out.
    Source: QARTOD gross range test (U.S. IOOS manuals)."""
    flags = passed(len(value))
    spans = ((SUSPECT, suspect_span or fail_span), (FAIL, fail_span))
    ends = (value.min(), value.max()) if len(value) else (np.nan, np.nan)
    if all(low <= ends[0] and ends[1] <= high for _, (low, high) in spans):
        return flags  # the usual case, and a blank is not in it: it compares as false
    for flag, (low, high) in spans:
        flags[(value < low) | (value > high)] = flag
    flags[np.isnan(value)] = MISSING
    return flags


def pinned(
    t: Array, value: Array, *, at: float, within: float, least_s: float, least_count: int = 3
) -> Bools:
    """Where the channel stands at `at` for least_s or more, and for least_count samples; a mask."""
    mask: Bools = np.abs(value - at) <= within
    return held(t, mask, for_s=least_s, least=least_count) if mask.any() else mask


def rail(
    t: Array, value: Array, *, rails: Sequence[float], within: float, least_s: float = 0.3
) -> FlagArray:
    """4 where the channel stands at one of its rails for least_s and three samples; 2 under three.

    t: s, n; value, rails and within in one unit. A value that passes through a rail is none.
    Does not see: a rail that is not in the list."""
    flags = passed(len(value), 3)
    low, high = (float(value.min()), float(value.max())) if len(value) else (np.nan, np.nan)
    for at in rails:
        if at < low - within or at > high + within:
            continue
        flags[pinned(t, value, at=at, within=within, least_s=least_s)] = FAIL
    flags[np.isnan(value)] = MISSING
    return flags
