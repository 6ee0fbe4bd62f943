"""The mixture sensor's own ways to lie: free air, pinned under load, pinned rich, and a cold
heater.
"""

from __future__ import annotations

import numpy as np

from audit.engine import State, since
from audit.model import FAIL, GOOD, NOT_EVALUATED, SUSPECT, Array, FlagArray
from audit.sanity.tests.ranges import pinned
from audit.sanity.tests.still import still_runs

LEAN_END = 1.2  # leaner than any mixture that burns under load; gauges end from here up
RICH_END = 0.62
LAG_S = 1.0  # transport and sensor lag after a fuel cut
LEAST_S = 0.5
WARM_UP_S = 90.0  # a heater that is not through by then is broken, and the other tests see it


def pinned_mixture(t: Array, value: Array, state: State, *, step: float) -> FlagArray:
    """4 where lambda stands at its lean end under load or all the time, or at its rich rail; 3
    while the heater warms.

    t: s, n; value: lambda, n; step: its resolution. Lean at a closed throttle is a fuel cut, and
    free air with the engine stopped is air: neither is flagged. A stretch under load counts from
    LAG_S after it began.
    Does not see: a sensor that reads wrong but moves.
    """
    n = len(value)
    flags = np.full(n, GOOD if n >= 3 else NOT_EVALUATED, dtype=np.uint8)
    if n < 3:
        return flags
    row = np.minimum(np.searchsorted(state.t, t), len(state.t) - 1)
    running = state.running[row]
    if not running.any():
        return flags
    top = float(value[running].max())
    within = max(1e-3, 0.6 * step) if step < 0.03 else 1e-3
    flags[
        pinned(t, value, at=float(value.min()), within=1e-6, least_s=1.0)
        & running
        & (value <= RICH_END)
    ] = FAIL
    if top >= LEAN_END:
        at_top = np.abs(value - top) <= within
        loaded = (since(state.t, ~state.load) >= LAG_S)[row] & ~_at_limiter(state)[row]
        flags[_long(t, at_top & loaded)] = FAIL
        if at_top[running].mean() > 0.9:
            flags[at_top & running] = FAIL
    _cold(t, value, state, flags)
    return flags


def _long(
    t: Array, mask: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    return pinned(t, mask.astype(np.float64), at=1.0, within=0.5, least_s=LEAST_S)


def _at_limiter(state: State) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Rows at the highest engine speeds, where the fuel may be cut at an open throttle."""
    if state.engine_speed is None:
        return np.zeros(len(state.t), dtype=np.bool_)
    speed = state.engine_speed
    top = float(np.partition(speed, -max(1, len(speed) // 1000))[-max(1, len(speed) // 1000)])
    return (speed > 0.95 * top) & (since(state.t, speed < 0.93 * top) > 0.3)


def _cold(t: Array, value: Array, state: State, flags: FlagArray) -> None:
    """From engine start the first still stretch at an extreme is a sensor that is not warm yet."""
    started = float(state.t[int(np.argmax(state.running))])
    for a, b in still_runs(t, value, for_s=2.0, within=0.0, least_count=3):
        if t[a] > started + 1.0:
            return
        if t[b - 1] > started and not 0.75 < value[a] < LEAN_END and t[b - 1] < started + WARM_UP_S:
            flags[a:b][t[a:b] >= started] = np.maximum(flags[a:b][t[a:b] >= started], SUSPECT)
