"""The mixture sensor's own ways to lie: pinned lean under load, pinned rich, and a cold heater."""

from __future__ import annotations

import numpy as np

from audit.engine import State, since
from audit.model import FAIL, SUSPECT, Array, Bools, FlagArray
from audit.sanity.aggregate import passed
from audit.sanity.reading import Reading
from audit.sanity.tests.ranges import pinned
from audit.sanity.tests.still import still_runs
from audit.signal.spans import held

LEAN_END = 1.2  # leaner than any mixture that burns under load; gauges end from here up
RICH_END = 0.62
LAG_S = 1.0  # transport and sensor lag after a fuel cut
LEAST_S = 0.5
WARM_UP_S = 90.0  # a heater that is not through by then is broken, and the other tests see it


def pinned_mixture(r: Reading) -> FlagArray:
    """4 where lambda stands at its lean end under load or all the time, or at its rich rail; 3
    while the heater warms.

    Lean at a closed throttle is a fuel cut, and free air with the engine stopped is air: neither is
    flagged. A stretch under load counts from LAG_S after it began.
    Does not see: a sensor that reads wrong but moves."""
    t, value, state = r.t, r.value, r.state
    flags = passed(len(t), 3)
    running = state.running[r.at]
    if len(t) < 3 or not running.any():
        return flags
    top = float(value[running].max())
    within = max(1e-3, 0.6 * r.step) if r.step < 0.03 else 1e-3
    lowest = pinned(t, value, at=r.ends[0], within=1e-6, least_s=1.0)
    flags[lowest & running & (value <= RICH_END)] = FAIL
    if top >= LEAN_END:
        at_top = np.abs(value - top) <= within
        loaded = (since(state.t, ~state.load) >= LAG_S) & ~_at_limiter(state)
        flags[held(t, at_top & loaded[r.at], for_s=LEAST_S, least=3)] = FAIL
        if at_top[running].mean() > 0.9:
            flags[at_top & running] = FAIL
    _cold(t, value, state, flags)
    return flags


def _at_limiter(state: State) -> Bools:
    """Rows at the highest engine speeds, where the fuel may be cut at an open throttle."""
    if state.engine_speed is None:
        return np.zeros(len(state.t), dtype=np.bool_)
    speed = state.engine_speed
    few = max(1, len(speed) // 1000)
    top = float(np.partition(speed, -few)[-few])
    return (speed > 0.95 * top) & (since(state.t, speed < 0.93 * top) > 0.3)


def _cold(t: Array, value: Array, state: State, flags: FlagArray) -> None:
    """From engine start the first still stretch at an extreme is a sensor that is not warm yet."""
    started = float(state.t[int(np.argmax(state.running))])
    for a, b in still_runs(t, value, for_s=2.0, within=0.0, least_count=3):
        if t[a] > started + 1.0:
            return
        if t[b - 1] > started and not 0.75 < value[a] < LEAN_END and t[b - 1] < started + WARM_UP_S:
            flags[a:b][t[a:b] >= started] = np.maximum(flags[a:b][t[a:b] >= started], SUSPECT)
