"""From pull to pull: does each start with a hotter charge because the last one's heat has not gone?

A car that stood still between two pulls heats its intake from the engine bay: that is no soak of the cooler, and it
goes as the car drives. Neither is the warming of a cold engine. Pulls parted by those start a new chain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.model import Finding, Limit, Measures, Pull

WARM_C = 70.0
STOOD_S = 25.0  # standing this long between two pulls heats the intake by itself
LONGEST_APART_S = 900.0


@dataclass(frozen=True)
class Chain:
    """Pulls that follow each other without a stop: indices into the night's pulls, and their start temperatures."""

    index: tuple[int, ...]
    start_c: tuple[float, ...]


def chains(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[Chain]:
    """The night's pulls cut into chains; pulls without a start temperature or with a cold engine are in none."""
    found: list[list[int]] = []
    for i, figures in enumerate(measures):
        if figures.get("intake_start_c") is None or _cold(figures):
            continue
        last = found[-1][-1] if found else None
        if last is not None and _follows(pulls[last], pulls[i], measures[last], figures):
            found[-1].append(i)
        else:
            found.append([i])
    return [Chain(tuple(c), tuple(float(measures[i]["intake_start_c"] or 0.0) for i in c)) for c in found]


def _cold(figures: Measures) -> bool:
    coolant = figures.get("coolant_start_c")
    return coolant is not None and coolant < WARM_C


def _follows(a: Pull, b: Pull, before: Measures, after: Measures) -> bool:
    """Whether b's start temperature can hold a's heat: no stop between, and no heat from elsewhere."""
    if (after.get("stood_before_s") or 0.0) > STOOD_S:
        return False
    hottest, start, between = before.get("intake_late_peak_c"), after.get("intake_start_c"), after.get("intake_between_peak_c")
    if hottest is None or start is None or start > hottest + 1.0:
        return False
    if between is not None and between > hottest + 3.0:
        return False
    if (a.log.path, a.log.sha256) == (b.log.path, b.log.sha256):
        return 0 <= b.start_s - a.end_s <= LONGEST_APART_S
    return _goes_on(before, after, hottest)


def _goes_on(before: Measures, after: Measures, hottest: float) -> bool:
    """Across a file end the time between is unknown: a log that starts hotter than the last one ended has stood."""
    end, first = before.get("intake_log_end_c"), after.get("intake_log_start_c")
    return end is None or first is None or first <= max(end + 2.0, hottest - 1.0)


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


def soak_finding(row: Limit, value: float, measures: Sequence[Measures]) -> Finding | None:
    """The finding when a level is reached. measures: of the pulls that show the climb, in order."""
    severity = row.severity(value)
    if severity is None:
        return None
    starts = ", ".join(f"{figures['intake_start_c']:.0f} °C" for figures in measures)
    message = (f"The charge started each pull hotter than the one before: {starts}; {value:.1f} K a pull, "
               f"at or above the {severity} limit of {row.reached(value):g} K.")
    known = [tau for figures in measures[:-1] if (tau := figures.get("intake_recovery_s")) is not None]
    if known:
        tau = float(np.median(known))
        message += f" It cools with a time constant of {tau:.0f} s: wait {2.3 * tau:.0f} s for nine tenths of the heat to go."
    return Finding("heat.soak", severity, message, "intake_air_temp", None, None, value, row.reached(value), row.unit)
