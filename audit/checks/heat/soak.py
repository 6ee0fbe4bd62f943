"""From run to run: is each hotter because the last one's heat has not gone?

A car that stood still between two pulls heats its intake from the engine bay: that is no soak of
the cooler, and it goes as the car drives. Neither is the warming of a cold engine. Pulls parted by
those start a new chain.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.model import Array, Finding, Limit, Measures, Pull
from audit.signal.arrays import median

WARM_C = 70.0
STOOD_S = 25.0  # standing this long between two pulls heats the intake by itself
# The most that a second of standing heats the intake, K: common practice, no published source
STANDING_HEATS_K = 0.5
LONGEST_APART_S = 900.0
SHIFT_S = 5.0


@dataclass(frozen=True)
class Chain:
    """Runs that follow each other without a stop. index: each one's first pull among the night's;
    start_c: charge temperature at its start; hottest_c: the hottest of its pulls; elsewhere:
    whether it began hotter than the last one can have left it.
    """

    index: tuple[int, ...]
    start_c: tuple[float, ...]
    hottest_c: tuple[float, ...]
    elsewhere: tuple[bool, ...]


def chains(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[Chain]:
    """The night's runs cut into chains; a run without a start temperature or with a cold engine is
    in none.

    A run is a pull with the next gears that follow it at once. A run goes on a chain by the hottest
    of the last run, whichever gear that was in.
    """
    found: list[list[tuple[_Run, bool]]] = []
    for run in _runs(pulls, measures):
        last = found[-1][-1][0] if found else None
        if last is not None and _follows(pulls[last.last], pulls[run.first], last, run, measures):
            found[-1].append((run, _elsewhere(pulls, last, run, measures)))
        else:
            found.append([(run, False)])
    return [
        Chain(
            tuple(r.first for r, _ in c),
            tuple(r.start_c for r, _ in c),
            tuple(r.hottest_c for r, _ in c),
            tuple(e for _, e in c),
        )
        for c in found
    ]


@dataclass(frozen=True)
class _Run:
    """First and last pull, charge temperature at the start, hottest in its pulls, and hottest until
    it had caught up.
    """

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
    """Whether b comes after a without a stop that would heat the intake by itself."""
    figures = measures[after.first]
    between = figures.get("intake_between_peak_c")
    if before.late_c is None or (figures.get("stood_before_s") or 0.0) > STOOD_S:
        return False
    seen = between is not None and between > max(before.late_c, after.start_c) + 3.0
    if seen:  # hotter in between than either run: it stood, and the heat goes as the car drives
        return False
    return not _same_log(a, b) or b.start_s - a.end_s <= LONGEST_APART_S


def _elsewhere(
    pulls: Sequence[Pull], before: _Run, after: _Run, measures: Sequence[Measures]
) -> bool:
    """Whether the run began hotter than the last one can have left it: seen once, it is no soak of
    the cooler.

    Heat that the car's standing, by its road speed, was too short for can only have come through
    the cooler. It is counted from the begin of the run's log, or from the last run in the same one.
    """
    hottest = before.late_c
    if hottest is None:
        return True
    a, b = pulls[before.last], pulls[after.first]
    figures, same = measures[after.first], _same_log(a, b)
    stood = figures.get("stood_before_s")
    begun = hottest if same else (figures.get("intake_log_start_c") or hottest)
    by_standing = stood is None or after.start_c - begun <= 1.0 + STANDING_HEATS_K * stood
    if after.start_c > hottest + 1.0 and by_standing:
        return True
    return not same and not _goes_on(measures[before.last], figures, hottest)


def _goes_on(before: Measures, after: Measures, hottest: float) -> bool:
    """Across a file end the time between is unknown: a log that starts hotter than the last one
    ended has stood.
    """
    end, first = before.get("intake_log_end_c"), after.get("intake_log_start_c")
    return end is None or first is None or first <= max(end + 2.0, hottest - 1.0)


def _over(chain: Chain) -> Array:
    """over[i, j]: how much hotter run j is than run i, K: the lesser of the climb of the start and
    of the hottest.

    A longer run ends hotter, and a pause that was too short starts hotter, but heat that stays does
    both.
    """
    start, hottest = np.asarray(chain.start_c), np.asarray(chain.hottest_c)
    over: Array = np.minimum(start[None, :] - start[:, None], hottest[None, :] - hottest[:, None])
    return over


def stayed(chain: Chain) -> tuple[float, tuple[int, ...]] | None:
    """The climb that two runs on end have over one before them, K, the largest, and its runs; None
    under three.

    Heat that a pause lets go is none, and one hot run is not enough.
    """
    n = len(chain.index)
    if n < 3:
        return None
    over = _over(chain)
    both = np.minimum(over[:, 1:-1], over[:, 2:])  # run j and the next, j from 1
    both[np.tril_indices(n, -1, n - 2)] = -np.inf  # run i must lie before run j
    first, j = np.unravel_index(int(np.argmax(both)), both.shape)
    return float(both[first, j]), chain.index[int(first) : int(j) + 3]


def at_last(chain: Chain) -> tuple[float, tuple[int, ...]] | None:
    """The climb of the last run over one before it, K, the largest, and both runs: seen once. None
    under two.
    """
    if len(chain.index) < 2 or chain.elsewhere[-1]:
        return None
    last = _over(chain)[:-1, -1]
    first = int(np.argmax(last))
    return float(last[first]), (chain.index[first], chain.index[-1])


def best_climb(chains_: Sequence[Chain], row: Limit) -> tuple[float, tuple[int, ...], bool] | None:
    """The worst climb of the night, its runs, and whether more than one run shows it.

    What only the last run shows counts from the hold level on: less may be a short pause.
    """
    proven = [(*c, True) for chain in chains_ if (c := stayed(chain)) is not None]
    once = [(*c, False) for chain in chains_ if (c := at_last(chain)) is not None]
    counts = [c for c in once if row.severity(c[0]) in ("hold", "stop")]
    if not proven and not counts:
        return max(once, key=lambda c: c[0], default=None)
    return max(proven + counts, key=lambda c: (row.severity(c[0]) in ("hold", "stop"), c[2], c[0]))


def soak_finding(
    row: Limit, value: float, measures: Sequence[Measures], *, proven: bool
) -> Finding | None:
    """The finding when a level is reached. measures: of the runs that show the climb, in order."""
    severity = row.severity(value)
    if severity is None:
        return None
    shown = measures if len(measures) <= 5 else (measures[0], *measures[-2:])
    starts = ", ".join(f"{figures['intake_start_c']:.0f} °C" for figures in shown)
    seen = "two runs on end" if proven else "the last run"
    message = (
        f"The intake air had not cooled down again before the next run: they began at {starts}, "
        f"{seen} {value:.1f} K "
        "hotter than one before, at the start and at the hottest, at or above the limit of "
        f"{row.reached(value):g} K."
    )
    known = [
        tau for figures in measures[:-1] if (tau := figures.get("intake_recovery_s")) is not None
    ]
    if known:
        tau = median(known)
        minutes = max(math.ceil(2.3 * tau / 30.0) / 2.0, 0.5)
        message += (
            f" Wait about {minutes:g} minute{'s' if minutes > 1 else ''} between pulls: by then "
            "nine "
            "tenths of the heat are gone."
        )
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
