"""Is a still channel frozen? Standing still is a fault only where something must have moved it."""

from __future__ import annotations

import numpy as np

from audit.model import Array
from audit.sanity.state import State
from audit.sanity.tests.still import still_runs

SWING_PCT = 30.0  # a throttle moved this far moves air, mixture and engine speed
INSIDE_S = 0.5  # seen this far inside the run, so that a lagging sensor is no frozen one
LIVELY = 0.7  # noise over resolution from which equal samples in a row are beyond chance
IN_A_ROW = 30  # of them; at a noise of 0.7 steps the odds against are some 1e-9
AIR = 1.2  # lambda from which a gauge may stand at its lean end on a fuel cut
SLOW_BOOST_S = 4.0  # boost that must show in a charge temperature that has not moved for flat_s
RELIEF = 1300.0  # rpm below which the oil's relief valve is shut


def frozen_runs(
    name: str,
    t: Array,
    value: Array,
    state: State,
    *,
    for_s: float,
    sigma: float,
    step: float,
    slow: bool = False,
) -> list[tuple[int, int]]:
    """Runs (first, one past last sample) in which the channel stood while the engine worked.

    t: s; value, sigma (white noise), step (resolution): the channel's unit; slow: a quantity that moves slowly. Two grounds: what drives it swung
    inside the run; or equal samples in a row that its own noise does not allow, with the engine at work.
    Does not see: a freeze during a steady state on a coarse, quiet sensor.
    """
    least_s = min(0.5 * for_s, 20.0)
    # only of a slow quantity: a quick one moves with the engine, and that passes for noise
    lively = slow and sigma > LIVELY * step > 0
    found = []
    ends = (float(value.min()), float(value.max()))
    for a, b in still_runs(t, value, for_s=least_s, within=0.0, least_count=5):
        rows = slice(*np.searchsorted(state.t, (t[a] + INSIDE_S, t[b - 1] - INSIDE_S)))
        if rows.stop - rows.start < 3 or not state.running[rows].mean() > 0.5:
            continue
        if _at_an_end(name, value[a], ends):
            continue
        length = t[b - 1] - t[a]
        noisy = lively and b - a >= IN_A_ROW and _at_work(name, state, rows)
        if noisy or (
            length >= for_s * (0.5 if name == "manifold_pressure" else 1.0)
            and _must_move(name, state, rows)
        ):
            found.append((a, b))
    return found


def _at_an_end(name: str, value: float, ends: tuple[float, float]) -> bool:
    """A gauge that stands at its own end says 'at least this', which the rail test and the checks deal with."""
    if ends[0] == ends[1]:
        return False
    if name == "lambda":
        return value in ends and not 0.9 < value < AIR
    return name == "manifold_pressure" and value == ends[1]


def _swing(values: Array | None, rows: slice) -> float:
    return 0.0 if values is None else float(np.ptp(values[rows]))


def _at_work(name: str, state: State, rows: slice) -> bool:
    """Something else moved."""
    speed = 0.0 if name == "engine_speed" else _swing(state.engine_speed, rows)
    pressure = 0.0 if name == "manifold_pressure" else _swing(state.manifold, rows)
    return _swing(state.throttle, rows) > 10.0 or speed > 300.0 or pressure > 15.0


def _must_move(name: str, state: State, rows: slice) -> bool:
    """What drives the channel moved so far that it must have followed."""
    if name == "intake_air_temp":
        if state.manifold is None:
            return False
        dt = np.gradient(state.t[rows])
        return float(np.sum(dt[state.manifold[rows] > state.baro_kpa + 25.0])) >= SLOW_BOOST_S
    if name == "oil_pressure":
        speed = None if state.engine_speed is None else state.engine_speed[rows]
        return (
            speed is not None
            and float(speed.min()) < RELIEF
            and float(speed.max()) > 2.2 * float(speed.min())
        )
    if state.throttle is not None:
        return _swing(state.throttle, rows) > SWING_PCT and _lasts(
            state.throttle[rows], state.t[rows]
        )
    if state.engine_speed is None or name == "engine_speed":
        return name == "engine_speed" and _swing(state.manifold, rows) > 60.0
    speed = state.engine_speed[rows]
    return float(speed.max()) > 1.8 * max(float(speed.min()), 1.0)


def _lasts(throttle: Array, t: Array) -> bool:
    """Both the open and the shut part of the swing lasted, so that it was no dab."""
    middle = 0.5 * (float(throttle.max()) + float(throttle.min()))
    dt = np.gradient(t)
    above = float(np.sum(dt[throttle > middle]))
    return min(above, float(t[-1] - t[0]) - above) >= INSIDE_S
