"""How far boost falls from its settled peak to the end of a pull. No check: see boost_delivery."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.checks.boost.boost_context import change_between, rpm_at
from audit.checks.boost.boost_trace import BoostTrace
from audit.checks.kit.base import Measured
from audit.model import Pull
from audit.signal.arrays import block_means
from audit.signal.monotone import isotonic

POINTS = 24
LEAST_FADE_S = 0.8  # of settled boost, to speak of fading
LEAST_PEAK_KPA = 35.0  # gauge; the percentage is of no less than this
DUTY_HELD_PCT = 3.0
SMOOTH = 0.5  # share of the fall that a fifth of the engine speeds may hold; common practice


class Fade(NamedTuple):
    """From a settled peak to the end, kPa gauge, in %; when; what is said beside it."""

    percent: float
    peak: float
    end: float
    at: tuple[float, float]
    said: str = ""

    def put(self, sheet: Measured) -> None:
        """Write it down."""
        text = (
            f"boost faded from {self.peak:.1f} kPa to {self.end:.1f} kPa gauge between its settled "
            f"peak and the end of the pull, {self.percent:.0f} %"
        )
        sheet.put("boost_fade_pct", self.percent, text, at=self.at, said=self.said)


def find_fade(pull: Pull, trace: BoostTrace) -> Fade | None:
    """The fall that follows the settled peak, or the sag that no settled level came before.

    What the target itself came down is none, nor is a fall with a duty that came down, nor what
    does not follow the fall: an oscillation that ends in a trough."""
    if not trace.settled:
        return _sagged(trace)
    t, y = trace.settled_series()
    if t.size < 6 or t[-1] - t[0] < LEAST_FADE_S or trace.level < 10.0:
        return None
    a, b, count = block_means(t, y, POINTS)
    fall = isotonic(b, count, increasing=False)
    noise = trace.sigma**2 / float(count.mean())
    swing = float(np.sqrt(max(float(count @ (b - fall) ** 2) / float(count.sum()) - noise, 0.0)))
    peak, end, at = float(fall[0]), float(fall[-1]), (float(a[0]), float(a[-1]))
    drop = peak - end - 3.0 * swing - 2.0 * float(np.sqrt(noise))
    target, duty = (
        change_between(pull.believed(name), *at) for name in ("boost_target", "wastegate_duty")
    )
    said = ""
    if target is not None and target < -1.0:
        drop += target
        said = f"{-target:.1f} kPa that the target itself came down are not counted"
    if duty is not None and duty < -DUTY_HELD_PCT:
        drop = 0.0
    return Fade(100.0 * max(drop, 0.0) / max(peak, LEAST_PEAK_KPA), peak, end, at, said)


def _sagged(trace: BoostTrace) -> Fade | None:
    fall = trace.fall
    if fall is None or fall.sudden:
        return None
    percent = 100 * (fall.level - fall.low) / max(fall.level, LEAST_PEAK_KPA)
    return Fade(percent, fall.level, fall.low, (fall.start_s, fall.end_s))


def is_smooth(pull: Pull, trace: BoostTrace) -> bool:
    """Is the fall spread over the engine speeds from its top on, rather than a step?"""
    rows = slice(int((trace.calm >= 0.95 * float(trace.calm.max())).argmax()), None)
    calm, rpm = trace.calm[rows], rpm_at(pull, trace.t[rows])
    good = np.isfinite(rpm)
    if good.sum() < 10:
        return False
    edges = np.linspace(rpm[good][0], rpm[good][-1], 6)
    level = np.interp(edges, rpm[good], calm[good])
    falls = level[:-1] - level[1:]
    return bool(falls.max() <= SMOOTH * max(float(level.max() - level[-1]), 1e-9))
