"""What the engine was doing in each row, as far as the log tells: what sensor tests stand on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.model import Array, Bools, Log, Sanity, Series, believed_series
from audit.signal.arrays import finite, interval_of, median, quantile
from audit.signal.spans import runs

RUNNING_RPM = 300.0  # below any idle, above cranking
STOPPED_RPM = 50.0
SETTLE_S = 1.0  # the manifold fills within this after the engine has stopped
# what a sample or two of a working engine seldom does
LEAP_RPM, LEAP_PCT, LEAP_KPA = 300.0, 8.0, 15.0
OPEN_SHARE, OPEN_TOP = 0.88, 55.0  # of the log's own highest throttle, and %: as opened.py takes it
# of the log's own highest boost, and kPa: a pull, whatever the throttle says
BOOST_SHARE, BOOST_KPA = 0.6, 20.0
OVERRUN_S = 1.5  # after a shut throttle the mixture, and its gas at the sensor, are back in this
# a car that stands and idles, long enough to tell
IDLE_RPM, STANDING_KMH, CALM_S = 1500.0, 2.0, 5.0
# a wide-open stretch worth the name; a shorter moment shut does not part it
WINDOW_S, BRIDGE_S = 1.0, 0.3
LEAD_S = 0.3  # what the checks read of a damage channel before a pull
GAP_S, GAP_TIMES = 0.5, 5.0  # no rows for so long, and for so many usual intervals
OPEN_AIR_KPA = (50.0, 112.0)  # no road is higher, no weather heavier
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
    return np.interp(log.time, log.time[good], value[good]) if good.sum() >= 2 else None


@dataclass(frozen=True, eq=False)
class State:
    """Rows of one log: t s; engine speed rpm, throttle or pedal %, manifold kPa, or None."""

    t: Array
    engine_speed: Array | None
    throttle: Array | None
    manifold: Array | None
    baro_kpa: float
    road_speed: Array | None = None

    def _all(self, value: bool) -> Bools:
        return np.full(len(self.t), value, dtype=np.bool_)

    @cached_property
    def running(self) -> Bools:
        """The engine turns under its own power (all rows where nothing tells)."""
        speed = self.engine_speed
        return self._all(True) if speed is None else speed >= RUNNING_RPM

    @cached_property
    def stopped(self) -> Bools:
        """It has stood for SETTLE_S and goes on standing a while (none where nothing tells)."""
        if self.engine_speed is None:
            return self._all(False)
        turning = self.engine_speed > STOPPED_RPM
        return (since(self.t, turning) >= SETTLE_S) & (until(self.t, turning) >= 0.3)

    @cached_property
    def load(self) -> Bools:
        """Throttle well open, or manifold pressure over ambient, with the engine running."""
        mask = self._all(False) if self.throttle is None else self.throttle > 60.0
        if self.manifold is not None:
            mask = mask & (self.manifold > self.baro_kpa - 20.0)
            mask |= self.manifold > self.baro_kpa + 10.0
        return mask & self.running

    @cached_property
    def open(self) -> Bools:
        """Rows wide open or well under boost, by the raw readings; lone moments too."""
        mask = self._all(False)
        if self.throttle is not None and (top := _reached(self.throttle)) >= OPEN_TOP:
            mask |= self.throttle >= OPEN_SHARE * top
        if self.manifold is not None:
            boost = self.manifold - self.baro_kpa
            mask |= boost >= max(BOOST_KPA, BOOST_SHARE * _reached(boost))
        return mask & self.running

    @cached_property
    def standing(self) -> Bools:
        """The car stands with nothing but idle behind it for CALM_S: what soaks together has one
        temperature.

        Without road speed only an engine that has stopped is known to stand."""
        if self.road_speed is None:
            return self.stopped
        calm = self.stopped if self.engine_speed is None else self.engine_speed < IDLE_RPM
        quiet = calm & (self.road_speed < STANDING_KMH)
        return quiet & (since(self.t, ~quiet) >= CALM_S)

    @cached_property
    def windows(self) -> list[tuple[float, float]]:
        """Wide-open stretches, s, that a pull may lie in. Elsewhere a sensor holds nothing."""
        starts, stops = runs(self.open)
        if not starts.size:
            return []
        begin, end = self.t[starts], self.t[stops - 1]
        parted = begin[1:] - end[:-1] > BRIDGE_S
        begin, end = begin[np.append(True, parted)], end[np.append(parted, True)]
        long = end - begin >= WINDOW_S - 1e-9
        return list(zip(begin[long].tolist(), end[long].tolist(), strict=True))

    def inside(self, t: Array, *, lead_s: float = LEAD_S) -> Bools:
        """Which instants lie in a wide-open stretch or lead_s before one."""
        out = np.zeros(len(t), dtype=np.bool_)
        for a, b in self.windows:
            out[slice(*np.searchsorted(t, (a - lead_s - 1e-9, b + 1e-9)))] = True
        return out

    @cached_property
    def closed(self) -> Bools:
        """Rows at a shut throttle: near the lowest that it has with the engine running."""
        if self.throttle is None:
            return self._all(False)
        running = finite(self.throttle[self.running])
        low = quantile(running, 0.02) if len(running) else 0.0
        return self.throttle <= min(low + 4.0, 25.0)

    @cached_property
    def shut(self) -> Bools:
        """Rows at a shut throttle or OVERRUN_S after one: fuel is cut there, and comes back."""
        ran = bool(self.running.any())
        return since(self.t, self.closed) <= OVERRUN_S if ran else self._all(False)

    @cached_property
    def _moved(self) -> Array:
        """Running count of rows in which the throttle has moved by 8 % within the last 0.3 s."""
        if self.throttle is None or len(self.t) < 3:
            return np.arange(len(self.t) + 1, dtype=np.float64)
        step = max(1e-3, interval_of(self.t[:2001]))
        k = max(1, min(len(self.t) - 1, round(0.3 / step)))
        moved = np.zeros(len(self.t) + 1)
        moved[k + 1 :] = np.abs(self.throttle[k:] - self.throttle[:-k]) > 8.0
        return np.cumsum(moved)

    def steady(self, at: Array, *, before_s: float, after_s: float = 0.35) -> Bools:
        """Was the throttle still before and after each instant? False where unknown."""
        low, high = self.t.searchsorted(at - before_s), self.t.searchsorted(at + after_s, "right")
        still: Bools = self._moved[high] - self._moved[low] == 0
        return still

    def confirmed(self, name: str, at: Array, *, within_s: float) -> Bools:
        """Did another of engine speed, throttle and manifold pressure leap too, within_s around
        each instant?

        Two sensors do not fail in the same moment: the engine did it (a shift, a lift, a cut, a
        coarse replay)."""
        others = {
            "engine_speed": (self.engine_speed, LEAP_RPM),
            "throttle_position": (self.throttle, LEAP_PCT),
            "manifold_pressure": (self.manifold, LEAP_KPA),
        }
        others.pop("throttle_position" if name == "pedal_position" else name, None)
        out = np.zeros(len(at), dtype=np.bool_)
        for value, least in others.values():
            if value is not None:
                leap = np.interp(at + within_s, self.t, value) - np.interp(
                    at - within_s, self.t, value
                )
                out |= np.abs(leap) >= least
        return out


def _reached(value: Array) -> float:
    """The highest value but for a few rows, which may be glitches."""
    good = finite(value)
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
    """First row after each gap of 0.5 s and five usual intervals, restarts left out."""
    if log.rows < 2:
        return np.empty(0, dtype=np.intp)
    dt = np.diff(log.time)
    gap = np.append(False, dt > max(GAP_S, GAP_TIMES * median(dt)))
    gap[[row for row in log.breaks if row < log.rows]] = False
    return gap.nonzero()[0]
