"""Boost that climbs with engine speed though nothing asked it to. No check: see boost_overshoot."""

from __future__ import annotations

import numpy as np

from audit.checks.boost.boost_context import change_between, rpm_at, target_level
from audit.checks.boost.boost_trace import BoostTrace, past_target
from audit.checks.kit.base import Measured
from audit.model import Array, Pull
from audit.signal.arrays import block_means, median_sorted
from audit.signal.lines import Middle, median_line, theil_sen
from audit.signal.robust import MAD_TO_SIGMA

LEAST_SPAN_KRPM = 0.35
LEAST_CLIMB_KPA = 3.5
LEAST_CLIMB_SHARE = 0.05  # of the boost: less is wander
WAIT = 0.8  # of the rise, after arrival: what is left of the approach is no creep
MOST_WAIT_S = 2.0
LEAST_S = 0.6
DUTY_HELD_PCT = 3.0
MOST_KPA_PER_PCT = 2.5  # what a per cent of duty may add: common practice, no published source
MOST_LED = 0.2  # share of the boost: duty that brings more is still building it
POINTS = 32
BUILDS_POWER = 2.0  # see _builds


def creep(pull: Pull, trace: BoostTrace, sheet: Measured) -> None:
    """Fill in boost_slope_kpa_per_krpm and boost_creep_kpa_per_krpm, or why a climb could not be
    judged.

    Where boost slows its climb or starts it late, the later half counts. What the target rose, and
    what a rising duty can explain, is none; a falling duty does not excuse it. Boost that climbs
    too briefly, or by much behind its duty, is not judged.

    Example: settled at 80 kPa from 3,500 rpm, 98 kPa at 5,500 rpm, duty held: 9 kPa per 1000 rpm, a
    hold."""
    t, x, y = _after_the_rise(pull, trace)
    found, late = _slope(x, y) if t.size >= 6 else (None, slice(None))
    whole_span = float(x.max() - x.min()) if x.size else 0.0
    t, x, y = t[late], x[late], y[late]
    if found is None or whole_span < 0.2 or t[-1] - t[0] < LEAST_S:
        _unseen(trace, sheet)
        return
    sheet.put("boost_slope_kpa_per_krpm", found.slope)
    sheet.put("boost_creep_kpa_per_krpm", 0.0)
    at, span = (float(t[0]), float(t[-1])), float(x[-1] - x[0])
    climb = found.slope * span
    if _on_its_way(pull, trace, at[1]) or not _worth_it(found, climb, x, y, trace):
        return
    asked = max(_slope_of_target(pull, *at), 0.0)
    duty = change_between(pull.believed("wastegate_duty"), *at)
    led_kpa = MOST_KPA_PER_PCT * max((duty or 0.0) - 0.5 * DUTY_HELD_PCT, 0.0)
    unasked = asked < 0.5 * found.slope
    fit = theil_sen(*block_means(x, y, POINTS)[:2])
    if fit is None or fit.low <= 0.35 * fit.slope or _builds(pull, trace, fit.slope, x, y):
        if unasked:
            _not_told(trace, sheet, "with engine speed")
        return
    slope = fit.slope - asked - led_kpa / span
    if led_kpa > 0 and climb > MOST_LED * trace.level and unasked:
        _not_told(trace, sheet, "with its duty")
        return
    rose = "(duty is not logged)" if duty is None else "while duty held"
    if duty is not None and duty < -DUTY_HELD_PCT:
        rose = "although duty came down"
    text = (
        f"boost climbed {climb:.1f} kPa from {1000 * x[0]:.0f} rpm to {1000 * x[-1]:.0f} rpm "
        f"{rose}, {slope:.1f} kPa per 1000 rpm"
    )
    said = f"95 % interval of the slope {fit.low:.1f} to {fit.high:.1f}"
    sheet.put("boost_creep_kpa_per_krpm", max(slope, 0.0), text, at=at, said=said)


def _after_the_rise(pull: Pull, trace: BoostTrace) -> tuple[Array, Array, Array]:
    """Time s, engine speed 1000 rpm and boost kPa, settled and past what is left of the rise."""
    arrived, end = float(trace.t[trace.arrival]), float(trace.t[-1])
    rise = arrived - float(trace.t[0]) if trace.rise_s is None else trace.rise_s
    wait = min(WAIT * rise, MOST_WAIT_S, 0.4 * (end - arrived))
    t, y = trace.settled_series().within(arrived + wait, end)
    rpm = rpm_at(pull, t)
    good = np.isfinite(rpm)
    return t[good], rpm[good] / 1000.0, y[good]


def _unseen(trace: BoostTrace, sheet: Measured) -> None:
    """Too little for a line: no matter where boost stood level, not known where it climbed."""
    t = trace.settled_series().t
    if t.size < 3 or trace.rest.slope * float(t[-1] - t[0]) > LEAST_CLIMB_KPA:
        why = "boost climbed after it had arrived, too briefly to tell a creep"
        _not_told(trace, sheet, why=why)


def _not_told(trace: BoostTrace, sheet: Measured, behind: str = "", *, why: str = "") -> None:
    sheet.put("boost_creep_kpa_per_krpm", None)
    why = why or f"boost was still climbing {behind} at the end of the pull"
    sheet.unable = sheet.unable or (trace.unable[0], why)


def _on_its_way(pull: Pull, trace: BoostTrace, end_s: float) -> bool:
    """Whether boost ends close below its target: it was getting there, not running away."""
    wanted = target_level(pull, end_s - 0.5, end_s)
    end = float(trace.calm[-1])
    return wanted is not None and (
        0.9 * wanted.kpa - 2.0 < end < wanted.kpa + max(1.0, trace.grain)
    )


def _builds(pull: Pull, trace: BoostTrace, slope: float, x: Array, y: Array) -> bool:
    """Does boost climb as fast as a turbo that has not reached its wastegate yet, and is not past
    its target?

    Boost against engine speed in logarithms: the gate of a creeping car still holds most of it back
    (under 1.5), all of the exhaust through the turbine gives more than the square. Common practice,
    no published source."""
    middle = median_sorted(y)
    if middle < 5.0 or slope * median_sorted(x) / middle < BUILDS_POWER:
        return False
    wanted = target_level(pull, float(trace.t[-1]) - 0.5, float(trace.t[-1]))
    return wanted is None or not past_target(float(trace.calm[-1]), wanted.kpa)


def _slope(x: Array, y: Array) -> tuple[Middle | None, slice]:
    """Robust line of boost on engine speed, and its rows: all or, where unlike, the later half."""
    every, late = slice(None), slice(x.size // 2, None)
    whole = _fit(x, y)
    half = _fit(x[late], y[late]) if x[late].size >= 5 else None
    if whole is None or half is None:
        return whole, every
    if abs(whole.slope) * float(x.max() - x.min()) < LEAST_CLIMB_KPA:
        alike = half.slope * float(np.ptp(x[late])) < LEAST_CLIMB_KPA
    else:
        alike = 0.7 * whole.slope <= half.slope <= 1.4 * whole.slope
    return (whole, every) if alike else (half, late)


def _fit(x: Array, y: Array) -> Middle | None:
    return median_line(*block_means(x, y, POINTS)[:2])


def _worth_it(fit: Middle, climb: float, x: Array, y: Array, trace: BoostTrace) -> bool:
    """Does the climb stand out of swing and steps? Only then is it asked how sure its slope is."""
    if climb < LEAST_CLIMB_KPA or abs(float(x[-1] - x[0])) < LEAST_SPAN_KRPM:
        return False
    rest = y - fit.intercept - fit.slope * x
    swing = MAD_TO_SIGMA * median_sorted(np.abs(rest - median_sorted(rest)))
    return climb >= max(LEAST_CLIMB_SHARE * abs(trace.level), 2.0 * swing, 1.5 * trace.quantum)


def _slope_of_target(pull: Pull, start_s: float, end_s: float) -> float:
    """Slope of the logged target on engine speed, kPa per 1000 rpm; 0 where there is none."""
    inside = pull.believed("boost_target").within(start_s, end_s)
    if len(inside.t) < 4:
        return 0.0
    x = rpm_at(pull, inside.t) / 1000.0
    good = np.isfinite(x)
    fit = _fit(x[good], inside.value[good])
    return fit.slope if fit else 0.0
