"""The periodic swing of one pull's boost after its arrival: size, frequency, damping. No check.

Looks up to a quarter of the sample rate and says so; in a slow log for a large swing up to 0.45 of
it.
"""

from __future__ import annotations

import numpy as np

from audit.checks.boost.boost_context import rpm_at
from audit.checks.boost.boost_trace import SHORT_PULL_S, BoostTrace
from audit.checks.kit.base import LimitTable, Measured, cannot
from audit.model import Array, Pull
from audit.signal.arrays import line_through, median_sorted
from audit.signal.oscillation import Oscillation, oscillation
from audit.signal.spans import interp_believed

CODE = "boost.oscillation"
CHANNEL = {"oscillation_kpa_pp": "manifold_pressure"}
LEAST_S = 0.75  # of boost after its arrival
QUIET_KPA = 5.0  # the boost reaches no further than this about its line: nothing to look for
# Common practice, no published source, but for the share of the rate (sampling theorem: under a
# half):
# samples a second under which a wastegate's swing of 2 to 4 Hz lies beyond a quarter of the rate
CLOSE_HZ = 17.0
# of the rate: up to here a large swing is still told from nothing, if not from a quicker one
CLOSE = 0.45
CLOSE_KPA = 10.0  # folded intake pulsation stays under this
DIES_AWAY = 0.12  # damping ratio over which a swing is a transient's ring


def measure_swing(pull: Pull, trace: BoostTrace, limits: LimitTable) -> Measured:
    """Peak-to-peak swing of the boost after its arrival, kPa, its frequency, Hz, and its damping
    ratio.
    """
    t, y = trace.t[trace.arrival :], trace.y[trace.arrival :]
    visible = 0.25 * trace.rate_hz
    length = float(t[-1] - t[0]) + trace.interval
    if length < LEAST_S or t.size < 6:
        return cannot(
            "too_short",
            f"only {length:.1f} s of boost after it had built up; {LEAST_S:g} s are needed",
        )
    seen = (
        f"At {trace.rate_hz:.3g} samples a second a swing can be seen from {2.5 / length:.1f} "
        f"to {visible:.1f} Hz"
    )
    values: dict[str, float | None] = {
        "oscillation_kpa_pp": 0.0,
        "oscillation_hz": None,
        "oscillation_damping": None,
    }
    said = {"oscillation_kpa_pp": seen}
    y = y - _asked(pull, t)
    found = _swing(pull, t, y)
    if trace.rate_hz < CLOSE_HZ and (found is None or not (found.found or found.aliased)):
        close = _swing(pull, t, y, highest_hz=CLOSE * trace.rate_hz)
        if close is not None and close.found and (close.amplitude_pp or 0.0) >= CLOSE_KPA:
            found = close
            said["oscillation_kpa_pp"] = (
                f"At {trace.rate_hz:.3g} samples a second this may be a quicker swing that only "
                "looks "
                "so slow; log faster"
            )
    if found is None or not found.found or found.hz is None or found.amplitude_pp is None:
        left = 0.0 if found is None or found.aliased else found.swing_pp
        if limits.row(CODE, "oscillation_kpa_pp").severity(left) is None:
            values["oscillation_kpa_pp"] = left
            return Measured(values=values, said=said, channels=CHANNEL)
        why = (
            f"boost swung {left:.0f} kPa peak to peak about its line in {length:.1f} s, in too few "
            "cycles to be "
            "told from a wander"
        )
        return Measured(values={**values, "oscillation_kpa_pp": None}, unable=(_cause(trace), why))
    pp = found.amplitude_pp
    if _only_a_ring(found):
        pp = min(pp, _late_swing(trace, t, y))
    values |= {
        "oscillation_kpa_pp": pp,
        "oscillation_hz": found.hz,
        "oscillation_damping": found.damping,
    }
    start, end = found.from_s or float(t[0]), found.to_s or float(t[-1])
    text = (
        f"boost swung {pp:.1f} kPa peak to peak at {found.hz:.2f} Hz for {found.cycles:.1f} "
        f"cycles{_manner(found)}"
    )
    return Measured(
        values=values,
        at={"oscillation_kpa_pp": (start, end)},
        said=said,
        texts={"oscillation_kpa_pp": text},
        channels=CHANNEL,
    )


def _cause(trace: BoostTrace) -> str:
    return "too_short" if trace.whole_s < SHORT_PULL_S else "missing"


def _swing(
    pull: Pull, t: Array, y: Array, *, highest_hz: float | None = None
) -> Oscillation | None:
    """The dominant swing; skipped where the boost keeps within a few kPa of a straight line."""
    off = y - line_through(t, y)
    if float(off.max() - off.min()) < QUIET_KPA:
        return None
    rpm = rpm_at(pull, t)
    known = bool(np.isfinite(rpm).mean() > 0.8)
    return oscillation(
        t, y, highest_hz=highest_hz, rpm=rpm if known else None, cylinders=pull.car.cylinders
    )


def _asked(pull: Pull, t: Array) -> Array:
    """What the target itself moved, kPa: boost that follows it does not swing by itself."""
    target = pull.believed("boost_target", lead_s=0.3, tail_s=0.3)
    if len(target.t) < 4 or float(target.value.max() - target.value.min()) < 2.0:
        return np.zeros(t.size)
    moved = interp_believed(t, target.t, target.value, 1.0)
    there = np.isfinite(moved)
    middle = median_sorted(moved[there]) if there.any() else 0.0
    asked: Array = np.where(there, moved - middle, 0.0)
    return asked


def _only_a_ring(found: Oscillation) -> bool:
    return found.damping is not None and found.damping > DIES_AWAY


def _late_swing(trace: BoostTrace, t: Array, y: Array) -> float:
    """Peak to peak in the last 40 % about its line, less noise: what is left of a ring that dies
    away.
    """
    late = t >= t[0] + 0.6 * (t[-1] - t[0])
    if int(late.sum()) < 4:
        return 0.0
    off = y[late] - line_through(t[late], y[late])
    return max(2.83 * float(np.sqrt(max(float(np.mean(off**2)) - trace.sigma**2, 0.0))), 0.0)


def _manner(found: Oscillation) -> str:
    if found.damping is None or abs(found.damping) < 0.02:
        return ", steady"
    return f", dying away (damping ratio {found.damping:.2f})" if found.damping > 0 else ", growing"
