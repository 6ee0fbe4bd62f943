"""fuel_supply: does the engine computer cut fuel or ignition in the middle of a pull?

Seen by the injectors going to nothing, or by lambda leaping to air within a few samples while the
engine falters (with either cut oxygen leaves unburned). The limiter at the top of a pull, the
overrun and the shift are none.
Does not see: a cut of one cylinder, or one shorter than the samples are apart.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.checks.engine.top_speed import at_limiter, open_until
from audit.checks.kit.base import LimitTable, Measured, by_rows
from audit.checks.mixture.mixture_window import injectors
from audit.declared import declared
from audit.model import Pull, Series
from audit.signal.arrays import interval_of, median_sorted
from audit.signal.spans import runs

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

SHUT = 0.3  # of the shot a moment before: the injectors are off
LEAP = 0.2  # lambda over its usual level in the pull
NO_FLAME = 1.05  # leaner than this no engine is run under boost
LEAP_S = 0.35  # within this it leaps; a supply that runs out takes longer
LAG_S = 0.4  # lambda comes this late at most
CLIMBS = 0.35  # of its climb before: less is an engine that falters
LEAST_CLIMB = 120.0  # rpm/s: below it faltering cannot be told
BOOST_DIP = 0.06  # share of boost
SHUT_S = 0.08  # the injectors alone, two samples and this long
APART_S = 0.3  # nearer ones are one cut


class Cut(NamedTuple):
    """When it began and ended, s; the samples that show it; the leanest lambda it left, if seen."""

    start_s: float
    end_s: float
    n: int
    lean: float | None = None

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return self.end_s - self.start_s


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """fuel_cut_s: the longest cut, s, 0 where there was none; fuel_cuts: how many."""
    rpm = pull.believed("engine_speed", lead_s=1.0, tail_s=2.0)
    until = open_until(pull) - 0.05
    cuts = [c for c in found_cuts(pull, rpm) if pull.start_s + 0.2 <= c.start_s <= until]
    cuts = [c for c in _merged(cuts) if not at_limiter(pull, c.start_s, rpm)]
    sheet = Measured({"fuel_cut_s": 0.0, "fuel_cuts": float(len(cuts))})
    if cuts:
        longest = max(cuts, key=lambda c: c.seconds)
        speed = float(np.interp(longest.start_s, rpm.t, rpm.value))
        times = "once" if len(cuts) == 1 else f"{len(cuts)} times"
        lean = "" if longest.lean is None else f" and lambda went to {longest.lean:.2f}"
        text = (
            f"Fuel or ignition was cut {times} with the throttle open, for {longest.seconds:.2f} s "
            f"near {speed:.0f} rpm{lean}"
        )
        at = (cuts[0].start_s, cuts[-1].end_s)
        sheet.put("fuel_cut_s", longest.seconds, text, at=at)
    return sheet.of("engine_speed")


judge = by_rows(CODES)


def found_cuts(pull: Pull, rpm: Series) -> list[Cut]:
    """Every cut from the pull's start on, the limiter's and the overrun's among them, in order of
    time: where the injectors are shut and something bears it out, else where lambda leaps and the
    engine falters."""
    leaps = _leaps(pull)
    cuts = []
    for shut in _shut(pull):
        near = (c for c in leaps if shut.start_s - 0.1 <= c.start_s <= shut.end_s + LAG_S)
        leap = next(near, None)
        lasts = shut.n >= 2 and shut.seconds >= SHUT_S
        if leap or lasts or _falters(pull, rpm, shut.start_s, shut.end_s):
            cuts.append(Cut(shut.start_s, shut.end_s, shut.n, leap.lean if leap else None))
    if any(cut.lean is not None for cut in cuts):
        return cuts
    lag, least = _lag(pull), interval_of(rpm.t, alone=0.1)
    for leap in leaps:
        begin, end = leap.start_s - lag, leap.end_s - lag
        if _falters(pull, rpm, begin, end):
            cuts.append(Cut(begin, max(end, begin + least), leap.n, leap.lean))
    return sorted(cuts, key=lambda c: c.start_s)


def _merged(cuts: list[Cut]) -> list[Cut]:
    out: list[Cut] = []
    for cut in cuts:
        last = out[-1] if out else None
        near = last is not None and cut.start_s - last.end_s < APART_S
        if last is None or not near or cut.start_s - last.start_s >= 0.1:
            out.append(cut)
    return out


def _shut(pull: Pull) -> list[Cut]:
    """Where the injectors go to nothing from one sample to the next."""
    shot = injectors(pull, tail_s=1.0)
    if shot is None:
        return []
    t, value = shot
    top = median_sorted(shot.within(pull.start_s, pull.end_s).value)
    step = interval_of(t, alone=0.1)
    return [
        Cut(float(t[a]), float(t[b - 1]) + step, int(b - a))
        for a, b in zip(*runs(value < 0.5 * SHUT * top), strict=True)
        if a > 0 and value[max(a - 3, 0) : a].max() * SHUT > value[a:b].max()
    ]


def _leaps(pull: Pull) -> list[Cut]:
    """Where lambda leaps to air, believed or not: the engine must bear it out."""
    if not pull.log.has("lambda"):
        return []
    value = pull.log.values("lambda")
    here = np.isfinite(value)
    lam = Series(pull.log.time[here], value[here]).within(pull.start_s, pull.end_s + 1.0)
    inside = lam.within(pull.start_s, pull.end_s).value
    if len(inside) < 4:
        return []
    usual = median_sorted(inside)
    step = max(interval_of(lam.t, alone=0.1), 0.01)
    out = []
    for a, b in zip(*runs(lam.value >= max(usual + LEAP, NO_FLAME)), strict=True):
        before = lam.within(lam.t[a] - max(LEAP_S, 1.5 * step), lam.t[a] - 1e-6).value
        if len(before) and before.min() < usual + 0.4 * LEAP:
            start, end = float(lam.t[a]), float(lam.t[b - 1]) + step
            out.append(Cut(start, end, int(b - a), float(lam.value[a:b].max())))
    return out


def _lag(pull: Pull) -> float:
    """How much later than the cut lambda shows it, s: at least one sample of it."""
    rate = pull.log.by_name["lambda"].rate_hz if pull.log.has("lambda") else 0.0
    return max(0.15, 0.5 / rate) if rate > 0 else 0.15


def _falters(pull: Pull, rpm: Series, start_s: float, end_s: float) -> bool:
    """Does the engine stop climbing, or boost dip, while the fuel is off?"""
    step = interval_of(rpm.t, alone=0.1)
    t0, t1 = start_s - max(0.1, step), max(end_s, start_s + 2 * step)
    at = np.interp((t0 - 0.6, t0), rpm.t, rpm.value)
    inside = rpm.within(pull.start_s, pull.end_s)
    whole = (inside.value[-1] - inside.value[0]) / max(inside.t[-1] - inside.t[0], 0.1)
    climb = max((at[1] - at[0]) / 0.6, 0.6 * whole)  # just before; another cut may lie there
    window = rpm.within(t0, t1 + 0.2)
    if climb >= LEAST_CLIMB and len(window.t) >= 3:
        slope = np.diff(window.value) / np.diff(window.t)
        width = min(max(2, round(0.15 / step)), len(slope))  # so that noise is no faltering
        if np.convolve(slope, np.ones(width) / width, "valid").min() < CLIMBS * climb:
            return True
    boost = pull.believed("boost", tail_s=1.0)
    was, then = boost.within(t0 - 0.3, t0).value, boost.within(t0, t1 + 0.4).value
    if not len(was) or not len(then):
        return False
    level = median_sorted(was)
    return bool(level > 20.0 and then.min() < (1 - BOOST_DIP) * level)
