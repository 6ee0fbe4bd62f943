"""Samples that say nothing of a unit: a broken sensor's, one value apart from all the rest of its
column.

An open or shorted circuit reads one value far from every other; taken as evidence it would argue
for a unit under which it looks less absurd. Common practice, no published source. Does not see: a
sensor broken all along.
"""

from __future__ import annotations

import numpy as np

from audit.model import Array, base_of

LEAST_LEFT = 20  # samples that must remain to judge by
DROPOUTS = (
    0.06  # most of a pressure log that its sensor may be gone: zero boost, clipped, takes more
)
PRESSURE_GAP = 0.08  # of the range of the rest
TEMPERATURE_GAP = 12.0  # °C, °F or K: no temperature of a car moves so far between two samples
EXHAUST_GAP = 200.0  # the same for the exhaust's, which follows the throttle within a second or two


def without_rails(values: Array, *, gap: float, most: float = 1.0) -> Array:
    """The values with NaN for what stands at one value at either end, beyond a gap, in at most that
    share.

    values: thinned source values; gap: in their unit.
    """
    ordered = np.sort(values[np.isfinite(values)])
    if len(ordered) < 2 * LEAST_LEFT or not gap > 0:
        return values
    low, high = _apart(ordered, gap, most), _apart(-ordered[::-1], gap, most)
    if not (low or high):
        return values
    out = np.zeros(len(values), dtype=bool)
    if low:
        out |= values == ordered[0]
    if high:
        out |= values == ordered[-1]
    kept: Array = np.where(out, np.nan, values)
    return kept if int(np.isfinite(kept).sum()) >= LEAST_LEFT else values


def _apart(ordered: Array, gap: float, most: float) -> bool:
    """Whether the lowest of the sorted values lies beyond a gap from the next."""
    end = int(np.searchsorted(ordered, ordered[0], side="right"))
    return (
        end < len(ordered) and end <= most * len(ordered) and bool(ordered[end] - ordered[0] > gap)
    )


def pressure_without_rails(values: Array) -> Array:
    """A manifold pressure without its dropouts."""
    ordered = np.sort(values[np.isfinite(values)])
    if len(ordered) < 2 * LEAST_LEFT:
        return values
    end = max(1, int(DROPOUTS * len(ordered)))
    return without_rails(
        values, gap=PRESSURE_GAP * float(ordered[-1] - ordered[end]), most=DROPOUTS
    )


def temperature_without_rails(channel: str, values: Array) -> Array:
    """A temperature without what stands at a rail."""
    exhaust = base_of(channel) == "exhaust_gas_temp"
    return without_rails(values, gap=EXHAUST_GAP if exhaust else TEMPERATURE_GAP)
