"""Solenoid duty in a pull: its level, and whether a hand or a controller set it. No check."""

from __future__ import annotations

from typing import NamedTuple

from audit.checks.boost.boost_trace import BoostTrace
from audit.model import Pull
from audit.signal.arrays import interval_of, median_sorted, quantile, rows_of

FIXED_PCT = 1.5  # a duty that stays within this from half the boost on was set by hand
AT_STOP_PCT = 1.5
# from here on a solenoid vents about all it can; common practice, no published source
FULLY_OPEN_PCT = 84.0


class Duty(NamedTuple):
    """Duty, %: its median in the settled part; fixed: within FIXED_PCT from half of the boost on;
    top and top_s: its highest level and how long it stood there; clamped: it rose to that top in
    the pull and stayed."""

    level: float
    fixed: bool
    top: float
    top_s: float
    clamped: bool


def find_duty(pull: Pull, trace: BoostTrace) -> Duty | None:
    """Duty beside the pull's boost trace; None where it is not logged or has under 2 samples."""
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
    interval = interval_of(whole.t)
    low, high = quantile(whole.value, 0.03), quantile(whole.value, 0.97)
    came_up = bool(series.value.min() < top - 3.0)
    stayed = bool((settled[settled.size // 2 :] >= top - 0.6).all())
    return Duty(
        median_sorted(settled),
        high - low <= FIXED_PCT,
        top,
        float(there.size * interval),
        came_up and stayed,
    )


def at_stop(pull: Pull, duty: Duty) -> bool:
    """Did duty sit at its upper end: the car file's, a valve's, or one it was clamped at?"""
    if duty.level >= min(pull.car.duty_max_pct - AT_STOP_PCT, FULLY_OPEN_PCT):
        return True
    return duty.clamped and duty.top >= 80.0 and duty.top_s >= 0.5


def steered(pull: Pull, duty: Duty | None, *, logged_target: bool) -> bool:
    """Whether something steers boost for its target in this pull, so that falling short is a fault.

    Example: 60 % from half the boost to the lift is a duty set by hand, and boost 20 kPa under the
    target that the person steps up to is no fault, whether that target is one figure or follows
    engine speed; 60 % that had climbed there from 45 % is a controller that can do no more."""
    if duty is None:
        return logged_target  # duty unknown: a logged target is the engine computer's own
    return not duty.fixed or at_stop(pull, duty)
