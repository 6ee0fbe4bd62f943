"""Noise and resolution of a signal, that a few wild samples cannot move."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, clean, finite, mean, median_sorted

MAD_TO_SIGMA = 1.4826  # 1 / Phi^-1(0.75), for normal noise


def resolution(y: ArrayLike) -> float:
    """The quantisation step seen in the data, 0 where there is none or nothing moves.

    The smallest distance between two distinct values that most other distances are whole
    multiples of (within 5 %). Does not see a step finer than the values that occur.
    """
    levels = finite(y).round(9)
    levels.sort()
    gaps = levels[1:] - levels[:-1]
    apart = gaps > 0
    gaps, levels = gaps[apart], levels[1:][apart]
    if not gaps.size:
        return 0.0
    low = int((gaps.size - 1) * 0.05)
    step = float(np.partition(gaps, low)[low])
    if gaps.min() <= 0.4 * step:
        return 0.0
    turns = gaps / step
    whole = np.abs(turns - turns.round()) < 0.05 + 1e-6 * np.abs(levels) / step
    return step if np.count_nonzero(whole) / gaps.size > 0.9 else 0.0


def noise_sigma(t: ArrayLike, y: ArrayLike, *, step: float | None = None) -> float | None:
    """White noise of a signal of unknown shape, as a standard deviation; None under 4 samples.

    Each sample against the straight line between its two neighbours, d = y - (a y_before + b
    y_after), scaled by sqrt(1 + a² + b²); root mean square of those within 3.5 robust sigma. A slow
    signal cancels out, a spike or a knee falls away. Held values are first thinned to their
    updates. Quantisation noise is part of the answer. A true swing faster than an eighth of the
    rate is taken for noise. step: the resolution of y, where it is known already.
    Source: second-difference noise estimate (Rice, Ann. Statist. 12 (1984), from memory),
    robustified.
    """
    clock, values = clean(t, y)
    if values.size < 4:
        return None
    every = values.size
    clock, values = _without_holds(clock, values, step)
    if step is None or values.size < every:
        step = resolution(values)
    gaps = clock[1:] - clock[:-1]
    before, after = gaps[:-1], gaps[1:]
    share = after / (before + after)
    d = values[1:-1] - share * values[:-2] - (1 - share) * values[2:]
    d /= np.sqrt(1 + share**2 + (1 - share) ** 2)
    scale = max(MAD_TO_SIGMA * median_sorted(np.abs(d)), 0.4 * step)
    kept = d[np.abs(d) <= 3.5 * scale]
    return float(np.sqrt(mean(kept**2))) if kept.size else 0.0


def _without_holds(
    t: FloatArray, y: FloatArray, step: float | None
) -> tuple[FloatArray, FloatArray]:
    """Only the changes, where most rows repeat the one before and the changes are more than one
    step.
    """
    moved = np.concatenate(([True], y[1:] != y[:-1]))
    count = int(np.count_nonzero(moved))
    if count < 6 or 2 * count > y.size:
        return t, y
    jumps = np.abs(np.diff(y[moved]))
    if median_sorted(jumps) < 1.5 * (resolution(y) if step is None else step):
        return t, y
    return t[moved], y[moved]
