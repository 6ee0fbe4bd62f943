"""The top of the pressure sensor: a plateau there means that the true boost is unknown. No check.

Looks at the samples as read: the sanity tests may rightly distrust a pinned one.
"""

from __future__ import annotations

from math import erf, log, sqrt
from typing import NamedTuple

import numpy as np

from audit.model import Array, Pull, Series
from audit.signal.arrays import distinct, interval_of, median_sorted
from audit.signal.robust import resolution
from audit.signal.spans import runs
from audit.tables import channel_rows
from audit.units import KPA_PER_PSI

LEAST_TRUE_SAMPLES = 3
COARSE_STEPS = (1.0, 0.5, 0.1 * KPA_PER_PSI, 0.3)
CHANCE = 1e-6  # that an honest signal stands so still
# Least noise, in steps of a coarse reading, with which standing still says something. At less the
# noise seen in the rise may not be there at rest; where the whole log shows it, half as much will
# do.
LONE_NOISE, PILED_NOISE = 0.6, 0.3


class Ceiling(NamedTuple):
    """How long it stood at the top, s; from and to, s; the level, kPa absolute; how it was told."""

    seconds: float
    start_s: float
    end_s: float
    level_kpa: float
    why: str


def find_ceiling(pull: Pull) -> Ceiling | None:
    """The stretch of the pull in which manifold pressure stood at its sensor's top, or None.

    Told by the car file's sensor top, by a byte's end (255 kPa in whole kPa, SAE J1979 service 01
    PID 0B), or by a top that is dead flat though the signal is noisy elsewhere and the engine speed
    moves on: in this pull alone, or where it is the top of the whole log that pull after pull piles
    up at.
    Does not see: a sensor that bends before its end; a clipped signal to which noise was added
    later. In one log neither differs from boost that is held well."""
    span, log_ = pull.span, pull.log
    if not log_.has("manifold_pressure"):
        return None
    t = log_.time[span.start : span.stop]
    y = log_.values("manifold_pressure")[span.start : span.stop]
    good = np.isfinite(y)
    t, y = t[good], y[good]
    if y.size < 2 * LEAST_TRUE_SAMPLES:
        return None
    interval = interval_of(t)
    rate = log_.by_name["manifold_pressure"].rate_hz or 1.0 / interval
    true_a_row = min(1.0, rate * interval)
    top = float(y.max())
    quantum = resolution(y)
    known = _known_top(pull, y, quantum)
    slack = max(0.25 * quantum, 1e-6 * abs(top)) if known is None else max(0.6 * quantum, 0.6)
    starts, stops = runs(y >= top - slack)
    long_enough = (stops - starts) * true_a_row >= LEAST_TRUE_SAMPLES - 1e-6
    if not long_enough.any():
        return None
    starts, stops = starts[long_enough], stops[long_enough]
    if known is None:
        longest = int(np.argmax(stops - starts))
        run = slice(int(starts[longest]), int(stops[longest]))
        if not _too_still(pull, Series(t, y), run, quantum, true_a_row):
            return None
        known = "dead flat there although it is noisy elsewhere"
    seconds = float(np.sum(t[stops - 1] - t[starts]) + interval * starts.size)
    return Ceiling(seconds, float(t[starts[0]]), float(t[stops[-1] - 1]), top, known)


def _known_top(pull: Pull, y: Array, quantum: float) -> str | None:
    top = float(y.max())
    sensor = pull.car.sensor_top_kpa
    if sensor is not None and top >= sensor - max(1.0, quantum):
        return f"the car file gives {sensor:.0f} kPa absolute as the sensor's top"
    rail = max(channel_rows()["manifold_pressure"].rails, default=0.0)
    # A byte at its end stays there; a boost that happens to top out at it wavers beside it.
    stays = np.sum(np.abs(y - rail) < 0.3) >= 0.6 * np.sum(y >= rail - 4.0)
    if abs(top - rail) < 0.3 and 0.9 <= quantum <= 1.1 and stays:
        return f"{rail:.0f} kPa absolute is the most that one byte of this channel can carry"
    return None


def _too_still(pull: Pull, read: Series, run: slice, quantum: float, true_a_row: float) -> bool:
    """Are so many equal readings at the top too unlikely for a signal as noisy as this one?"""
    (t, y), size = read, run.stop - run.start
    lasted, n = float(t[run][-1] - t[run][0]), size * true_a_row
    rest = np.concatenate((y[: run.start], y[run.stop :]))
    if size < max(3 * _longest_equal(rest), 5) or n < 5 or lasted < 0.2:
        return False
    speed = pull.believed("engine_speed").at(t[run][[0, -1]])
    if not abs(float(speed[1] - speed[0])) >= 100.0:
        return False
    quantum = quantum or _coarse_step(rest, float(y[run.start]))
    sigma = pull.sanity.noise.get("manifold_pressure", 0.0) or 0.0
    if quantum < 0.3:
        return n >= 8 and rest.size >= 4 and sigma > max(2 * quantum, 0.02)
    # A coarse, quiet reading may rest on one step by rights: ask for noise, length, a hard stop.
    sigma = sqrt(max(sigma**2 - 1.2 * quantum**2 / 12, 0.0))
    piled = _piled_up(pull, float(y[run.start]), size)
    least = PILED_NOISE if piled else LONE_NOISE
    if sigma < least * quantum or lasted < 1.0 or run.start < (2 if piled else 3):
        return False
    pace = np.diff(y[: run.start + 1]) / np.diff(t[: run.start + 1])
    hard = float(pace[-2:].max()) >= 0.3 * float(pace.max())
    n = max(n, piled * true_a_row)
    return hard and n * log(erf(quantum / (2 * sqrt(2) * sigma))) < log(CHANCE)


def _piled_up(pull: Pull, top: float, run: int) -> int:
    """Samples in the log's long runs at this top, its highest, visited more than once; else 0.

    None of the log's other readings may have stood still for half as long: a signal so quiet that
    it rests on its steps elsewhere too rests on its highest by rights."""
    y = pull.log.values("manifold_pressure")
    y = y[np.isfinite(y)]
    if float(y.max()) > top + 1e-6 or 2 * _longest_equal(y[y < top - 1e-6]) > run:
        return 0
    starts, stops = runs(y >= top - 1e-6)
    lengths = (stops - starts)[2 * (stops - starts) >= run]
    return int(lengths.sum()) if lengths.size > 1 else 0


def _coarse_step(rest: Array, top: float) -> float:
    """The step of a reading that shows no clear one: the usual distance of its few levels, or the
    display step (kPa, psi, hPa) that all of them are multiples of below its top; 0 for none."""
    levels = distinct(rest)
    if levels.size < 0.9 * rest.size:
        return max(median_sorted(np.diff(levels)), 0.3) if levels.size > 1 else 1.0
    off = levels - top
    for step in COARSE_STEPS:
        turns = off / step
        if np.abs(turns - np.round(turns)).max(initial=0.0) < 0.02:
            return step
    return 0.0


def _longest_equal(y: Array) -> int:
    if y.size < 2:
        return 1
    starts, stops = runs(y[1:] == y[:-1])
    return int((stops - starts).max()) + 1 if starts.size else 1
