"""Turning vectors of many evenly spaced frequencies, by multiplying on instead of a sine and cosine
each.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from audit.signal.arrays import FloatArray

ComplexArray = NDArray[np.complex128]


def turns(u: FloatArray, first_hz: float, step_hz: float, count: int) -> ComplexArray:
    """exp(2 pi i f u) for f = first_hz + k step_hz, k from 0: an array of count by n. u: n seconds.

    Rounding grows by one part in 1e16 a step: no matter for some hundreds.
    """
    grid = np.empty((count, u.size), dtype=np.complex128)
    grid[0] = np.exp((2j * np.pi * first_hz) * u)
    grid[1:] = np.exp((2j * np.pi * step_hz) * u)
    np.multiply.accumulate(grid, axis=0, out=grid)
    return grid
