"""From run to run: is each hotter because the last one's heat has not gone?

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
    """Runs that follow each other without a stop. index: each one's first pull among the night's; start_c: charge
    temperature at its start; hottest_c: the hottest of its pulls."""

    index: tuple[int, ...]
    start_c: tuple[float, ...]
    hottest_c: tuple[float, ...]


def chains(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[Chain]:
    """The night's runs cut into chains; a run without a start temperature or with a cold engine is in none.

    A run is a pull with the next gears that follow it at once. A run goes on a chain by the hottest of the last
    run, whichever gear that was in.
    """
    found: list[list[_Run]] = []
    for run in _runs(pulls, measures):
        last = found[-1][-1] if found else None
        if last is not None and _follows(pulls[last.last], pulls[run.first], last, run, measures):
            found[-1].append(run)
        else:
            found.append([run])
    return [
        Chain(tuple(r.first for r in c), tuple(r.start_c for r in c), tuple(r.hottest_c for r in c))
        for c in found
    ]


@dataclass(frozen=True)
class _Run:
    """First and last pull, charge temperature at the start, hottest in its pulls, and hottest until it had caught up."""

    first: int
    last: int
    start_c: float
    hottest_c: float
    late_c: float | None


def _runs(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[_Run]:
    parts: list[list[int]] = []
    for i in range(len(pulls)):
        if parts and _same_run(pulls[parts[-1][-1]], pulls[i]):
            parts[-1].append(i)
        else:
            parts.append([i])
    out = []
    for part in parts:
        first = measures[part[0]]
        start = first.get("intake_start_c")
        if start is None or _cold(first):
            continue
        out.append(
            _Run(
                part[0],
                part[-1],
                float(start),
                _most(measures, part, "intake_peak_c", start) or float(start),
                _most(measures, part, "intake_late_peak_c", None),
            )
        )
    return out


def _most(
    measures: Sequence[Measures], index: Sequence[int], name: str, least: float | None
) -> float | None:
    seen = [float(v) for i in index if (v := measures[i].get(name)) is not None]
    return max(seen, default=least)


def _same_log(a: Pull, b: Pull) -> bool:
    return (a.log.path, a.log.sha256) == (b.log.path, b.log.sha256)


def _same_run(a: Pull, b: Pull) -> bool:
    """Whether b is only the next gear of a: no pause to cool in."""
    return _same_log(a, b) and b.start_s - a.end_s < SHIFT_S


def _cold(figures: Measures) -> bool:
    coolant = figures.get("coolant_start_c")
    return coolant is not None and coolant < WARM_C


def _follows(a: Pull, b: Pull, before: _Run, after: _Run, measures: Sequence[Measures]) -> bool:
    """Whether b's start temperature can hold a's heat: no stop between, and no heat from elsewhere."""
    figures = measures[after.first]
    if (figures.get("stood_before_s") or 0.0) > STOOD_S:
        return False
    hottest, between = before.late_c, figures.get("intake_between_peak_c")
    if hottest is None or after.start_c > hottest + 1.0:
        return False
    if between is not None and between > hottest + 3.0:
        return False
    if _same_log(a, b):
        return b.start_s - a.end_s <= LONGEST_APART_S
    return _goes_on(measures[before.last], figures, hottest)


def _goes_on(before: Measures, after: Measures, hottest: float) -> bool:
    """Across a file end the time between is unknown: a log that starts hotter than the last one ended has stood."""
    end, first = before.get("intake_log_end_c"), after.get("intake_log_start_c")
    return end is None or first is None or first <= max(end + 2.0, hottest - 1.0)


def climb(chain: Chain) -> tuple[float, tuple[int, ...]] | None:
    """Climb of the charge temperature that stayed, K, and the runs that show it; None under two runs.

    From run to run it is the lesser of the climb of the start and that of the hottest: a longer run ends hotter, and
    a pause that was too short starts hotter, but heat that stays does both. The largest that two runs on end
    have over any run before them: heat that a pause lets go is none, and one hot run is not enough. Two runs have
    only their one step (see best_climb).
    """
    start, hottest = np.asarray(chain.start_c), np.asarray(chain.hottest_c)
    n = len(start)
    if n < 2:
        return None
    # over[i, j]: how much hotter run j is than run i
    over = np.minimum(start[None, :] - start[:, None], hottest[None, :] - hottest[:, None])
    if n == 2:
        return float(over[0, 1]), chain.index
    both = np.minimum(over[:, 1:-1], over[:, 2:])  # run j and the next, j from 1
    both[np.tril_indices(n, -1, n - 2)] = -np.inf  # run i must lie before run j
    first, j = np.unravel_index(int(np.argmax(both)), both.shape)
    return float(both[first, j]), chain.index[int(first) : int(j) + 3]


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
    seen = "two runs on end" if len(measures) >= 3 else "one run, so once only,"
    message = (
        f"The charge had not cooled down again before the next run: they began at {starts}, {seen} {value:.1f} K "
        f"hotter than one before, at the start and at the hottest, at or above the limit of {row.reached(value):g} K."
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
