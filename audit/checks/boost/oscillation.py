"""oscillation: a periodic swing of boost after it has arrived: size, frequency, damping.

Looks up to a quarter of the sample rate and says so; in a slow log for a large swing up to 0.45 of
it. Not a swing: noise, one overshoot, a wander, a step at a limiter or of the target, intake
pulsation folded down by the sample rate.
"""

from __future__ import annotations

from audit.checks.boost.context import context_of
from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Pull

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Peak-to-peak swing of the boost after its arrival, kPa, its frequency, Hz, and its damping
    ratio.
    """
    swing = context_of(pull, limits).swing
    if swing is None:
        return cannot("too_short", "fewer than 6 believed samples of manifold pressure in the pull")
    return swing


judge = by_rows(CODES)
