"""The best fit that never falls."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray


def isotonic(
    y: ArrayLike, weights: ArrayLike | None = None, *, increasing: bool = True
) -> FloatArray:
    """Least-squares fit to y that never falls (or never rises), same length.

    y: n values in the order of the regressor, no blanks; weights: n, above 0. Raises ValueError
    for blanks or for weights that do not match. Pools adjacent violators; the loop is over blocks.
    Source: Barlow et al., Statistical Inference under Order Restrictions (1972), from memory.
    """
    values = np.asarray(y, dtype=np.float64)
    w = np.ones_like(values) if weights is None else np.asarray(weights, dtype=np.float64)
    if (
        values.ndim != 1
        or w.shape != values.shape
        or not np.isfinite(values).all()
        or not (w > 0).all()
    ):
        raise ValueError("isotonic needs finite values and one weight above 0 for each")
    sign = 1.0 if increasing else -1.0
    levels: list[float] = []
    masses: list[float] = []
    counts: list[int] = []
    for new, weight in zip((sign * values).tolist(), w.tolist(), strict=True):
        value, mass, count = new, weight, 1
        while levels and levels[-1] > value:
            before = masses.pop()
            value = (levels.pop() * before + value * mass) / (before + mass)
            mass += before
            count += counts.pop()
        levels.append(value)
        masses.append(mass)
        counts.append(count)
    return sign * np.repeat(np.asarray(levels, dtype=np.float64), np.asarray(counts, dtype=np.intp))
