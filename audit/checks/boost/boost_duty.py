"""Solenoid duty in a pull: its level, whether it was held, and whether a hand or a controller set it. No check."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np

from audit.checks.boost.boost_trace import BoostTrace, boost_trace
from audit.model import Log, Pull
from audit.signal.arrays import median_sorted, quantile, rows_of

FIXED_PCT = 1.5  # a duty that stays within this from half the boost on was set by hand
STEP_PCT = 2.0  # apart, two such duties of one night are steps
AT_STOP_PCT = 1.5


@dataclass(frozen=True)
class Duty:
    """Duty in the settled part, %: median, range; fixed: within FIXED_PCT from half of the boost on;
    top and top_s: its highest level and how long it stood there; came_up: it rose to that top in the pull.
    """

    level: float
    reach: float
    fixed: bool
    top: float
    top_s: float
    clamped: bool


_duties: weakref.WeakKeyDictionary[BoostTrace, Duty | None] = weakref.WeakKeyDictionary()


def duty_of(pull: Pull, trace: BoostTrace) -> Duty | None:
    """Duty beside the pull's boost trace; None where it is not logged or has under 2 samples there."""
    if trace not in _duties:
        _duties[trace] = _look(pull, trace)
    return _duties[trace]


def _look(pull: Pull, trace: BoostTrace) -> Duty | None:
    series = pull.believed("wastegate_duty")
    if len(series.t) < 2:
        return None
    settled = series.within(float(trace.t[trace.settled_at]), float(trace.t[-1])).value
    half = rows_of(trace.calm >= trace.start + 0.5 * (trace.level - trace.start))
    from_s = float(trace.t[half[0]]) if half.size else float(trace.t[0])
    whole = series.within(from_s, float(trace.t[-1]))
    if settled.size < 2 or whole.value.size < 2:
        return None
    top = quantile(whole.value, 0.95)
    there = whole.t[whole.value >= top - 0.6]
    interval = median_sorted(whole.t[1:] - whole.t[:-1])
    low, high = quantile(whole.value, 0.03), quantile(whole.value, 0.97)
    came_up = bool(series.value.min() < top - 3.0)
    stayed = bool((settled[settled.size // 2 :] >= top - 0.6).all())
    return Duty(
        median_sorted(settled),
        float(settled.max() - settled.min()),
        high - low <= FIXED_PCT,
        top,
        float(there.size * interval),
        came_up and stayed,
    )


def at_stop(pull: Pull, duty: Duty) -> bool:
    """Whether duty sat at its upper end: the car file's, 100 %, or a level it climbed to and was clamped at."""
    stop = min(pull.car.duty_max_pct, 100.0)
    if duty.level >= stop - AT_STOP_PCT:
        return True
    return duty.clamped and duty.top >= 80.0 and duty.top_s >= 0.5


def stepped_by_hand(pull: Pull, *, logged_target: bool) -> bool:
    """Whether the pull ran at a fixed duty, so that its boost has no target to meet.

    With a target only from the car file a fixed duty is enough. With a logged target the night must also hold
    another fixed duty: a controller that has run out of authority may stand still too. At its stop it never counts.
    """
    trace = boost_trace(pull)
    duty = duty_of(pull, trace) if trace is not None else None
    if duty is None or not duty.fixed or at_stop(pull, duty):
        return False
    return not logged_target or night_steps(pull.night) >= STEP_PCT


_steps: weakref.WeakKeyDictionary[Log, float | None] = weakref.WeakKeyDictionary()


def night_steps(night: tuple[Log, ...]) -> float:
    """Spread over the night's logs of the duty held at full throttle, %, where each log holds one; else 0."""
    held = [level for level in (_held_duty(log) for log in night) if level is not None]
    return max(held) - min(held) if len(held) > 1 else 0.0


def _held_duty(log: Log) -> float | None:
    if log not in _steps:
        _steps[log] = _read_held_duty(log)
    return _steps[log]


def _read_held_duty(log: Log) -> float | None:
    """The duty at full throttle and over 20 kPa of boost, if it stays within FIXED_PCT; None if it moves."""
    needed = ("wastegate_duty", "throttle_position", "manifold_pressure")
    if not all(log.has(name) for name in needed):
        return None
    duty, throttle, pressure = (log.values(name) for name in needed)
    rows = np.isfinite(duty) & (throttle >= 90.0) & (pressure >= log.barometric.kpa + 20.0)
    if int(rows.sum()) < 5:
        return None
    low, middle, high = (quantile(duty[rows], share) for share in (0.1, 0.5, 0.9))
    return middle if high - low <= FIXED_PCT else None
