"""The periodic swing of one pull's boost after its arrival: size, frequency, damping. No check.

Looks up to a quarter of the sample rate and says so; in a slow log for a large swing up to 0.45 of
it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.checks.boost.boost_context import rpm_at
from audit.checks.boost.boost_trace import BoostTrace
from audit.model import Array, Pull
from audit.signal.arrays import line_through, median_sorted
from audit.signal.oscillation import Oscillation, oscillation
from audit.signal.spans import interp_believed

LEAST_S = 0.75  # of boost after its arrival
QUIET_KPA = 5.0  # the boost reaches no further than this about its line: nothing to look for
# Common practice, no published source, but for the share of the rate (sampling theorem: under a
# half): samples a second under which a wastegate's swing of 2 to 4 Hz lies beyond a quarter of the
# rate; and the share of it up to which a large swing is still told from nothing, if not from a
# quicker one
CLOSE_HZ = 17.0
CLOSE = 0.45
CLOSE_KPA = 10.0  # folded intake pulsation stays under this
DIES_AWAY = 0.12  # damping ratio over which a swing is a transient's ring


class Swing(NamedTuple):
    """kpa_pp: peak to peak; of: the swing that stands out, None where none does and kpa_pp is what
    is left about the line. length_s: of the boost looked at; at: when, s; said: what could be seen.
    """

    kpa_pp: float
    of: Oscillation | None
    length_s: float
    at: tuple[float, float]
    said: str


def find_swing(pull: Pull, trace: BoostTrace) -> Swing | None:
    """The swing of the boost after its arrival; None for LEAST_S or 6 samples too few."""
    t, y = trace.t[trace.arrival :], trace.y[trace.arrival :]
    length = after_arrival_s(trace)
    if length < LEAST_S or t.size < 6:
        return None
    y = y - _asked(pull, t)
    at_rate = f"At {trace.rate_hz:.3g} samples a second"
    band = f"{2.5 / length:.1f} to {0.25 * trace.rate_hz:.1f} Hz"
    said = f"{at_rate} a swing can be seen from {band}"
    found = _swing(pull, t, y)
    if trace.rate_hz < CLOSE_HZ and (found is None or not (found.found or found.aliased)):
        close = _swing(pull, t, y, highest_hz=CLOSE * trace.rate_hz)
        if close is not None and close.found and (close.amplitude_pp or 0.0) >= CLOSE_KPA:
            found = close
            said = f"{at_rate} this may be a quicker swing that only looks so slow; log faster"
    whole = float(t[0]), float(t[-1])
    if found is None or not found.found or found.hz is None or found.amplitude_pp is None:
        left = 0.0 if found is None or found.aliased else found.swing_pp
        return Swing(left, None, length, whole, said)
    pp = found.amplitude_pp
    if found.damping is not None and found.damping > DIES_AWAY:
        pp = min(pp, _late_swing(trace, t, y))
    at = (found.from_s or whole[0], found.to_s or whole[1])
    return Swing(pp, found, length, at, said)


def after_arrival_s(trace: BoostTrace) -> float:
    """How long boost was logged after it had built up, s."""
    return float(trace.t[-1] - trace.t[trace.arrival]) + trace.interval


def _swing(
    pull: Pull, t: Array, y: Array, *, highest_hz: float | None = None
) -> Oscillation | None:
    """The dominant swing; skipped where the boost keeps within a few kPa of a straight line."""
    off = y - line_through(t, y)
    if float(off.max() - off.min()) < QUIET_KPA:
        return None
    rpm = rpm_at(pull, t)
    known = rpm if bool(np.isfinite(rpm).mean() > 0.8) else None
    return oscillation(t, y, highest_hz=highest_hz, rpm=known, cylinders=pull.car.cylinders)


def _asked(pull: Pull, t: Array) -> Array:
    """What the target itself moved, kPa: boost that follows it does not swing by itself."""
    target = pull.believed("boost_target", lead_s=0.3, tail_s=0.3)
    if len(target.t) < 4 or float(target.value.max() - target.value.min()) < 2.0:
        return np.zeros(t.size)
    moved = interp_believed(t, target.t, target.value, 1.0)
    there = np.isfinite(moved)
    middle = median_sorted(moved[there]) if there.any() else 0.0
    return np.where(there, moved - middle, 0.0)


def _late_swing(trace: BoostTrace, t: Array, y: Array) -> float:
    """Peak to peak in the last 40 %, less noise: what is left of a ring that dies away."""
    late = t >= t[0] + 0.6 * (t[-1] - t[0])
    if int(late.sum()) < 4:
        return 0.0
    off = y[late] - line_through(t[late], y[late])
    return 2.83 * float(np.sqrt(max(float(np.mean(off**2)) - trace.sigma**2, 0.0)))
