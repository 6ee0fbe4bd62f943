"""The dominant periodic swing of a signal: how fast, how large, how damped, and whether it is one
at all.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.alias import aliased_pulsation
from audit.signal.arrays import clean, median_sorted
from audit.signal.swing import Run, Swing, peaks, period_by_period

__all__ = ["Oscillation", "aliased_pulsation", "oscillation"]

LEAST_CYCLES = 2.5
LEAST_SAMPLES = 12
SURE = 9.0  # minus the log of the chance that white noise does as well at one frequency and stretch
MOST_PEAKS = 4
WORTH_A_LOOK = 3.5  # under this surprise over the whole window it is noise
LEAST_SHARE = (
    0.25  # of the variance left by the trend, that one sine must explain where it is there
)


class Oscillation(NamedTuple):
    """What swings. hz, amplitude_pp (peak to peak, unit of y), damping (ratio, 0 steady, below 0
    growing),
    cycles and from_s to to_s (where it is there) are None unless found.

    swing_pp: peak to peak of the best periodic component, less what noise alone would give, found
    or not.
    snr: power of the swing over that of the rest. visible_to_hz: highest frequency looked at.
    aliased: the swing is intake pulsation folded down by the sample rate (needs engine speed).
    """

    found: bool
    hz: float | None
    amplitude_pp: float | None
    damping: float | None
    cycles: float | None
    snr: float
    visible_to_hz: float
    swing_pp: float
    from_s: float | None = None
    to_s: float | None = None
    aliased: bool = False


def oscillation(
    t: ArrayLike,
    y: ArrayLike,
    *,
    highest_hz: float | None = None,
    rpm: ArrayLike | None = None,
    cylinders: int = 4,
) -> Oscillation | None:
    """Find the dominant swing; None under 12 samples.

    t: n seconds, strictly increasing, uneven is fine; y: n; highest_hz: default and most useful, a
    quarter of the rate (median interval); rpm: n, to tell folded intake pulsation. Each frequency
    is looked at after a moving average over about one period is taken off, so that rise, knee,
    creep and fade go and the swing stays; then a least-squares spectrum, and the best frequency
    period by period: it counts as found with at least 2.5 cycles in step with each other,
    significant against white noise.
    Does not see: swings above visible_to_hz, nor under 2.5 cycles (a wander, a single overshoot).
    Source: Lomb-Scargle least-squares spectrum with its false-alarm probability (Scargle 1982, from
    memory); logarithmic decrement, Rao, Mechanical Vibrations, ch. 2 (from memory).
    """
    full = np.asarray(t, dtype=np.float64)
    values = np.asarray(y, dtype=np.float64)
    clock, level = clean(full, values)
    if clock.size < LEAST_SAMPLES:
        return None
    visible = 0.25 / median_sorted(np.diff(clock))
    highest = visible if highest_hz is None else min(highest_hz, 2 * visible)
    length = float(clock[-1] - clock[0])
    nothing = Oscillation(False, None, None, None, None, 0.0, highest, 0.0)
    if highest * length < LEAST_CYCLES or float(np.ptp(level)) == 0:
        return nothing
    tried = float(np.log(max(length * highest, 2.0)))
    looks = [
        (swing, period_by_period(swing))
        for swing in peaks(clock, level, lowest_hz=1.5 / length, highest_hz=highest)[:MOST_PEAKS]
        if swing.hz * length >= LEAST_CYCLES and swing.score >= WORTH_A_LOOK
    ]
    if not looks:
        return nothing
    real = [look for look in looks if _is_real(look[1], tried)]
    swing, run = max(real or looks, key=lambda look: look[1].surprise)
    # the usual amplitude hides what one knee does; a chance peak among many frequencies is expected
    pp = 2 * max(float(np.sqrt(max(r.usual**2 - _chance(s, tried), 0.0))) for s, r in looks)
    folded = (
        bool(real) and rpm is not None and aliased_pulsation(full, values, rpm, cylinders=cylinders)
    )
    if not real or folded:
        return Oscillation(False, None, None, None, None, run.snr, highest, pp, aliased=folded)
    return Oscillation(
        True,
        swing.hz,
        2 * run.amplitude,
        run.damping,
        run.cycles,
        run.snr,
        highest,
        2 * run.amplitude,
        run.from_s,
        run.to_s,
    )


def _is_real(run: Run, tried: float) -> bool:
    return run.cycles >= LEAST_CYCLES and run.share >= LEAST_SHARE and run.surprise >= SURE + tried


def _chance(swing: Swing, tried: float) -> float:
    """Square of the amplitude that the best of so many frequencies reaches in white noise alone."""
    return (
        4 * float(np.var(swing.rest)) * (tried + 1) / swing.rest.size * (1 - min(swing.share, 0.95))
    )
