"""Boost outside the pulls: a roll at part throttle, a stab too short for a pull.

What melts an engine does so there as well, so the checks that say `between` in their table look at
it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.model import Car, LimitTable, Log, Pull, Sanity, Span
from audit.pulls.rows import believed
from audit.signal.spans import runs

BEFORE_S, AFTER_S = 0.5, 1.0  # round a pull: how it began and ended is its own


def boosted_between(
    log: Log, sanity: Sanity, car: Car, limits: LimitTable, pulls: Sequence[Pull]
) -> tuple[Pull, ...]:
    """Stretches under boost that are no part of a pull, in the shape of pulls with index 0.

    Boost counts from settings.between_boost_kpa for settings.between_least_s on. Their gear and how
    they ended are not known."""
    pressure, rpm = (believed(log, sanity, name) for name in ("manifold_pressure", "engine_speed"))
    if len(pressure.t) < 4 or len(rpm.t) < 4:
        return ()
    high = pressure.value - log.barometric.kpa >= limits.setting("between_boost_kpa")
    for pull in pulls:
        high &= (pressure.t < pull.start_s - BEFORE_S) | (pressure.t > pull.end_s + AFTER_S)
    found = []
    for first, stop in zip(*runs(high), strict=True):
        start, end = float(pressure.t[first]), float(pressure.t[stop - 1])
        if end - start >= limits.setting("between_least_s"):
            rows = np.searchsorted(log.time, (start - 1e-9, end + 1e-9))
            low, top = (float(v) for v in rpm.at(np.array([start, end])))
            span = Span(int(rows[0]), int(rows[1]), start, end, None, low, top, "")
            found.append(Pull(index=0, span=span, log=log, sanity=sanity, car=car))
    return tuple(found)
