"""How fast something cools towards a level."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import clean


def cooling_time(
    t: ArrayLike, y: ArrayLike, towards: float, *, least_left: float = 1.0
) -> float | None:
    """Time constant of a first-order cooling, s: y - towards = (y0 - towards) exp(-t / tau).

    t: n seconds; y: n values; towards: the level it ends at. Straight line by least squares through
    log(y - towards), weighted by (y - towards)² so that samples close to the end do not count by
    their noise; samples nearer than least_left are left out. None under 4 samples, or where it does
    not cool.
    Source: Newton's law of cooling.
    """
    clock, values = clean(t, y)
    left = values - towards
    good = left > least_left
    if good.sum() < 4:
        return None
    x, logs, w = clock[good], np.log(left[good]), left[good] ** 2
    x = x - float(w @ x) / float(w.sum())
    spread = float(np.dot(w, x * x))
    slope = float(np.dot(w, x * logs)) / spread if spread > 0 else 0.0
    return -1.0 / slope if slope < -1e-9 else None
