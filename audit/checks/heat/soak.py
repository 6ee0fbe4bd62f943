"""From pull to pull: does each start with a hotter charge because the last one's heat has not gone?

A car that stood still between two pulls heats its intake from the engine bay: that is no soak of the cooler, and it
goes as the car drives. Neither is the warming of a cold engine. Pulls parted by those start a new chain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.model import Finding, Limit, Measures, Pull
from audit.signal.arrays import median

WARM_C = 70.0
STOOD_S = 25.0  # standing this long between two pulls heats the intake by itself
LONGEST_APART_S = 900.0
SHIFT_S = 5.0


@dataclass(frozen=True)
class Chain:
    """Pulls that follow each other without a stop: indices into the night's pulls, and their start temperatures."""

    index: tuple[int, ...]
    start_c: tuple[float, ...]


def chains(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[Chain]:
    """The night's pulls cut into chains; pulls without a start temperature or with a cold engine are in none."""
    found: list[list[int]] = []
    for i, figures in enumerate(measures):
        last = found[-1][-1] if found else None
        if (
            figures.get("intake_start_c") is None
            or _cold(figures)
            or (last is not None and _same_run(pulls[i - 1], pulls[i]))
        ):
            continue
        if last is not None and _follows(pulls[last], pulls[i], measures[last], figures):
            found[-1].append(i)
        else:
            found.append([i])
    return [
        Chain(tuple(c), tuple(float(measures[i]["intake_start_c"] or 0.0) for i in c))
        for c in found
    ]


def _same_log(a: Pull, b: Pull) -> bool:
    return (a.log.path, a.log.sha256) == (b.log.path, b.log.sha256)


def _same_run(a: Pull, b: Pull) -> bool:
    """Whether b is only the next gear of a: no pause to cool in."""
    return _same_log(a, b) and b.start_s - a.end_s < SHIFT_S


def _cold(figures: Measures) -> bool:
    coolant = figures.get("coolant_start_c")
    return coolant is not None and coolant < WARM_C


def _follows(a: Pull, b: Pull, before: Measures, after: Measures) -> bool:
    """Whether b's start temperature can hold a's heat: no stop between, and no heat from elsewhere."""
    if (after.get("stood_before_s") or 0.0) > STOOD_S:
        return False
    hottest, start, between = (
        before.get("intake_late_peak_c"),
        after.get("intake_start_c"),
        after.get("intake_between_peak_c"),
    )
    if hottest is None or start is None or start > hottest + 1.0:
        return False
    if between is not None and between > hottest + 3.0:
        return False
    if _same_log(a, b):
        return b.start_s - a.end_s <= LONGEST_APART_S
    return _goes_on(before, after, hottest)


def _goes_on(before: Measures, after: Measures, hottest: float) -> bool:
    """Across a file end the time between is unknown: a log that starts hotter than the last one ended has stood."""
    end, first = before.get("intake_log_end_c"), after.get("intake_log_start_c")
    return end is None or first is None or first <= max(end + 2.0, hottest - 1.0)


def climb(chain: Chain) -> tuple[float, tuple[int, ...]] | None:
    """Climb of the start temperature that stayed, K, and the pulls that show it; None under two pulls.

    The largest of min(two starts on end) - any start before them: heat that a pause lets go is none, and one hot
    start is not enough. Two pulls have only their one step (see best_climb).
    """
    start = np.asarray(chain.start_c)
    if len(start) < 2:
        return None
    if len(start) == 2:
        return float(start[1] - start[0]), chain.index
    later = np.minimum(start[1:-1], start[2:])
    lowest = np.minimum.accumulate(start[:-2])
    i = int(np.argmax(later - lowest))
    first = int(np.argmin(start[: i + 1]))
    return float(later[i] - lowest[i]), chain.index[first : i + 3]


def best_climb(chains_: Sequence[Chain], row: Limit) -> tuple[float, tuple[int, ...], bool] | None:
    """The worst climb of the night, its pulls, and whether three or more show it.

    What only two pulls show counts where no three do, and then only past the hold level: seen once, it is a hint.
    """
    found = [(*c, len(c[1]) >= 3) for chain in chains_ if (c := climb(chain)) is not None]
    proven = [c for c in found if c[2]]
    hints = [c for c in found if not c[2] and row.severity(c[0]) in ("hold", "stop")]
    return max(proven + hints or found, key=lambda c: c[0], default=None)


def soak_finding(row: Limit, value: float, measures: Sequence[Measures]) -> Finding | None:
    """The finding when a level is reached. measures: of the pulls that show the climb, in order; two are a hint."""
    severity = row.severity(value)
    if severity is None or (len(measures) < 3 and severity == "watch"):
        return None
    severity = severity if len(measures) >= 3 else "watch"
    shown = measures if len(measures) <= 5 else (measures[0], *measures[-2:])
    starts = ", ".join(f"{figures['intake_start_c']:.0f} °C" for figures in shown)
    seen = "two pulls on end" if len(measures) >= 3 else "one pull, so once only,"
    message = (
        f"The charge had not cooled down again before the next pull: the pulls began at {starts}, {seen} {value:.1f} K "
        f"hotter than one before, at or above the limit of {row.reached(value):g} K."
    )
    known = [
        tau for figures in measures[:-1] if (tau := figures.get("intake_recovery_s")) is not None
    ]
    if known:
        tau = median(known)
        message += f" It cools with a time constant of {tau:.0f} s: wait {2.3 * tau:.0f} s for nine tenths of the heat to go."
    return Finding(
        "heat.soak",
        severity,
        message,
        "intake_air_temp",
        None,
        None,
        value,
        row.reached(value),
        row.unit,
    )
