"""Is a still channel frozen? Standing still is a fault only where something must have moved it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from audit.engine import OPEN_SHARE, State
from audit.model import Array, Bools
from audit.sanity.tests.still import still_runs
from audit.signal.arrays import median
from audit.signal.spans import runs

SWING_PCT = 30.0  # a throttle moved this far moves air, mixture and engine speed
INSIDE_S = 0.5  # seen this far inside the run, so that a lagging sensor is no frozen one
LIVELY = 0.7  # noise over resolution from which equal samples in a row are beyond chance
IN_A_ROW = 30  # of them; at a noise of 0.7 steps the odds against are some 1e-9
AIR = 1.2  # lambda from which a gauge may stand at its lean end on a fuel cut
SLOW_BOOST_S = 4.0  # boost that must show in a charge temperature that has not moved for flat_s
SLOW_LONG = 2.0  # so many times as much of it where it has not moved for a shorter while
RELIEF = 1300.0  # rpm below which the oil's relief valve is shut
RELIEF_STEP = 4.0  # kPa: read more finely than this, oil pressure trembles at the valve too
# What an opening throttle moves by more than any resolution, and the s in which it has done so.
OPENS = {"manifold_pressure": 1.0, "mass_air_flow": 1.0, "lambda": 1.2, "engine_speed": 1.5}
# What idle, cruise and full load together move by more than; a living sensor moves by ten times as
# much.
FLICKER = {"lambda": 0.008, "manifold_pressure": 8.0, "exhaust_gas_temp": 10.0}
OFF_LOAD_S = 5.0  # of running off load that must be in the log to say so
BEFORE_S = {
    "manifold_pressure": -0.15,
    "mass_air_flow": -0.15,
    "lambda": 0.3,
    "engine_speed": -0.15,
}
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


@dataclass(frozen=True, eq=False)
class Reading:
    """A channel's own samples: t in s, value, white noise and resolution in its unit, and what the
    engine did.

    for_s: how long it may stand at all, None for ever; slow: the quantity moves slowly; stirs: a
    pull always moves it; fine: a resolution at which it never stands in one.
    """

    name: str
    t: Array
    value: Array
    state: State
    sigma: float
    step: float
    for_s: float | None = None
    slow: bool = False
    stirs: bool = False
    fine: float = 0.0

    @cached_property
    def ends(self) -> tuple[float, float]:
        """The lowest and the highest reading."""
        return float(self.value.min()), float(self.value.max())

    @cached_property
    def interval_s(self) -> float:
        """Its own usual interval."""
        return median(np.diff(self.t))

    @cached_property
    def same(self) -> Bools:
        """For each step to the next sample: does the value stay?"""
        return np.asarray(np.diff(self.value) == 0.0)

    @cached_property
    def stretch(self) -> Array:
        """For each sample the number of the wide-open stretch that it lies in, -1 for none."""
        out = np.full(len(self.t), -1)
        for i, (start, end) in enumerate(self.state.windows):
            out[slice(*np.searchsorted(self.t, (start - 1e-9, end + 1e-9)))] = i
        return out

    def rows(self, a: int, b: int, *, inside_s: float = 0.0) -> slice:
        """The rows of the log that samples a to b (one past the last) span, inside_s off at both
        ends.
        """
        ends = (self.t[a] + inside_s, self.t[b - 1] - inside_s)
        return slice(*np.searchsorted(self.state.t, ends))


def frozen_runs(r: Reading) -> list[tuple[int, int]]:
    """Runs (first, one past last sample) in which the channel stood while the engine worked.

    Grounds: one figure all through the log; what drives it swung inside the run; a slow quantity
    that stood through a wide-open stretch and then leaps to where it has got to meanwhile; equal
    samples in a row that its own noise does not allow with the engine at work; or, in a wide-open
    stretch, that its own behaviour in other stretches (else at part throttle) does not allow. Does
    not see: a freeze within a steady pull on a sensor so coarse and quiet that it might stand by
    itself.
    """
    if r.stirs and r.state.windows and _never_moved(r):
        return [(0, len(r.t))]
    found = _while_driven(r, r.for_s) if r.for_s is not None else []
    if r.stirs and r.state.windows:
        found += _in_a_pull(r)
    if r.slow and r.state.windows:
        found += _until_a_leap(r)
    if r.name in DRIVERS:
        found += _driver(r)
    return sorted(set(found))


def _never_moved(r: Reading) -> bool:
    """One figure from idle to full load is no reading, nor one with a flicker on it: a sensor that
    never came to life. Nothing but zeros is a sensor that is not fitted.
    """
    low, high = r.ends
    if low == high:
        return low != 0.0
    least = FLICKER.get(r.name, 0.0)
    if least == 0.0 or high - low > 20.0 * least:
        return False
    off_load = r.state.running & ~r.state.load
    if float(np.sum(np.diff(r.state.t)[off_load[1:]])) < OFF_LOAD_S:
        return False
    return float(np.ptp(np.percentile(r.value, (2, 98)))) < least


def _while_driven(r: Reading, for_s: float) -> list[tuple[int, int]]:
    # only of a slow quantity: a quick one moves with the engine, and that passes for noise
    lively = r.slow and r.sigma > LIVELY * r.step > 0
    found = []
    for a, b in still_runs(r.t, r.value, for_s=min(0.5 * for_s, 20.0), within=0.0, least_count=5):
        rows = r.rows(a, b, inside_s=INSIDE_S)
        if rows.stop - rows.start < 3 or not r.state.running[rows].mean() > 0.5:
            continue
        if _at_an_end(r, r.value[a]):
            continue
        length = r.t[b - 1] - r.t[a]
        if lively and b - a >= IN_A_ROW and _at_work(r.name, r.state, rows):
            found.append((a, b))
        elif r.name == "intake_air_temp":
            due = SLOW_BOOST_S if length >= for_s else SLOW_LONG * SLOW_BOOST_S
            if _boosted_s(r.state, rows) >= due:
                found.append((a, b))
        elif length >= for_s * (0.5 if r.name == "manifold_pressure" else 1.0) and _must_move(
            r.name, r.state, rows
        ):
            found.append((a, b))
    return found


def _in_a_pull(r: Reading) -> list[tuple[int, int]]:
    """Runs that reach into a wide-open stretch and that the channel's own behaviour does not allow
    there.
    """
    found = []
    for a, b in still_runs(r.t, r.value, for_s=LEAST_RUN_S, within=0.0, least_count=3):
        loaded = a + np.flatnonzero(r.stretch[a:b] >= 0)
        if not loaded.size or _at_an_end(r, r.value[a]) or _at_relief(r, a, b):
            continue
        enough = loaded.size >= LEAST_RUN and r.t[loaded[-1]] - r.t[loaded[0]] >= LEAST_RUN_S - 1e-9
        if (
            _through_the_opening(r, a, b)
            or (enough and _beyond_chance(r, a, b, loaded.size))
            or _stood_a_whole_pull(r, a, b)
        ):
            found.append((a, b))
    return found


def _until_a_leap(r: Reading) -> list[tuple[int, int]]:
    """Runs of a slow quantity through most of a stretch that end in a leap.

    A channel that leaps out of as long a stand elsewhere too is one that is read that seldom.
    """
    height = np.abs(np.diff(r.value)) / max(r.step, 1e-9)
    leaps = np.flatnonzero(height > HOP) + 1
    if not leaps.size or height.max() <= LEAP:
        return []
    edges = np.concatenate(([0], np.flatnonzero(~r.same) + 1))
    starts = edges[edges.searchsorted(leaps) - 1]
    inside = np.array(
        [_stood_through(r, int(a), int(b)) for a, b in zip(starts, leaps, strict=True)]
    )
    into = np.isin(leaps, starts[inside > 0.0])  # the leap to a stand says nothing of habits
    elsewhere = (r.t[leaps - 1] - r.t[starts])[(inside == 0.0) & ~into]
    longest = float(elsewhere.max()) if elsewhere.size else 0.0
    hits = np.flatnonzero((inside > 2.0 * longest) & (height[leaps - 1] > LEAP))
    return [(int(starts[i]), int(leaps[i])) for i in hits]


def _stood_through(r: Reading, a: int, b: int) -> float:
    """Seconds since a wide-open stretch began that samples a to b (one past the last) stood
    through, else 0.
    """
    stood = (
        r.t[b - 1] - start
        for start, end in r.state.windows
        if r.t[a] <= start + r.interval_s and r.t[b - 1] >= start + THROUGH * (end - start)
    )
    return float(min(stood, default=0.0))


def _through_the_opening(r: Reading, a: int, b: int) -> bool:
    """Equal from before the throttle was wide open until what it moves must have moved."""
    if r.name not in OPENS:
        return False
    return any(
        r.t[a] <= start - BEFORE_S[r.name] and r.t[b - 1] >= min(start + OPENS[r.name], end - 0.1)
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
    """
    here = r.stretch[:-1]
    inside = (here >= 0) & (here == r.stretch[1:])
    row = np.minimum(np.searchsorted(r.state.t, r.t[:-1]), len(r.state.t) - 1)
    driven = (r.state.running & ~r.state.shut)[row] & (here < 0)
    pair = np.ones(len(r.same), dtype=np.bool_)
    pair[max(a - 1, 0) : b] = False
    others = inside & pair & ~np.isin(here, r.stretch[a:b][r.stretch[a:b] >= 0])
    if others.sum() >= LEAST_PAIRS and _rare(r, [others], n):
        return True
    if 0 < r.step <= r.fine:
        starts, stops = runs(r.same)
        for i in np.flatnonzero(stops - starts + 1 >= max(LEAST_RUN, n // 2)):
            pair[max(starts[i] - 1, 0) : stops[i] + 1] = False
    elif others.sum() >= LEAST_PAIRS:
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
    """Still through one whole stretch, though every other that is no longer moved it by LEVELS
    steps.
    """
    windows = r.state.windows
    here = r.stretch[:-1]
    slack = 0.1 + r.interval_s
    for start, end in windows:
        if not (r.t[a] <= start + slack and r.t[b - 1] >= end - slack):
            continue
        others = [
            int((~r.same & (here == k) & (r.stretch[1:] == k)).sum())
            for k, (s, e) in enumerate(windows)
            if e - s <= LIKE * (end - start) and not r.t[a] <= s <= e <= r.t[b - 1]
        ]
        if others and min(others) >= LEVELS:
            return True
    return False


def _driver(r: Reading) -> list[tuple[int, int]]:
    """A throttle or pedal that stands short of wide open while the manifold goes from vacuum to
    boost.
    """
    if r.state.manifold is None:
        return []
    found = []
    for a, b in still_runs(r.t, r.value, for_s=1.0, within=0.0, least_count=5):
        rows = slice(*np.searchsorted(r.state.t, (r.t[a] + FOLLOWS_S, r.t[b - 1])))
        if r.value[a] >= OPEN_SHARE * r.ends[1] or rows.stop - rows.start < 3:
            continue
        pressure = r.state.manifold[rows]
        if np.ptp(pressure) > DRIVER_KPA and pressure.max() > r.state.baro_kpa + 20.0:
            found.append((a, b))
    return found


def _at_an_end(r: Reading, value: float) -> bool:
    """A gauge that stands at its own end says 'at least this', which the rail test and the checks
    deal with.
    """
    low, high = r.ends
    if low == high:
        return False
    if r.name == "lambda":
        return value == high and value >= AIR
    if r.name in ("injector_duty", "injector_pulse_width"):
        return value in (low, high)  # a cut of the fuel, or no time left
    return r.name == "manifold_pressure" and value == high


def _at_relief(r: Reading, a: int, b: int) -> bool:
    """Oil pressure that stands at its highest level, coarsely read, with the engine turning: its
    relief valve is open.
    """
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
