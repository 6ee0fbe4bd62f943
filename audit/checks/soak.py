"""From pull to pull: does each start with a hotter charge because the last one's heat has not gone?

A car that stood still between two pulls heats its intake from the engine bay: that is no soak of the cooler, and it
goes as the car drives. Neither is the warming of a cold engine. Pulls parted by those start a new chain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from audit.model import Finding, Limit, Measures, Pull, believed_series
from audit.signal.cooling import cooling_time

WARM_C = 70.0
STOOD_S = 25.0  # standing this long between two pulls heats the intake by itself
STOOD_KMH = 5.0
LONGEST_APART_S = 900.0


@dataclass(frozen=True)
class Chain:
    """Pulls that follow each other without a stop: indices into the night's pulls, and their start temperatures."""

    index: tuple[int, ...]
    start_c: tuple[float, ...]


def chains(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[Chain]:
    """The night's pulls cut into chains; pulls without a start temperature or with a cold engine are in none."""
    found: list[list[int]] = []
    for i, (pull, figures) in enumerate(zip(pulls, measures, strict=True)):
        if figures.get("intake_start_c") is None or _cold(figures):
            continue
        last = found[-1][-1] if found else None
        if last is not None and _follows(pulls[last], pull, measures[last], figures):
            found[-1].append(i)
        else:
            found.append([i])
    return [Chain(tuple(c), tuple(float(measures[i]["intake_start_c"] or 0.0) for i in c)) for c in found]


def _cold(figures: Measures) -> bool:
    coolant = figures.get("coolant_start_c")
    return coolant is not None and coolant < WARM_C


def _follows(a: Pull, b: Pull, before: Measures, after: Measures) -> bool:
    """Whether b's start temperature can hold a's heat: no stop between, and no heat from elsewhere."""
    if a.log is not b.log:
        return _next_log(a, b, before, after)
    if b.start_s - a.end_s > LONGEST_APART_S or _stood(b, a.end_s, b.start_s) > STOOD_S:
        return False
    between = believed_series(a.log, a.sanity, "intake_air_temp", a.end_s + 15.0, b.start_s)
    peak = _hottest(a, before)
    return not (len(between.t) >= 3 and float(np.partition(between.value, -2)[-2]) > peak + 3.0)


def _hottest(a: Pull, before: Measures) -> float:
    """Charge temperature at its highest in the pull or in the 15 s after it, when a slow sensor catches up."""
    late = believed_series(a.log, a.sanity, "intake_air_temp", a.end_s, a.end_s + 15.0)
    pull_peak = before.get("intake_peak_c") or 0.0
    return max(float(late.value.max()), pull_peak) if len(late.t) else pull_peak


def _next_log(a: Pull, b: Pull, before: Measures, after: Measures) -> bool:
    """Across a file end the time between is unknown: only a log that starts hotter than the last one ended, or
    with a long stand before its first pull, is cut off; the start temperature must be below the last peak.
    """
    start = after.get("intake_start_c") or 0.0
    if start > _hottest(a, before) + 1.0 or _stood(b, 0.0, b.start_s) > STOOD_S:
        return False
    end = believed_series(a.log, a.sanity, "intake_air_temp", a.end_s, a.log.duration_s)
    first = believed_series(b.log, b.sanity, "intake_air_temp", 0.0, b.start_s)
    if not len(end.t) or not len(first.t):
        return True
    return bool(first.value[0] <= max(end.value[-1] + 2.0, _hottest(a, before) - 1.0))


def _stood(pull: Pull, start_s: float, end_s: float) -> float:
    """Longest time at a standstill in the last three minutes of the stretch, s; 0 where speed is not logged."""
    from audit.signal.spans import duration_above

    speed = believed_series(pull.log, pull.sanity, "vehicle_speed", max(start_s, end_s - 180.0), end_s)
    return duration_above(speed.t, speed.value < STOOD_KMH)[1] if len(speed.t) > 2 else 0.0


def climb(chain: Chain) -> tuple[float, tuple[int, ...]] | None:
    """Start-to-start climb, K a pull, and the pulls that show it; None under two pulls.

    With three or more: the largest mean climb over two steps on end (or more), so that one hot start among
    them is not enough. Two pulls have only their one step.
    """
    start = np.asarray(chain.start_c)
    if len(start) < 2:
        return None
    width = 1 if len(start) == 2 else 2
    steps = (start[width:] - start[:-width]) / width
    i = int(np.argmax(steps))
    return float(steps[i]), tuple(chain.index[i : i + width + 1])


def soak_finding(row: Limit, value: float, pulls: Sequence[Pull], measures: Sequence[Measures]) -> Finding | None:
    """The finding when a level is reached. pulls, measures: those that show the climb, in order."""
    severity = row.severity(value)
    if severity is None:
        return None
    starts = ", ".join(f"{figures['intake_start_c']:.0f} °C" for figures in measures)
    message = (f"The charge started each pull hotter than the one before: {starts}; {value:.1f} K a pull, "
               f"at or above the {severity} limit of {row.reached(value):g} K.")
    if (tau := recovery_s(pulls, measures)) is not None:
        message += f" It cools with a time constant of {tau:.0f} s: wait {2.3 * tau:.0f} s for nine tenths of the heat to go."
    return Finding("heat.soak", severity, message, "intake_air_temp", None, None, value, row.reached(value), row.unit)


def recovery_s(pulls: Sequence[Pull], measures: Sequence[Measures]) -> float | None:
    """Median time constant of the cooling after the pulls, s, towards ambient if logged, else the lowest start."""
    lowest = min(float(m["intake_start_c"] or 0.0) for m in measures)
    found = []
    for a, b in pairwise(pulls):
        stop = b.start_s if a.log is b.log else a.log.duration_s
        series = believed_series(a.log, a.sanity, "intake_air_temp", a.end_s, stop)
        if len(series.t) < 5:
            continue
        peak = int(np.argmax(series.value))
        ambient = believed_series(a.log, a.sanity, "ambient_air_temp", a.start_s, stop)
        towards = float(np.median(ambient.value)) if len(ambient.t) else lowest - 1.0
        tau = cooling_time(series.t[peak:], series.value[peak:], towards)
        found += [tau] if tau is not None and tau < 3600 else []
    return float(np.median(found)) if found else None
