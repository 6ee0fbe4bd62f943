"""What the engine was doing in each row, as far as the log tells: the ground the sensor tests stand
on.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.model import Array, Bools, Log, Sanity, Series, believed_series
from audit.signal.arrays import median
from audit.signal.spans import runs

RUNNING_RPM = 300.0  # below any idle, above cranking
STOPPED_RPM = 50.0
SETTLE_S = 1.0  # the manifold fills within this after the engine has stopped
LEAP_RPM, LEAP_PCT, LEAP_KPA = (
    300.0,
    8.0,
    15.0,
)  # what a sample or two of a working engine seldom does
OPEN_SHARE, OPEN_TOP = 0.88, 55.0  # of the log's own highest throttle, and %: as opened.py takes it
BOOST_SHARE, BOOST_KPA = (
    0.6,
    20.0,
)  # of the log's own highest boost, and kPa: a pull, whatever the throttle says
OVERRUN_S = (
    1.5  # the mixture is back, and the gas has come to the sensor, this long after a shut throttle
)
IDLE_RPM, STANDING_KMH, CALM_S = (
    1500.0,
    2.0,
    5.0,
)  # a car that stands and idles, long enough to tell
WINDOW_S, BRIDGE_S = (
    1.0,
    0.3,
)  # a wide-open stretch worth the name; a shorter moment shut does not part it
LEAD_S = 0.3  # what the checks read of a damage channel before a pull
GAP_S, GAP_TIMES = 0.5, 5.0  # no rows for so long, and for so many usual intervals
Rows = np.ndarray[tuple[int, ...], np.dtype[np.intp]]
NO_FLAGS = Sanity(samples={}, tests={}, flags={}, noise={})


def true_samples(log: Log, name: str) -> Series:
    """A channel's own samples, repeats of a held value left out, whatever they are worth."""
    return believed_series(log, NO_FLAGS, name, -np.inf, np.inf)


def on_rows(log: Log, name: str) -> Array | None:
    """A channel in every row, on straight lines between its samples; None when the log lacks it."""
    if not log.has(name):
        return None
    value = log.values(name)
    good = np.isfinite(value)
    if good.all():
        return value
    if good.sum() < 2:
        return None
    return np.interp(log.time, log.time[good], value[good])


@dataclass(frozen=True, eq=False)
class State:
    """Rows of one log: t in s; engine speed in rpm, throttle or pedal in %, manifold pressure in
    kPa or None.
    """

    t: Array
    engine_speed: Array | None
    throttle: Array | None
    manifold: Array | None
    baro_kpa: float
    road_speed: Array | None = None

    @cached_property
    def running(self) -> Bools:
        """The engine turns under its own power (all rows where nothing tells)."""
        if self.engine_speed is None:
            return np.ones(len(self.t), dtype=np.bool_)
        return self.engine_speed >= RUNNING_RPM

    @cached_property
    def stopped(self) -> Bools:
        """The engine has stood for SETTLE_S and goes on standing for as long (none where nothing
        tells).
        """
        if self.engine_speed is None:
            return np.zeros(len(self.t), dtype=np.bool_)
        turning = self.engine_speed > STOPPED_RPM
        if not turning.any():
            return np.ones(len(self.t), dtype=np.bool_)
        return (since(self.t, turning) >= SETTLE_S) & (until(self.t, turning) >= 0.3)

    @cached_property
    def load(self) -> Bools:
        """Throttle well open, or manifold pressure over ambient, with the engine running."""
        mask = np.zeros(len(self.t), dtype=np.bool_)
        if self.throttle is not None:
            mask |= self.throttle > 60.0
        if self.manifold is not None:
            boosted = self.manifold > self.baro_kpa + 10.0
            mask = (
                mask & (self.manifold > self.baro_kpa - 20.0) | boosted
                if self.throttle is not None
                else boosted
            )
        return mask & self.running

    @cached_property
    def open(self) -> Bools:
        """Rows at a wide-open throttle or well under boost, by the raw readings; lone moments
        too.
        """
        mask = np.zeros(len(self.t), dtype=np.bool_)
        if self.throttle is not None:
            top = _reached(self.throttle)
            if top >= OPEN_TOP:
                mask |= self.throttle >= OPEN_SHARE * top
        if self.manifold is not None:
            boost = self.manifold - self.baro_kpa
            mask |= boost >= max(BOOST_KPA, BOOST_SHARE * _reached(boost))
        return mask & self.running

    @cached_property
    def standing(self) -> Bools:
        """The car stands with nothing but idle behind it for CALM_S: what soaks together has one
        temperature.

        Without road speed only an engine that has stopped is known to stand.
        """
        if self.road_speed is None:
            return self.stopped
        calm = self.stopped if self.engine_speed is None else self.engine_speed < IDLE_RPM
        quiet = calm & (self.road_speed < STANDING_KMH)
        return quiet & (since(self.t, ~quiet) >= CALM_S)

    @cached_property
    def windows(self) -> list[tuple[float, float]]:
        """Wide-open stretches, s: whatever a pull may lie in. What a sensor does elsewhere holds
        nothing.
        """
        starts, stops = runs(self.open)
        spans: list[tuple[float, float]] = []
        for a, b in zip(self.t[starts].tolist(), self.t[stops - 1].tolist(), strict=True):
            if spans and a - spans[-1][1] <= BRIDGE_S:
                spans[-1] = (spans[-1][0], b)
            else:
                spans.append((a, b))
        return [(a, b) for a, b in spans if b - a >= WINDOW_S - 1e-9]

    def inside(self, t: Array, *, lead_s: float = LEAD_S) -> Bools:
        """Which instants lie in a wide-open stretch or lead_s before one."""
        out = np.zeros(len(t), dtype=np.bool_)
        for a, b in self.windows:
            out[slice(*np.searchsorted(t, (a - lead_s - 1e-9, b + 1e-9)))] = True
        return out

    @cached_property
    def shut(self) -> Bools:
        """Rows at a shut throttle, or within OVERRUN_S after one: fuel is cut there, and comes
        back.
        """
        if self.throttle is None or not self.running.any():
            return np.zeros(len(self.t), dtype=np.bool_)
        low = float(np.percentile(self.throttle[self.running], 2))
        return since(self.t, self.throttle <= min(low + 4.0, 25.0)) <= OVERRUN_S

    @cached_property
    def _moved(self) -> Array:
        """Running count of rows in which the throttle has moved by 8 % within the last 0.3 s."""
        if self.throttle is None or len(self.t) < 3:
            return np.arange(len(self.t) + 1, dtype=np.float64)
        step = max(1e-3, median(np.diff(self.t[:2001])))
        k = max(1, min(len(self.t) - 1, round(0.3 / step)))
        moved = np.zeros(len(self.t))
        moved[k:] = np.abs(self.throttle[k:] - self.throttle[:-k]) > 8.0
        return np.concatenate(([0.0], np.cumsum(moved)))

    def steady(self, at: Array, *, before_s: float, after_s: float = 0.35) -> Bools:
        """Was the throttle still from before_s before to after_s after each instant? False where
        unknown.
        """
        low, high = (
            np.searchsorted(self.t, at - before_s),
            np.searchsorted(self.t, at + after_s, side="right"),
        )
        still: Bools = self._moved[high] - self._moved[low] == 0
        return still

    def confirmed(self, name: str, at: Array, *, within_s: float) -> Bools:
        """Did another of engine speed, throttle and manifold pressure leap too, within_s around
        each instant?

        Two sensors do not fail in the same moment: the engine did it (a shift, a lift, a cut, a
        coarse replay).
        """
        others = {
            "engine_speed": (self.engine_speed, LEAP_RPM),
            "throttle_position": (self.throttle, LEAP_PCT),
            "manifold_pressure": (self.manifold, LEAP_KPA),
        }
        out = np.zeros(len(at), dtype=np.bool_)
        for other, (value, least) in others.items():
            if (
                value is None
                or other == name
                or (name == "pedal_position" and other == "throttle_position")
            ):
                continue
            before, after = (
                np.interp(at - within_s, self.t, value),
                np.interp(at + within_s, self.t, value),
            )
            out |= np.abs(after - before) >= least
        return out


def _reached(value: Array) -> float:
    """The highest value but for a few rows, which may be glitches."""
    good = value[np.isfinite(value)]
    few = min(len(good), 3 + len(good) // 2000)
    return float(np.partition(good, -few)[-few]) if few else 0.0


def since(t: Array, mask: Bools) -> Array:
    """Seconds since the mask last held; infinite before it first did."""
    rows = np.maximum.accumulate(np.where(mask, np.arange(len(t)), -1))
    return np.where(rows >= 0, t - t[np.maximum(rows, 0)], np.inf)


def until(t: Array, mask: Bools) -> Array:
    """Seconds until the mask next holds; infinite after it last did."""
    return since(-t[::-1], mask[::-1])[::-1]


def state_of(log: Log) -> State:
    """The state of every row of a log."""
    throttle = on_rows(log, "throttle_position")
    return State(
        t=log.time,
        engine_speed=on_rows(log, "engine_speed"),
        throttle=throttle if throttle is not None else on_rows(log, "pedal_position"),
        manifold=on_rows(log, "manifold_pressure"),
        baro_kpa=log.barometric.kpa,
        road_speed=on_rows(log, "vehicle_speed"),
    )


def gap_rows(log: Log) -> Rows:
    """First row after each gap: longer than 0.5 s and five usual intervals, restarts of the clock
    left out.
    """
    if log.rows < 2:
        return np.empty(0, dtype=np.intp)
    dt = np.diff(log.time)
    rows = np.flatnonzero(dt > max(GAP_S, GAP_TIMES * median(dt))) + 1
    return np.setdiff1d(rows, np.asarray(log.breaks, dtype=np.intp))
