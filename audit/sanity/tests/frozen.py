"""Is a still channel frozen? Standing still is a fault only where something must have moved it."""

from __future__ import annotations

import numpy as np

from audit.model import Array, Bools
from audit.sanity.state import State
from audit.sanity.tests.still import still_runs

SWING_PCT = 30.0  # a throttle moved this far moves air, mixture and engine speed
INSIDE_S = 0.5  # seen this far inside the run, so that a lagging sensor is no frozen one
LIVELY = 0.7  # noise over resolution from which equal samples in a row are beyond chance
IN_A_ROW = 30  # of them; at a noise of 0.7 steps the odds against are some 1e-9
AIR = 1.2  # lambda from which a gauge may stand at its lean end on a fuel cut
RICH_END = 0.72  # and at its rich end below this; common practice, no published source
SLOW_BOOST_S = 4.0  # boost that must show in a charge temperature that has not moved for flat_s
SLOW_LONG = 2.0  # so many times as much of it where it has not moved for a shorter while
RELIEF = 1300.0  # rpm below which the oil's relief valve is shut
# What an opening throttle moves by more than any resolution, and the s in which it has done so.
OPENS = {"manifold_pressure": 1.0, "mass_air_flow": 1.0, "lambda": 1.2}
BEFORE_S = {"manifold_pressure": -0.15, "mass_air_flow": -0.15, "lambda": 0.3}
DRIVER_KPA = 60.0  # a throttle between its stops cannot stand while the manifold swings this far
# Equal samples in a row by chance, over a whole log: rarer than this is no chance.
ODDS = 1e-6
LEAST_RUN, LEAST_RUN_S = 5, 0.5
LEAST_PAIRS = 40  # of samples to learn from how often a channel repeats itself
LEVELS = 4  # moved through in every other pull: a coarse channel that stood through one whole pull is frozen
LIKE = 1.4  # pulls not longer than this many times the one in question can be compared with it


def frozen_runs(
    name: str,
    t: Array,
    value: Array,
    state: State,
    *,
    for_s: float | None,
    sigma: float,
    step: float,
    slow: bool = False,
    stirs: bool = False,
) -> list[tuple[int, int]]:
    """Runs (first, one past last sample) in which the channel stood while the engine worked.

    t: s; value, sigma (white noise), step (resolution): the channel's unit; for_s: how long it may stand at all;
    slow: a quantity that moves slowly; stirs: one that a wide-open pull always moves. Four grounds: what drives it
    swung inside the run; equal samples in a row that its own noise does not allow with the engine at work;
    or, in a wide-open stretch, that its own behaviour in other stretches (else at part throttle) does not allow.
    Does not see: a freeze within a steady pull on a sensor so coarse and quiet that it might stand by itself.
    """
    ends = (float(value.min()), float(value.max()))
    found = _while_driven(name, t, value, state, ends, for_s, sigma, step, slow) if for_s else []
    if stirs and state.windows:
        found += _in_a_pull(name, t, value, state, ends)
    if name in ("throttle_position", "pedal_position"):
        found += _driver(t, value, state)
    return sorted(set(found))


def _while_driven(
    name: str,
    t: Array,
    value: Array,
    state: State,
    ends: tuple[float, float],
    for_s: float,
    sigma: float,
    step: float,
    slow: bool,
) -> list[tuple[int, int]]:
    least_s = min(0.5 * for_s, 20.0)
    # only of a slow quantity: a quick one moves with the engine, and that passes for noise
    lively = slow and sigma > LIVELY * step > 0
    found = []
    for a, b in still_runs(t, value, for_s=least_s, within=0.0, least_count=5):
        rows = slice(*np.searchsorted(state.t, (t[a] + INSIDE_S, t[b - 1] - INSIDE_S)))
        if rows.stop - rows.start < 3 or not state.running[rows].mean() > 0.5:
            continue
        if _at_an_end(name, value[a], ends):
            continue
        if lively and b - a >= IN_A_ROW and _at_work(name, state, rows):
            found.append((a, b))
        elif name == "intake_air_temp":
            due = SLOW_BOOST_S if t[b - 1] - t[a] >= for_s else SLOW_LONG * SLOW_BOOST_S
            if _boosted_s(state, rows) >= due:
                found.append((a, b))
        elif t[b - 1] - t[a] >= for_s * (
            0.5 if name == "manifold_pressure" else 1.0
        ) and _must_move(name, state, rows):
            found.append((a, b))
    return found


def _in_a_pull(
    name: str, t: Array, value: Array, state: State, ends: tuple[float, float]
) -> list[tuple[int, int]]:
    """Runs that reach into a wide-open stretch and that the channel's own behaviour does not allow there."""
    same = np.diff(value) == 0.0
    there = state.inside(t, lead_s=0.0)
    stretch = np.full(len(t), -1)
    for i, (start, end) in enumerate(state.windows):
        stretch[slice(*np.searchsorted(t, (start - 1e-9, end + 1e-9)))] = i
    found = []
    for a, b in still_runs(t, value, for_s=LEAST_RUN_S, within=0.0, least_count=3):
        loaded = a + np.flatnonzero(there[a:b])
        if not loaded.size or _at_an_end(name, value[a], ends):
            continue
        enough = loaded.size >= LEAST_RUN and t[loaded[-1]] - t[loaded[0]] >= LEAST_RUN_S - 1e-9
        if (
            _through_the_opening(name, t, a, b, state)
            or (enough and _beyond_chance(name, same, stretch, state, t, a, b, loaded.size))
            or _stood_a_whole_pull(t, same, stretch, state, a, b)
        ):
            found.append((a, b))
    return found


def _through_the_opening(name: str, t: Array, a: int, b: int, state: State) -> bool:
    """Equal from before the throttle was wide open until what it moves must have moved."""
    if name not in OPENS:
        return False
    return any(
        t[a] <= start - BEFORE_S[name] and t[b - 1] >= min(start + OPENS[name], end - 0.1)
        for start, end in state.windows
    )


def _beyond_chance(
    name: str, same: Bools, stretch: Array, state: State, t: Array, a: int, b: int, n: int
) -> bool:
    """Are n equal samples in a row rarer than ODDS, by how often the channel repeats itself elsewhere?

    Elsewhere: in other wide-open stretches where there are enough of them, else at part throttle and in what is
    left of this one, whichever repeats more. The chance of going on is taken over steps that follow an equal
    one, so a channel that lingers on its levels is given its due.
    """
    pair = np.ones(len(same), dtype=np.bool_)
    pair[max(a - 1, 0) : b] = False
    inside = (stretch[:-1] >= 0) & (stretch[1:] >= 0) & pair
    others = inside & ~np.isin(stretch[:-1], stretch[a:b][stretch[a:b] >= 0])
    if others.sum() >= LEAST_PAIRS:
        kinds = [others]
    else:
        row = np.minimum(np.searchsorted(state.t, t[:-1]), len(state.t) - 1)
        driven = (state.running & ~state.shut)[row] & (stretch[:-1] < 0) & pair
        kinds = [k for k in (inside, driven) if k.sum() >= LEAST_PAIRS // 2]
    if not kinds:
        return False
    return all(_chance(same, kind, n) * len(same) < ODDS for kind in kinds)


def _chance(same: Bools, kind: Bools, n: int) -> float:
    """The chance that n samples in a row are equal."""
    once = (int((same & kind).sum()) + 1.0) / (int(kind.sum()) + 2.0)
    after = kind[1:] & kind[:-1] & same[:-1]
    on = (int((same[1:] & after).sum()) + 2.0 * once) / (int(after.sum()) + 2.0)
    return float(once * on ** (n - 2))


def _stood_a_whole_pull(
    t: Array, same: Bools, stretch: Array, state: State, a: int, b: int
) -> bool:
    """Still through one whole stretch and a moment after, though every like one moved it by LEVELS steps."""
    moves = {
        i: int((~same & (stretch[:-1] == i) & (stretch[1:] == i)).sum())
        for i in range(len(state.windows))
    }
    for i, (start, end) in enumerate(state.windows):
        if not (t[a] <= start + 0.1 and t[b - 1] >= end - 0.1):
            continue
        others = [
            moves[k]
            for k, (s, e) in enumerate(state.windows)
            if k != i and e - s <= LIKE * (end - start) and not t[a] <= s <= e <= t[b - 1]
        ]
        if others and min(others) >= LEVELS:
            return True
    return False


def _driver(t: Array, value: Array, state: State) -> list[tuple[int, int]]:
    """A throttle or pedal that stands between its stops while the manifold goes from vacuum to boost."""
    if state.manifold is None:
        return []
    low, high = float(value.min()), float(value.max())
    found = []
    for a, b in still_runs(t, value, for_s=1.0, within=0.0, least_count=5):
        if not low + 3.0 < value[a] < max(0.85 * high, low + 3.0):
            continue
        rows = slice(*np.searchsorted(state.t, (t[a], t[b - 1])))
        if rows.stop - rows.start < 3 or not state.running[rows].mean() > 0.5:
            continue
        pressure = state.manifold[rows]
        if np.ptp(pressure) > DRIVER_KPA and pressure.max() > state.baro_kpa + 20.0:
            found.append((a, b))
    return found


def _at_an_end(name: str, value: float, ends: tuple[float, float]) -> bool:
    """A gauge that stands at its own end says 'at least this', which the rail test and the checks deal with."""
    if ends[0] == ends[1]:
        return False
    if name == "lambda":
        return (value == ends[1] and value >= AIR) or (value == ends[0] and value <= RICH_END)
    return name in ("manifold_pressure", "injector_duty") and value == ends[1]


def _swing(values: Array | None, rows: slice) -> float:
    return 0.0 if values is None else float(np.ptp(values[rows]))


def _at_work(name: str, state: State, rows: slice) -> bool:
    """Something else moved."""
    speed = 0.0 if name == "engine_speed" else _swing(state.engine_speed, rows)
    pressure = 0.0 if name == "manifold_pressure" else _swing(state.manifold, rows)
    return _swing(state.throttle, rows) > 10.0 or speed > 300.0 or pressure > 15.0


def _boosted_s(state: State, rows: slice) -> float:
    if state.manifold is None:
        return 0.0
    dt = np.gradient(state.t[rows])
    return float(np.sum(dt[state.manifold[rows] > state.baro_kpa + 25.0]))


def _must_move(name: str, state: State, rows: slice) -> bool:
    """What drives the channel moved so far that it must have followed."""
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
