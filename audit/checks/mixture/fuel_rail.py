"""What kind of fuel rail this is, and how far its pressure falls in a pull.

A rail with a manifold-referenced regulator keeps its pressure a constant amount over manifold
pressure: in gauge terms rail minus boost stands still. A returnless rail keeps the rail itself
constant, so that difference falls under boost by design. A direct-injection rail stands at
thousands of kPa and follows its own map.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.model import Array, Pull, Series, believed_series
from audit.signal.arrays import mean, median_sorted
from audit.signal.held import (
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


@dataclass(frozen=True)
class Rail:
    """kind: 'referenced', 'constant', 'direct'; sure: told from its off-load behaviour, else from
    the pull.

    off_load_kpa: its level off load (of rail minus boost where referenced); lowest: of the same,
    held in the pull. least_differential_kpa: rail minus boost, lowest held in the pull.
    """

    kind: str
    sure: bool
    off_load_kpa: float
    lowest_kpa: float
    start_s: float
    end_s: float
    least_differential_kpa: float | None

    @property
    def drop_pct(self) -> float:
        """Fall from the off-load level, %."""
        return 100.0 * (1.0 - self.lowest_kpa / self.off_load_kpa)


def read_rail(pull: Pull) -> Rail | None:
    """Kind, off-load level and lowest held level; None where the log does not carry it."""
    rail = pull.believed("fuel_pressure", tail_s=0.0)
    if len(rail.t) < 2:
        return None
    calm = Series(rail.t, _calm(rail))
    if median_sorted(calm.value) > DIRECT_KPA:
        return _direct(calm)
    boost = pull.believed("boost", lead_s=1.5, tail_s=0.3)
    pressure, manifold = _off_load(pull)
    if len(boost.t) < 2:
        return _by_itself(calm, pressure)
    before = _lenient_boost(boost, calm.t)
    good = np.isfinite(before)
    difference = Series(calm.t[good], calm.value[good] - before[good])
    low = held_below(difference.t, difference.value, SUSTAINED_S)
    if low is None:
        return None
    kind, sure, level = _kind(pressure, manifold, calm, boost)
    if level is None or level <= 0:
        return Rail("unknown", False, float("nan"), float("nan"), low.start_s, low.end_s, low.level)
    if kind == "referenced":
        return Rail(kind, sure, level, low.level, low.start_s, low.end_s, low.level)
    own = held_below(calm.t, calm.value, SUSTAINED_S)
    assert own is not None
    return Rail(kind, sure, level, own.level, own.start_s, own.end_s, low.level)


def _calm(rail: Series) -> Array:
    return smooth(rail.t, without_singles(rail.value), SUSTAINED_S)


def _lenient_boost(boost: Series, t: Array) -> Array:
    """The lowest boost of the moments before each t: a regulator that follows late is no fault."""
    now, late = boost.at(t, max_gap_s=1.5), boost.at(t - RISE_REACH_S, max_gap_s=1.5)
    return np.where(np.isfinite(late), np.minimum(now, late), now)


def _off_load(pull: Pull) -> tuple[Array, Array]:
    """Rail and boost, kPa gauge, off load in the minutes before the pull, else anywhere in the
    log.
    """
    for start, end in (
        (max(0.0, pull.start_s - REFERENCE_S), pull.start_s - 0.3),
        (0.0, pull.log.duration_s),
    ):
        rail = believed_series(pull.log, pull.sanity, "fuel_pressure", start, end)
        manifold = believed_series(pull.log, pull.sanity, "manifold_pressure", start, end)
        rpm = believed_series(pull.log, pull.sanity, "engine_speed", start, end)
        if len(rail.t) < 4:
            continue
        thin = slice(None, None, max(1, len(rail.t) // MANY))
        t, value = rail.t[thin], rail.value[thin]
        boost = manifold.at(t, max_gap_s=1.5) - pull.log.barometric.kpa
        running = (
            rpm.at(t, max_gap_s=1.5) > 500 if len(rpm.t) > 1 else np.ones(len(t), dtype=np.bool_)
        )
        keep = (
            np.isfinite(boost) & (boost < 5.0) & running
            if len(manifold.t) > 1
            else running & (t < pull.start_s)
        )
        if keep.sum() >= 4:
            return value[keep], boost[keep]
    return np.empty(0), np.empty(0)


def _kind(
    pressure: Array, manifold: Array, calm: Series, boost: Series
) -> tuple[str, bool, float | None]:
    """(kind, sure, off-load level). Slope of rail on boost, off load and while boost builds: 1
    referenced, 0 constant.
    """
    then = boost.at(calm.t, max_gap_s=1.5)
    early = np.isfinite(then) & (calm.t < calm.t[0] + 1.0)
    enough = len(pressure) >= 4
    rail = pressure if enough else calm.value[early]
    difference = pressure - manifold if enough else (calm.value - then)[early]
    if len(rail) < 2:
        return "referenced", False, None
    with np.errstate(invalid="ignore"):
        building = (
            np.isfinite(then) & (then < BUILDING * np.nanmax(then))
            if np.isfinite(then).any()
            else early
        )
    follows = _follows(
        np.concatenate((manifold, then[building])), np.concatenate((pressure, calm.value[building]))
    )
    if follows is not None:
        return (
            ("referenced", True, median_sorted(difference))
            if follows
            else ("constant", True, median_sorted(rail))
        )
    top = float(np.partition(calm.value, -2)[-2])
    if (
        abs(top / median_sorted(rail) - 1.0) < CONSTANT_WITHIN
        and boost.value.max() - boost.value.min() > 40.0
    ):
        return "constant", False, median_sorted(rail)
    return "referenced", False, median_sorted(difference)


def _follows(manifold: Array, rail: Array) -> bool | None:
    """Whether the rail moves with the manifold; None where too little moves to tell."""
    if len(rail) < 8 or manifold.max() - manifold.min() < 20.0:
        return None
    x = manifold - mean(manifold)
    spread = float(np.dot(x, x))
    slope = float(np.dot(x, rail)) / spread
    rest = rail - mean(rail) - slope * x
    error = float(np.sqrt(mean((rest - mean(rest)) ** 2) / spread))
    return slope > 0.5 if error < 0.15 else None


def _direct(calm: Series) -> Rail | None:
    """Fall of a direct-injection rail below the level that it held before in the same pull; one
    that rises has none.
    """
    spans = stretches(calm.t, 2 * SUSTAINED_S)
    if len(calm.t) < 6 or not spans.first.size:
        return None
    # What had been held for that long up to each sample: the highest of the lows of the stretches
    # that end there.
    lows = moving_minima(calm.value, spans)
    before = np.full(len(calm.t), -np.inf)
    np.maximum.at(before, spans.stop - 1, lows)
    before = np.maximum.accumulate(before)
    known = np.isfinite(before)
    fall = 1.0 - calm.value[known] / before[known]
    held = held_above(calm.t[known], fall, 2 * SUSTAINED_S)
    if held is None:
        return None
    here = int(np.searchsorted(calm.t, held.start_s))
    level, drop = float(before[here]), max(held.level, 0.0)
    return Rail("direct", True, level, level * (1.0 - drop), held.start_s, held.end_s, None)


def _by_itself(calm: Series, pressure: Array) -> Rail | None:
    """Without manifold pressure only the rail itself can be watched."""
    level = median_sorted(pressure) if len(pressure) >= 4 else None
    low = held_below(calm.t, calm.value, SUSTAINED_S)
    if level is None or low is None:
        return None
    return Rail("constant", False, level, low.level, low.start_s, low.end_s, None)
