"""What kind of fuel rail this is, and how far its pressure falls in a pull.

A rail with a manifold-referenced regulator keeps its pressure a constant amount over manifold
pressure: in gauge terms rail minus boost stands still. A returnless rail keeps the rail itself
constant, so that difference falls under boost by design. A direct-injection rail stands at
thousands of kPa and follows its own map.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.model import Array, Pull, Series, believed_series
from audit.signal.arrays import mean, median_sorted
from audit.signal.held import (
    Held,
    held_above,
    held_below,
    moving_minima,
    stretches,
    without_singles,
)
from audit.signal.smoothing import smooth

DIRECT_KPA = 2000.0
REFERENCE_S = 180.0  # off-load level is taken from this long before the pull
SUSTAINED_S = 0.3
RISE_REACH_S = 0.3  # the regulator and the sensor follow a rising boost this late
BUILDING = 0.5  # share of its peak up to which boost is building, while a weak pump still copes
MANY = 400  # samples enough for the off-load level
CONSTANT_WITHIN = 0.05  # a rail this near its off-load level under boost has not followed it


class Rail(NamedTuple):
    """kind: 'referenced', 'constant', 'direct'; sure: told from its off-load behaviour, else from
    the pull.

    off_load_kpa: its level off load (of rail minus boost where referenced), NaN where that is not
    in the log; lowest: of the same, held in the pull. least_differential_kpa: rail minus boost,
    lowest held in the pull."""

    kind: str
    sure: bool
    off_load_kpa: float
    lowest: Held
    least_differential_kpa: float | None = None

    @property
    def drop_pct(self) -> float:
        """Fall from the off-load level, %."""
        return 100.0 * (1.0 - self.lowest.level / self.off_load_kpa)


def read_rail(pull: Pull) -> Rail | None:
    """Kind, off-load level and lowest held level; None where the log does not carry it."""
    t, value = pull.believed("fuel_pressure")
    if len(t) < 2:
        return None
    calm = Series(t, smooth(t, without_singles(value), SUSTAINED_S))
    if median_sorted(calm.value) > DIRECT_KPA:
        return _direct(calm)
    boost = pull.believed("boost", lead_s=1.5, tail_s=0.3)
    pressure, manifold = _off_load(pull)
    if len(boost.t) < 2:
        return _by_itself(calm, pressure)
    # the lowest boost of the moments before: a regulator that follows late is no fault
    now, late = boost.at(t, max_gap_s=1.5), boost.at(t - RISE_REACH_S, max_gap_s=1.5)
    before = np.where(np.isfinite(late), np.minimum(now, late), now)
    good = np.isfinite(before)
    low = held_below(t[good], calm.value[good] - before[good], SUSTAINED_S)
    if low is None:
        return None
    kind, sure, level = _kind(pressure, manifold, calm, boost)
    if level is None or level <= 0:
        return Rail("unknown", False, np.nan, low, low.level)
    own = low if kind == "referenced" else held_below(calm.t, calm.value, SUSTAINED_S)
    return Rail(kind, sure, level, own or low, low.level)


def _off_load(pull: Pull) -> tuple[Array, Array]:
    """Rail and boost, kPa gauge, off load in the minutes before the pull, else in all the log."""
    before = (max(0.0, pull.start_s - REFERENCE_S), pull.start_s - 0.3)
    for start, end in (before, (0.0, pull.log.duration_s)):
        rail, manifold, rpm = (
            believed_series(pull.log, pull.sanity, name, start, end)
            for name in ("fuel_pressure", "manifold_pressure", "engine_speed")
        )
        if len(rail.t) < 4:
            continue
        thin = slice(None, None, max(1, len(rail.t) // MANY))
        t, value = rail.t[thin], rail.value[thin]
        boost = manifold.at(t, max_gap_s=1.5) - pull.log.barometric.kpa
        keep = boost < 5.0 if len(manifold.t) > 1 else t < pull.start_s
        if len(rpm.t) > 1:
            keep &= rpm.at(t, max_gap_s=1.5) > 500
        if keep.sum() >= 4:
            return value[keep], boost[keep]
    return np.empty(0), np.empty(0)


def _kind(
    pressure: Array, manifold: Array, calm: Series, boost: Series
) -> tuple[str, bool, float | None]:
    """(kind, sure, off-load level): by the slope of rail on boost, off load and while boost builds;
    else a rail that reads under boost as it does off load is constant."""
    then = boost.at(calm.t, max_gap_s=1.5)
    early = np.isfinite(then) & (calm.t < calm.t[0] + 1.0)
    enough = len(pressure) >= 4
    rail = pressure if enough else calm.value[early]
    difference = pressure - manifold if enough else (calm.value - then)[early]
    if len(rail) < 2:
        return "referenced", False, None
    building = then < BUILDING * max(then[np.isfinite(then)], default=np.nan)
    boosts = np.concatenate((manifold, then[building]))
    follows = _follows(boosts, np.concatenate((pressure, calm.value[building])))
    constant, sure = follows is False, follows is not None
    if not sure:
        top = float(np.partition(calm.value, -2)[-2])
        alike = abs(top / median_sorted(rail) - 1.0) < CONSTANT_WITHIN
        constant = bool(alike and np.ptp(boost.value) > 40.0)
    if constant:
        return "constant", sure, median_sorted(rail)
    return "referenced", sure, median_sorted(difference)


def _follows(manifold: Array, rail: Array) -> bool | None:
    """Whether the rail moves with the manifold; None where too little moves to tell."""
    if len(rail) < 8 or np.ptp(manifold) < 20.0:
        return None
    x = manifold - mean(manifold)
    spread = float(np.dot(x, x))
    slope = float(np.dot(x, rail)) / spread
    rest = rail - mean(rail) - slope * x
    error = float(np.sqrt(mean((rest - mean(rest)) ** 2) / spread))
    return slope > 0.5 if error < 0.15 else None


def _direct(calm: Series) -> Rail | None:
    """Fall of a direct-injection rail below what it held before in the pull; 0 where it rises."""
    spans = stretches(calm.t, 2 * SUSTAINED_S)
    if len(calm.t) < 6 or not spans.first.size:
        return None
    # What was held for that long up to each sample: the highest low of the stretches that end there
    before = np.full(len(calm.t), -np.inf)
    np.maximum.at(before, spans.stop - 1, moving_minima(calm.value, spans))
    before = np.maximum.accumulate(before)
    known = np.isfinite(before)
    fall = 1.0 - calm.value[known] / before[known]
    held = held_above(calm.t[known], fall, 2 * SUSTAINED_S)
    if held is None:
        return None
    here = int(np.searchsorted(calm.t, held.start_s))
    level = float(before[here])
    lowest = Held(level * (1.0 - max(held.level, 0.0)), held.start_s, held.end_s)
    return Rail("direct", True, level, lowest)


def _by_itself(calm: Series, pressure: Array) -> Rail | None:
    """Without manifold pressure only the rail itself can be watched."""
    low = held_below(calm.t, calm.value, SUSTAINED_S)
    if len(pressure) < 4 or low is None:
        return None
    return Rail("constant", False, median_sorted(pressure), low)
