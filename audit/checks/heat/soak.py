"""From run to run: is each hotter because the last one's heat has not gone?

A car that stood still between two pulls heats its intake from the engine bay: that is no soak of
the cooler, and it goes as the car drives. Neither is the warming of a cold engine. Pulls parted by
those start a new chain.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.checks.kit.base import Judgement, judge_figure
from audit.model import Array, Limit, Measures, Pull
from audit.signal.arrays import median

WARM_C = 70.0
STOOD_S = 25.0  # standing this long between two pulls heats the intake by itself
LONGEST_APART_S = 900.0
SHIFT_S = 5.0


class Run(NamedTuple):
    """First and last pull, charge temperature at the start, hottest in its pulls, and hottest until
    it had caught up; elsewhere: it began hotter than the run before it in its chain can have left
    it."""

    first: int
    last: int
    start_c: float
    hottest_c: float
    late_c: float | None
    elsewhere: bool = False


Chain = list[Run]  # runs that follow each other without a stop


class Climb(NamedTuple):
    """A climb over runs, K, their first pulls, and whether more than one run shows it."""

    kelvin: float
    pulls: tuple[int, ...]
    proven: bool


def chains(
    pulls: Sequence[Pull], measures: Sequence[Measures], standing_heats: float
) -> list[Chain]:
    """The night's runs cut into chains; a run without a start temperature or with a cold engine is
    in none. standing_heats: the most that a second of standing heats the intake, K.

    A run is a pull with the next gears that follow it at once. A run goes on a chain by the hottest
    of the last run, whichever gear that was in."""
    found: list[Chain] = []
    for run in _runs(pulls, measures):
        last = found[-1][-1] if found else None
        if last is not None and _follows(pulls[last.last], pulls[run.first], last, run, measures):
            elsewhere = _elsewhere(pulls, last, run, measures, standing_heats)
            found[-1].append(run._replace(elsewhere=elsewhere))
        else:
            found.append([run])
    return found


def _runs(pulls: Sequence[Pull], measures: Sequence[Measures]) -> list[Run]:
    parts: list[list[int]] = []
    for i in range(len(pulls)):
        if parts and _same_run(pulls[parts[-1][-1]], pulls[i]):
            parts[-1].append(i)
        else:
            parts.append([i])
    out = []
    for part in parts:
        first = measures[part[0]]
        start, coolant = first.get("intake_start_c"), first.get("coolant_start_c")
        if start is None or (coolant is not None and coolant < WARM_C):
            continue
        hottest, late = (
            max((v for i in part if (v := measures[i].get(name)) is not None), default=None)
            for name in ("intake_peak_c", "intake_late_peak_c")
        )
        out.append(Run(part[0], part[-1], start, hottest or start, late))
    return out


def _same_log(a: Pull, b: Pull) -> bool:
    return (a.log.path, a.log.sha256) == (b.log.path, b.log.sha256)


def _same_run(a: Pull, b: Pull) -> bool:
    """Whether b is only the next gear of a: no pause to cool in."""
    return _same_log(a, b) and b.start_s - a.end_s < SHIFT_S


def _follows(a: Pull, b: Pull, before: Run, after: Run, measures: Sequence[Measures]) -> bool:
    """Whether b comes after a without a stop that would heat the intake by itself."""
    figures = measures[after.first]
    between = figures.get("intake_between_peak_c")
    if before.late_c is None or (figures.get("stood_before_s") or 0.0) > STOOD_S:
        return False
    if between is not None and between > max(before.late_c, after.start_c) + 3.0:
        return False  # hotter than either run: it stood, and the heat goes as the car drives
    return not _same_log(a, b) or b.start_s - a.end_s <= LONGEST_APART_S


def _elsewhere(
    pulls: Sequence[Pull],
    before: Run,
    after: Run,
    measures: Sequence[Measures],
    standing_heats: float,
) -> bool:
    """Did the run begin hotter than the last one can have left it? Then it is no soak of the
    cooler.

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
    by_standing = stood is None or after.start_c - begun <= 1.0 + standing_heats * stood
    if after.start_c > hottest + 1.0 and by_standing:
        return True
    return not same and not _goes_on(measures[before.last], figures, hottest)


def _goes_on(before: Measures, after: Measures, hottest: float) -> bool:
    """Across files the time between is unknown: one that starts hotter than the last has stood."""
    end, first = before.get("intake_log_end_c"), after.get("intake_log_start_c")
    return end is None or first is None or first <= max(end + 2.0, hottest - 1.0)


def _over(chain: Chain) -> Array:
    """over[i, j]: how much hotter run j is than run i, K: the lesser of its start and its hottest.

    A longer run ends hotter, and a pause that was too short starts hotter, but heat that stays does
    both."""
    start, hottest = np.array([(run.start_c, run.hottest_c) for run in chain]).T
    over: Array = np.minimum(start[None, :] - start[:, None], hottest[None, :] - hottest[:, None])
    return over


def stayed(chain: Chain) -> Climb | None:
    """The largest climb that two runs on end have over one before them; None under three runs.

    Heat that a pause lets go is none, and one hot run is not enough."""
    n = len(chain)
    if n < 3:
        return None
    over = _over(chain)
    both = np.minimum(over[:, 1:-1], over[:, 2:])  # run j and the next, j from 1
    both[np.tril_indices(n, -1, n - 2)] = -np.inf  # run i must lie before run j
    first, j = np.unravel_index(int(np.argmax(both)), both.shape)
    runs = tuple(run.first for run in chain[int(first) : int(j) + 3])
    return Climb(float(both[first, j]), runs, proven=True)


def at_last(chain: Chain) -> Climb | None:
    """The largest climb of the last run over one before it: seen once. None under two runs."""
    if len(chain) < 2 or chain[-1].elsewhere:
        return None
    last = _over(chain)[:-1, -1]
    first = int(np.argmax(last))
    return Climb(float(last[first]), (chain[first].first, chain[-1].first), proven=False)


def best_climb(chains_: Sequence[Chain], row: Limit) -> Climb | None:
    """The worst climb of the night.

    What only the last run shows counts from the hold level on: less may be a short pause."""
    every = [c for chain in chains_ for c in (stayed(chain), at_last(chain)) if c is not None]
    holds = {c: row.severity(c.kelvin) in ("hold", "stop") for c in every}
    counts = [c for c in every if c.proven or holds[c]]
    return max(counts or every, key=lambda c: (holds[c], c.proven, c.kelvin), default=None)


def judge_soak(row: Limit, climb: Climb, measures: Sequence[Measures]) -> Judgement:
    """The climb judged. measures: of the runs that show the climb, in order."""
    starts = [f"{figures['intake_start_c']:.1f} °C" for figures in measures]
    if len(starts) > 5:
        starts = [f"{starts[0]} at first", f"{starts[-2]} and {starts[-1]} at last"]
    seen = "two runs on end" if climb.proven else "the last run"
    text = (
        "The intake air had not cooled down again before the next run: they began at "
        f"{', '.join(starts)}, {seen} {climb.kelvin:.1f} K hotter than one before, at the start "
        "and at the hottest"
    )
    taus = [t for figures in measures[:-1] if (t := figures.get("intake_recovery_s")) is not None]
    said = ""
    if taus:
        minutes = max(math.ceil(2.3 * median(taus) / 30.0) / 2.0, 0.5)
        wait = f"Wait about {minutes:g} minute{'s' if minutes > 1 else ''} between pulls"
        said = f"{wait}: by then nine tenths of the heat are gone"
    return judge_figure(row, climb.kelvin, text, "intake_air_temp", said=said)
