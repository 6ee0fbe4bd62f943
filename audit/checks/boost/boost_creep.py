"""Boost that climbs with engine speed though nothing asked it to. No check: part of
boost_overshoot.
"""

from __future__ import annotations

import numpy as np

from audit.checks.boost.boost_context import rpm_at, shift_between, target_level
from audit.checks.boost.boost_trace import BoostTrace, past_target
from audit.checks.kit.base import Measured
from audit.model import Array, Pull, Series
from audit.signal.arrays import IntArray, block_means, median_sorted
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
    hold.
    """
    rise = trace.rise_s if trace.rise_s is not None else float(trace.t[trace.arrival] - trace.t[0])
    wait = min(WAIT * rise, MOST_WAIT_S, 0.4 * float(trace.t[-1] - trace.t[trace.arrival]))
    t, y = trace.settled_series().within(float(trace.t[trace.arrival]) + wait, float(trace.t[-1]))
    rpm = rpm_at(pull, t)
    good = np.isfinite(rpm)
    t, y, x = t[good], y[good], rpm[good] / 1000.0
    found, rows = _slope(x, y) if t.size >= 6 else (None, np.arange(t.size))
    if found is None or float(x.max() - x.min()) < 0.2 or t[rows[-1]] - t[rows[0]] < LEAST_S:
        _unseen(trace, sheet)
        return
    sheet.put("boost_slope_kpa_per_krpm", found.slope)
    sheet.put("boost_creep_kpa_per_krpm", 0.0)
    start_s, end_s = float(t[rows[0]]), float(t[rows[-1]])
    climb = found.slope * float(x[rows[-1]] - x[rows[0]])
    if _on_its_way(pull, trace, end_s) or not _worth_it(found, climb, x[rows], y[rows], trace):
        return
    asked = max(_slope_of(pull.believed("boost_target"), pull, start_s, end_s), 0.0)
    duty = shift_between(pull.believed("wastegate_duty"), start_s, end_s)
    led_kpa = MOST_KPA_PER_PCT * max(duty.change - 0.5 * DUTY_HELD_PCT, 0.0) if duty else 0.0
    fit = theil_sen(*_thin(x[rows], y[rows]))
    if (
        fit is None
        or fit.low <= 0.35 * fit.slope
        or _builds(pull, trace, fit.slope, x[rows], y[rows])
    ):
        if asked < 0.5 * found.slope:
            _not_told(
                trace, sheet, "boost was still climbing with engine speed at the end of the pull"
            )
        return
    slope = fit.slope - asked - led_kpa / float(x[rows[-1]] - x[rows[0]])
    if led_kpa > 0 and climb > MOST_LED * trace.level and asked < 0.5 * found.slope:
        _not_told(trace, sheet, "boost was still climbing with its duty at the end of the pull")
        return
    rose = "while duty held" if duty is not None else "(duty is not logged)"
    if duty is not None and duty.change < -DUTY_HELD_PCT:
        rose = "although duty came down"
    text = (
        f"boost climbed {climb:.1f} kPa from {1000 * x[rows[0]]:.0f} rpm to "
        f"{1000 * x[rows[-1]]:.0f} rpm {rose}, "
        f"{slope:.1f} kPa per 1000 rpm"
    )
    sheet.put(
        "boost_creep_kpa_per_krpm",
        max(slope, 0.0),
        at=(start_s, end_s),
        text=text,
        said=f"95 % interval of the slope {fit.low:.1f} to {fit.high:.1f}",
    )


def _unseen(trace: BoostTrace, sheet: Measured) -> None:
    """Too little to lay a line through: no matter where boost stood level, not known where it
    climbed.
    """
    t = trace.settled_series().t
    if t.size < 3 or trace.rest.slope * float(t[-1] - t[0]) > LEAST_CLIMB_KPA:
        _not_told(trace, sheet, "boost climbed after it had arrived, too briefly to tell a creep")


def _not_told(trace: BoostTrace, sheet: Measured, why: str) -> None:
    sheet.put("boost_creep_kpa_per_krpm", None)
    if sheet.unable is None:
        sheet.unable = (trace.unable[0], why)


def _on_its_way(pull: Pull, trace: BoostTrace, end_s: float) -> bool:
    """Whether boost ends close below its target: it was getting there, not running away."""
    wanted = target_level(pull, end_s - 0.5, end_s)
    if wanted is None:
        return False
    end = float(trace.calm[-1])
    return 0.9 * wanted[0] - 2.0 < end < wanted[0] + max(1.0, trace.grain)


def _builds(pull: Pull, trace: BoostTrace, slope: float, x: Array, y: Array) -> bool:
    """Whether boost climbs as fast as a turbo that has not reached its wastegate yet, and is not
    past its target.

    Boost against engine speed in logarithms: the gate of a creeping car still holds most of it back
    (under 1.5), all of the exhaust through the turbine gives more than the square. Common practice,
    no published source.
    """
    middle = median_sorted(y)
    if middle < 5.0 or slope * median_sorted(x) / middle < BUILDS_POWER:
        return False
    wanted = target_level(pull, float(trace.t[-1]) - 0.5, float(trace.t[-1]))
    return wanted is None or not past_target(float(trace.calm[-1]), wanted[0])


def _slope(x: Array, y: Array) -> tuple[Middle | None, IntArray]:
    """Robust line of boost on engine speed, over all rows or, where the halves differ, the later
    half.
    """
    every = np.arange(x.size)
    whole = _fit(x, y)
    late = every[x.size // 2 :]
    half = _fit(x[late], y[late]) if late.size >= 5 else None
    if whole is None or half is None:
        return whole, every
    climbs = half.slope * float(np.ptp(x[late])) >= LEAST_CLIMB_KPA
    if abs(whole.slope) * float(x.max() - x.min()) < LEAST_CLIMB_KPA:
        return (half, late) if climbs else (whole, every)
    alike = 0.7 * whole.slope <= half.slope <= 1.4 * whole.slope
    return (whole, every) if alike else (half, late)


def _thin(x: Array, y: Array) -> tuple[Array, Array]:
    return block_means(x, y, POINTS)[:2]


def _fit(x: Array, y: Array) -> Middle | None:
    return median_line(*_thin(x, y))


def _worth_it(fit: Middle, climb: float, x: Array, y: Array, trace: BoostTrace) -> bool:
    """Whether the climb stands out of swing and steps: only then is it asked how sure its slope
    is.
    """
    if climb < LEAST_CLIMB_KPA or abs(float(x[-1] - x[0])) < LEAST_SPAN_KRPM:
        return False
    rest = y - fit.intercept - fit.slope * x
    swing = MAD_TO_SIGMA * median_sorted(np.abs(rest - median_sorted(rest)))
    return climb >= max(
        LEAST_CLIMB_KPA, LEAST_CLIMB_SHARE * abs(trace.level), 2.0 * swing, 1.5 * trace.quantum
    )


def _slope_of(series: Series, pull: Pull, start_s: float, end_s: float) -> float:
    """Slope of the target on engine speed in the stretch, kPa per 1000 rpm; 0 where it is not
    logged.
    """
    inside = series.within(start_s, end_s)
    if len(inside.t) < 4:
        return 0.0
    x = rpm_at(pull, inside.t) / 1000.0
    good = np.isfinite(x)
    fit = _fit(x[good], inside.value[good])
    return fit.slope if fit else 0.0
