"""Intake pulsation, folded down by the sample rate until it looks like a slow swing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, line_through, median_sorted
from audit.signal.smoothing import smooth
from audit.signal.swing import trend
from audit.signal.turns import ComplexArray, turns

LEAST_SWEEP_TURNS = (
    1.5  # how far firing must run from a steady frequency, in turns, to be told from one
)
OFFSET_HZ, OFFSETS = (
    0.125,
    41,
)  # offsets of -2.5 to 2.5 Hz: what an engine speed off by some 75 rpm shifts it
SPAN_S = 1.2


def aliased_pulsation(t: ArrayLike, y: ArrayLike, rpm: ArrayLike, cylinders: int = 4) -> bool:
    """Is the swing locked to the engine's firing, rather than to a frequency of its own?

    t: n seconds; y, rpm: n. Firing of a four-stroke engine comes at rpm cylinders / 120 Hz; its
    phase is summed up from the engine speed and read at the sample times, which folds it as the
    logger did. In spans of about 1.2 s the share of the swing explained by that phase (an offset of
    up to 2.5 Hz allows for an inexact engine speed) is held against white noise and against the
    best steady frequency. False where the engine speed moves too little to tell the two apart.
    """
    clock, level, speed = (np.asarray(a, dtype=np.float64) for a in (t, y, rpm))
    if not clock.shape == level.shape == speed.shape:
        raise ValueError(
            f"clock, values and engine speed must have one length, got {clock.size}, {level.size}, "
            f"{speed.size}"
        )
    good = np.isfinite(clock) & np.isfinite(level) & np.isfinite(speed)
    clock, level, speed = clock[good], level[good], speed[good]
    if clock.size < 16:
        return False
    interval = median_sorted(np.diff(clock))
    rest = level - trend(clock, level, max(4 * interval, 0.3))
    firing = smooth(clock, speed, max(0.3, 5 * interval)) * cylinders / 120
    turns = np.concatenate(([0.0], np.cumsum(0.5 * (firing[1:] + firing[:-1]) * np.diff(clock))))
    locked, steady, spans, n = 0.0, 0.0, 0, 0
    width = max(SPAN_S, 12 * interval)
    for begin in np.arange(clock[0], clock[-1] - 0.6 * width, width):
        rows = (clock >= begin) & (clock < begin + width)
        if rows.sum() < 8:
            continue
        u, r, phase = clock[rows] - begin, rest[rows], turns[rows]
        bend = float(np.ptp(phase - line_through(u, phase)))
        if bend * 4 < LEAST_SWEEP_TURNS:
            continue
        a, b = _explained(u, r, phase, interval)
        locked, steady, spans, n = locked + a, steady + b, spans + 1, n + int(rows.sum())
    # each span may pick the best of 41 offsets (some 8 independent): 2 to 3 a span by chance
    return spans > 0 and locked > 4.6 + 3.3 * spans and locked > 1.2 * steady


def _explained(
    u: FloatArray, r: FloatArray, phase: FloatArray, interval: float
) -> tuple[float, float]:
    """Surprise of the firing phase and of the best steady frequency, in one span."""
    locked = turns(u, -0.5 * (OFFSETS - 1) * OFFSET_HZ, OFFSET_HZ, OFFSETS) * np.exp(
        2j * np.pi * phase
    )
    count = np.arange(0.5, 0.5 / interval, 0.25).size
    return _best_surprise(locked, r), _best_surprise(
        turns(u, 0.5, 0.25, count), r
    ) if count else 0.0


def _best_surprise(turning: ComplexArray, r: FloatArray) -> float:
    """turning: a row for each frequency, a column for each value of r."""
    c, s = np.ascontiguousarray(turning.real), np.ascontiguousarray(turning.imag)
    cc, cs = np.einsum("ij,ij->i", c, c), np.einsum("ij,ij->i", c, s)
    ss = r.size - cc
    yc, ys = c @ r, s @ r
    det = np.maximum(cc * ss - cs * cs, 0.02 * r.size**2)
    share = (yc * yc * ss - 2 * yc * ys * cs + ys * ys * cc) / det / max(float(r @ r), 1e-300)
    return float(-0.5 * max(r.size - 3, 1) * np.log1p(-min(max(float(share.max()), 0.0), 0.999)))
