"""Is a still channel frozen? Standing still is a fault only where something must have moved it."""

from __future__ import annotations

import numpy as np

from audit.engine import OPEN_SHARE, State
from audit.model import Array, Bools
from audit.sanity.reading import Reading
from audit.sanity.tests.still import still_runs
from audit.signal.arrays import IntArray, quantile
from audit.signal.spans import runs

SWING_PCT = 30.0  # a throttle moved this far moves air, mixture and engine speed
INSIDE_S = 0.5  # seen this far inside the run, so that a lagging sensor is no frozen one
LIVELY = 0.7  # noise over resolution from which equal samples in a row are beyond chance
IN_A_ROW = 30  # of them; at a noise of 0.7 steps the odds against are some 1e-9
AIR = 1.2  # lambda from which a gauge may stand at its lean end on a fuel cut
SLOW_BOOST_S = 4.0  # boost that must show in a charge temperature that has not moved for flat_s
SLOW_LONG = 2.0  # so many times as much of it where it has not moved for a shorter while
# a reading in coarser steps needs as many times as much to move by one: whole degrees are the
# finest that SAE J1979 carries (service 01 PID 0F)
FINE_STEP_K = 1.0
RELIEF = 1300.0  # rpm below which the oil's relief valve is shut
RELIEF_STEP = 4.0  # kPa: read more finely than this, oil pressure trembles at the valve too
# What an opening throttle moves by more than any resolution: from how long before it is open, and
# within how long after, s.
OPENS = {
    "manifold_pressure": (-0.15, 1.0),
    "mass_air_flow": (-0.15, 1.0),
    "lambda": (0.3, 1.2),
    "engine_speed": (-0.15, 1.5),
}
OFF_LOAD_S = 5.0  # of running off load that must be in the log to say that it never moved
DRIVERS = ("throttle_position", "pedal_position")
FOLLOWS_S = 0.5  # a manifold has followed its throttle after this
DRIVER_KPA = 60.0  # a throttle short of wide open cannot stand while the manifold swings this far
# Equal samples in a row by chance, over a whole log: rarer than this is no chance.
ODDS = 1e-6
COARSE_ODDS = 1e-12  # of a coarse channel that stands alike in every pull
LEAST_RUN, LEAST_RUN_S = 5, 0.5
LEAST_PAIRS = 40  # of samples to learn from how often a channel repeats itself
# moved through in every other pull: a coarse channel that stood through one whole pull is frozen
LEVELS = 3
LEAP = 2.5  # of its steps at once, which no slow quantity takes out of a stand
HOP = 1.5  # of its steps at once, by which a channel moves that is read seldom
THROUGH = 0.8  # of a stretch, through which it must have stood
LIKE = 1.4  # pulls not longer than this many times the one in question can be compared with it

Run = tuple[int, int]  # first, and one past the last, sample


def frozen_runs(r: Reading) -> list[Run]:
    """Runs in which the channel stood while the engine worked.

    Grounds: one figure all through the log; what drives it swung inside the run; a slow quantity
    that stood through a wide-open stretch and then leaps to where it has got to meanwhile; equal
    samples in a row that its own noise does not allow with the engine at work; or, in a wide-open
    stretch, that its own behaviour in other stretches (else at part throttle) does not allow. Does
    not see: a freeze within a steady pull on a sensor so coarse and quiet that it might stand by
    itself."""
    stirred = r.row.stirs and r.state.windows
    if stirred and _never_moved(r):
        return [(0, len(r.t))]
    found = _while_driven(r, r.row.flat_s) if r.row.flat_s is not None else []
    if stirred:
        found += _in_a_pull(r)
    if r.row.slow and r.state.windows:
        found += _until_a_leap(r)
    if r.name in DRIVERS:
        found += _driver(r)
    return sorted(set(found))


def _still(r: Reading, *, for_s: float, least: int = 5) -> list[Run]:
    return still_runs(r.t, r.value, for_s=for_s, within=0.0, least_count=least)


def _never_moved(r: Reading) -> bool:
    """One figure from idle to full load is no reading, nor one with a flicker on it: a sensor that
    never came to life. Nothing but zeros is a sensor that is not fitted."""
    low, high = r.ends
    if low == high:
        return low != 0.0
    if not 0.0 < high - low <= 20.0 * r.row.flicker:
        return False
    off_load = r.state.running & ~r.state.load
    if float(np.sum(np.diff(r.state.t)[off_load[1:]])) < OFF_LOAD_S:
        return False
    return quantile(r.value, 0.98) - quantile(r.value, 0.02) < r.row.flicker


def _while_driven(r: Reading, for_s: float) -> list[Run]:
    # only of a slow quantity: a quick one moves with the engine, and that passes for noise
    lively = r.row.slow and r.sigma > LIVELY * r.step > 0
    due = for_s * (0.5 if r.name == "manifold_pressure" else 1.0)

    def frozen(a: int, b: int, rows: slice) -> bool:
        if rows.stop - rows.start < 3 or not r.state.running[rows].mean() > 0.5:
            return False
        length = r.t[b - 1] - r.t[a]
        if lively and b - a >= IN_A_ROW and _at_work(r.name, r.state, rows):
            return True
        if r.name == "intake_air_temp":
            least = SLOW_BOOST_S if length >= for_s else SLOW_LONG * SLOW_BOOST_S
            return _boosted_s(r.state, rows) >= least * max(1.0, r.step / FINE_STEP_K)
        return bool(length >= due) and _must_move(r.name, r.state, rows)

    return [
        (a, b)
        for a, b in _still(r, for_s=min(0.5 * for_s, 20.0))
        if not _at_an_end(r, r.value[a]) and frozen(a, b, r.rows(a, b, inside_s=INSIDE_S))
    ]


def _in_a_pull(r: Reading) -> list[Run]:
    """Runs that reach into a wide-open stretch, where the channel's own ways do not allow it."""
    found = []
    for a, b in _still(r, for_s=LEAST_RUN_S, least=3):
        loaded = a + np.flatnonzero(r.stretch[a:b] >= 0)
        if not loaded.size or _at_an_end(r, r.value[a]) or _at_relief(r, a, b):
            continue
        enough = loaded.size >= LEAST_RUN and r.t[loaded[-1]] - r.t[loaded[0]] >= LEAST_RUN_S - 1e-9
        beyond_chance = enough and _beyond_chance(r, a, b, loaded.size)
        if beyond_chance or _through_the_opening(r, a, b) or _stood_a_whole_pull(r, a, b):
            found.append((a, b))
    return found


def _until_a_leap(r: Reading) -> list[Run]:
    """Runs of a slow quantity through most of a stretch that end in a leap.

    A channel that leaps out of as long a stand elsewhere too is one that is read that seldom."""
    height = np.abs(np.diff(r.value)) / max(r.step, 1e-9)
    leaps = np.flatnonzero(height > HOP) + 1
    if not leaps.size or height.max() <= LEAP:
        return []
    edges = np.concatenate(([0], np.flatnonzero(~r.same) + 1))
    starts = edges[edges.searchsorted(leaps) - 1]
    inside = _stood_through(r, starts, leaps)
    into = np.zeros(len(r.t) + 1, dtype=np.bool_)
    into[starts[inside > 0.0]] = True  # the leap to a stand says nothing of habits
    elsewhere = (r.t[leaps - 1] - r.t[starts])[(inside == 0.0) & ~into[leaps]]
    hits = (inside > 2.0 * elsewhere.max(initial=0.0)) & (height[leaps - 1] > LEAP)
    return list(zip(starts[hits].tolist(), leaps[hits].tolist(), strict=True))


def _stood_through(r: Reading, a: IntArray, b: IntArray) -> Array:
    """Seconds since a wide-open stretch began that the samples from each a to b stood through, else
    0."""
    began, last = r.t[a], r.t[b - 1]
    stood = np.full(len(a), np.inf)
    for start, end in r.state.windows:
        through = (began <= start + r.interval_s) & (last >= start + THROUGH * (end - start))
        stood[through] = np.minimum(stood, last - start)[through]
    return np.where(np.isfinite(stood), stood, 0.0)


def _through_the_opening(r: Reading, a: int, b: int) -> bool:
    """Equal from before the throttle was wide open until what it moves must have moved."""
    if r.name not in OPENS:
        return False
    before, after = OPENS[r.name]
    return any(
        r.t[a] <= start - before and r.t[b - 1] >= min(start + after, end - 0.1)
        for start, end in r.state.windows
    )


def _beyond_chance(r: Reading, a: int, b: int, n: int) -> bool:
    """Are n equal samples in a row rarer than ODDS, by how often the channel repeats itself
    elsewhere?

    Elsewhere: in other wide-open stretches where there are enough of them, else at part throttle
    and in what is left of this one, whichever repeats more. The chance of going on is taken over
    steps that follow an equal one, so a channel that lingers on its levels is given its due. A
    channel that is read finely does not linger: where it stands as long in other stretches too, it
    is frozen in all of them. A coarse one may linger in all of them, but not where idle, overrun
    and cruise, which are as calm, say that it never does.

    Example: 20 equal samples of a pressure that in other pulls stays for one step in ten, and of
    two in a row one in ten again: 0.1 to the 19th over the log's 5,000 samples is far under ODDS.
    """
    here, row = r.stretch[:-1], r.at[:-1]
    inside = (here >= 0) & (here == r.stretch[1:])
    driven = (r.state.running & ~r.state.shut)[row] & (here < 0)
    pair = np.ones(len(r.same), dtype=np.bool_)
    pair[max(a - 1, 0) : b] = False
    own = r.stretch[a:b][r.stretch[a:b] >= 0]
    others = inside & pair
    if own.size:  # stretches are numbered as they come
        others &= (here < own[0]) | (here > own[-1])
    many = others.sum() >= LEAST_PAIRS
    if many and _rare(r, [others], n):
        return True
    if 0 < r.step <= r.row.fine:
        starts, stops = runs(r.same)
        for i in np.flatnonzero(stops - starts + 1 >= max(LEAST_RUN, n // 2)):
            pair[max(starts[i] - 1, 0) : stops[i] + 1] = False
    elif many:
        calm = r.state.running[row] & (here < 0) & pair
        enough = n >= IN_A_ROW and calm.sum() >= LEAST_PAIRS
        return bool(enough and _chance(r.same, calm, n) * len(r.same) < COARSE_ODDS)
    return _rare(r, [inside & pair, driven & pair], n)


def _rare(r: Reading, kinds: list[Bools], n: int) -> bool:
    """Is a run of n beyond chance by each kind of step that there is enough of?"""
    told = [k for k in kinds if k.sum() >= LEAST_PAIRS // 2]
    return bool(told) and all(_chance(r.same, k, n) * len(r.same) < ODDS for k in told)


def _chance(same: Bools, kind: Bools, n: int) -> float:
    """The chance that n samples in a row are equal."""
    once = (int((same & kind).sum()) + 1.0) / (int(kind.sum()) + 2.0)
    after = kind[1:] & kind[:-1] & same[:-1]
    on = (int((same[1:] & after).sum()) + 2.0 * once) / (int(after.sum()) + 2.0)
    return float(once * on ** (n - 2))


def _stood_a_whole_pull(r: Reading, a: int, b: int) -> bool:
    """Still through a whole stretch, though every other no longer one moved it by LEVELS steps."""
    windows, here = r.state.windows, r.stretch[:-1]
    first, last, slack = r.t[a], r.t[b - 1], 0.1 + r.interval_s
    for start, end in windows:
        if not (first <= start + slack and last >= end - slack):
            continue
        others = [
            int((~r.same & (here == k) & (r.stretch[1:] == k)).sum())
            for k, (s, e) in enumerate(windows)
            if e - s <= LIKE * (end - start) and not first <= s <= e <= last
        ]
        if others and min(others) >= LEVELS:
            return True
    return False


def _driver(r: Reading) -> list[Run]:
    """A throttle that stands short of wide open while the manifold goes to boost."""
    if r.state.manifold is None:
        return []
    found = []
    for a, b in _still(r, for_s=1.0):
        rows = slice(*np.searchsorted(r.state.t, (r.t[a] + FOLLOWS_S, r.t[b - 1])))
        if r.value[a] >= OPEN_SHARE * r.ends[1] or rows.stop - rows.start < 3:
            continue
        pressure = r.state.manifold[rows]
        if np.ptp(pressure) > DRIVER_KPA and pressure.max() > r.state.baro_kpa + 20.0:
            found.append((a, b))
    return found


def _at_an_end(r: Reading, value: float) -> bool:
    """A gauge at its own end says 'at least this', which the rail test and the checks deal with."""
    low, high = r.ends
    if low == high:
        return False
    if r.name == "lambda":
        return value == high and value >= AIR
    if r.name in ("injector_duty", "injector_pulse_width"):
        return value in (low, high)  # a cut of the fuel, or no time left
    return r.name == "manifold_pressure" and value == high


def _at_relief(r: Reading, a: int, b: int) -> bool:
    """Oil pressure at its highest, coarsely read, engine turning: the relief valve is open."""
    if r.name != "oil_pressure" or r.step < RELIEF_STEP or r.value[a] < r.ends[1] - 1.5 * r.step:
        return False
    speed = r.state.engine_speed
    return speed is not None and bool(np.nanmin(speed[r.rows(a, b)]) > RELIEF)


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
    speed = (0.0, 0.0)
    if state.engine_speed is not None:
        speed = float(state.engine_speed[rows].min()), float(state.engine_speed[rows].max())
    if name == "oil_pressure":
        return 0.0 <= speed[0] < RELIEF and speed[1] > 2.2 * speed[0]
    if state.throttle is not None:
        swings = _swing(state.throttle, rows) > SWING_PCT
        return swings and _lasts(state.throttle[rows], state.t[rows])
    if name == "engine_speed":
        return _swing(state.manifold, rows) > 60.0
    return speed[1] > 1.8 * max(speed[0], 1.0)


def _lasts(throttle: Array, t: Array) -> bool:
    """Both the open and the shut part of the swing lasted, so that it was no dab."""
    middle = 0.5 * (float(throttle.max()) + float(throttle.min()))
    above = float(np.sum(np.gradient(t)[throttle > middle]))
    return min(above, float(t[-1] - t[0]) - above) >= INSIDE_S
