"""What the engine was doing, on a thinned clock: the evidence that units are judged by; and which
samples are none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.model import Array, Bools, base_of

THIN_TO = 1200  # rows of evidence
LEAST = 4  # samples for a level to count
LEAST_LEFT = 20  # samples that must remain without a broken sensor's
DROPOUTS = (
    0.06  # most of a pressure log that its sensor may be gone: zero boost, clipped, takes more
)
PRESSURE_GAP = 0.08  # of the range of the rest
TEMPERATURE_GAP = 12.0  # °C, °F or K: no temperature of a car moves so far between two samples
EXHAUST_GAP = 200.0  # the same for the exhaust's, which follows the throttle within a second or two


@dataclass(frozen=True, eq=False)
class Scene:
    """Thinned, forward-filled rows. rpm; opening: throttle or pedal, 0 closed to 1 wide open; speed
    in the source's own unit. None where the log has none. time: s. The rest is known of other
    columns once they are decided; geared: the car file's gearing tells more of road speed.
    """

    time: Array
    rpm: Array | None = None
    opening: Array | None = None
    speed: Array | None = None
    speed_kmh: Array | None = None
    second_kmh: Array | None = None
    manifold_kpa: Array | None = None
    geared: bool = False

    @cached_property
    def states(self) -> Mapping[str, Bools]:
        """The rows of each state of the engine; none of a state that the log does not show.

        wide: for two rows at least; steady: light load, neither wide open nor closed.
        """
        none = np.full(len(self.time), np.nan)
        rpm, opening, speed = (
            none if x is None else x for x in (self.rpm, self.opening, self.speed)
        )
        closed, rest, wide = opening < 0.06, opening < 0.06, opening > 0.85
        if self.opening is None:
            rest = rpm < 1000.0 if self.speed is None else speed < 2.0
        wide[1:] &= wide[:-1].copy()
        if self.rpm is not None:
            wide &= rpm > 1000.0
        return {
            "closed": closed,
            "stopped": rpm < 50.0,
            "idle": (rpm > 450.0) & (rpm < 1300.0) & rest,
            "overrun": (rpm > 1800.0) & closed,
            "wide": wide,
            "steady": (opening > 0.06) & (opening < 0.4) & (rpm > 1000.0),
        }

    def level(self, values: Array, state: str, *, share: float = 0.5) -> float | None:
        """The quantile of values in a state; None for too few samples."""
        picked = in_order(values[self.states[state]])
        return quantile(picked, share) if len(picked) >= LEAST else None


def in_order(values: Array) -> Array:
    """The finite values in order of size."""
    return np.sort(values[np.isfinite(values)])


def quantile(ordered: Array, share: float) -> float:
    """The sample nearest to that share of a sorted array."""
    return float(ordered[round(share * (len(ordered) - 1))])


def opening_of(throttle: Array) -> Array | None:
    """0 (closed) to 1 (wide open) from a throttle in any unit; None for too few samples."""
    ordered = in_order(throttle)
    if len(ordered) < LEAST:
        return None
    low, high = quantile(ordered, 0.01), quantile(ordered, 0.995)
    if high - low > 25.0:
        return np.asarray((throttle - low) / max(high - low, 55.0 if low < 30.0 else 1.0))
    if low > 70.0:
        return np.asarray(throttle / max(high, 1.0))  # wide open all along
    return np.asarray((throttle - low) / 80.0)  # a closed or half-open throttle all along


def without_rails(values: Array, *, gap: float, most: float = 1.0) -> Array:
    """The values with NaN for what stands at one value at either end, beyond a gap, in at most that
    share.

    An open or shorted circuit reads one value far from every other; taken as evidence it would
    argue for a unit under which it looks less absurd. Common practice, no published source. Does
    not see: a sensor broken all along. values: thinned source values; gap: in their unit.
    """
    ordered = in_order(values)
    if len(ordered) < 2 * LEAST_LEFT or not gap > 0:
        return values
    kept = values
    for sign, up in ((1.0, ordered), (-1.0, -ordered[::-1])):
        end = int(np.searchsorted(up, up[0], side="right"))
        if end < len(up) and end <= most * len(up) and up[end] - up[0] > gap:
            kept = np.where(sign * values == up[0], np.nan, kept)
    return kept if np.isfinite(kept).sum() >= LEAST_LEFT else values


def without_dropouts(values: Array) -> Array:
    """A manifold pressure without its dropouts."""
    ordered = in_order(values)
    if len(ordered) < 2 * LEAST_LEFT:
        return values
    rest = ordered[max(1, int(DROPOUTS * len(ordered))) :]
    return without_rails(values, gap=PRESSURE_GAP * float(np.ptp(rest)), most=DROPOUTS)


def temperature_without_rails(channel: str, values: Array) -> Array:
    """A temperature without what stands at a rail."""
    exhaust = base_of(channel) == "exhaust_gas_temp"
    return without_rails(values, gap=EXHAUST_GAP if exhaust else TEMPERATURE_GAP)
