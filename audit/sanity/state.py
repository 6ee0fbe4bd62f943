"""What the engine was doing in each row, as far as the log tells: the ground the sensor tests stand on."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.model import Array, Bools, Log, Sanity, Series, believed_series
from audit.signal.arrays import median

RUNNING_RPM = 300.0  # below any idle, above cranking
STOPPED_RPM = 50.0
SETTLE_S = 1.0  # the manifold fills within this after the engine has stopped
LEAP_RPM, LEAP_PCT, LEAP_KPA = (
    300.0,
    8.0,
    15.0,
)  # what a sample or two of a working engine seldom does
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
    """Rows of one log: t in s; engine speed in rpm, throttle or pedal in %, manifold pressure in kPa or None."""

    t: Array
    engine_speed: Array | None
    throttle: Array | None
    manifold: Array | None
    baro_kpa: float

    @cached_property
    def running(self) -> Bools:
        """The engine turns under its own power (all rows where nothing tells)."""
        if self.engine_speed is None:
            return np.ones(len(self.t), dtype=np.bool_)
        return self.engine_speed >= RUNNING_RPM

    @cached_property
    def stopped(self) -> Bools:
        """The engine has stood for SETTLE_S and goes on standing for as long (none where nothing tells)."""
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
        """Was the throttle still from before_s before to after_s after each instant? False where unknown."""
        low, high = (
            np.searchsorted(self.t, at - before_s),
            np.searchsorted(self.t, at + after_s, side="right"),
        )
        still: Bools = self._moved[high] - self._moved[low] == 0
        return still

    def borne_out(self, name: str, at: Array, *, within_s: float) -> Bools:
        """Did another of engine speed, throttle and manifold pressure leap too, within_s around each instant?

        Two sensors do not fail in the same moment: the engine did it (a shift, a lift, a cut, a coarse replay).
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
    )
