"""When a chart of scores says that a measure has shifted, since when, and whether it still has."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from audit.archive.trend.changepoint import change_points
from audit.archive.watched import chart_settings
from audit.model import Array

BACK_NIGHTS = 4  # this many nights with a mean score under BACK_SCORE end an alarm
BACK_SCORE = 1.0
NEAR_NIGHTS = 10
LATE_NIGHTS = 3
LATE_SHARE = 1.3
SURE_POINT = 4.0  # times ln(n), score variance 1; the Schwarz criterion has 2


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift of level. onset, raised, ended: indices of nights (ended None while it stands).

    side: 'up' or 'down'. amount: mean of what was observed over what was expected since the onset,
    as known on the last night of the alarm, in the measure's unit. which: 'quick' or 'slow', the
    sum that found it.
    """

    side: str
    onset: int
    raised: int
    ended: int | None
    amount: float
    which: str


@dataclass(frozen=True, slots=True)
class Interval:
    """A cumulative sum's reference value k and decision interval h, in spreads. name: 'quick' or
    'slow'.
    """

    name: str
    k: float
    h: float


Worth = Callable[
    [int, int, str], float | None
]  # (first night, last night, side) -> the shift if it is worth a word


@dataclass(slots=True)
class _Sum:
    """One running sum of one side."""

    side: str
    which: str
    k: float
    h: float
    value: float = 0.0
    zero: int = 0  # first night after the sum was last 0

    def step(self, night: int, score: float) -> bool:
        signed = score if self.side == "up" else -score
        self.value = min(2.0 * self.h, max(0.0, self.value + signed - self.k))
        if self.value == 0.0:
            self.zero = night + 1
        return self.value > self.h

    def clear(self, night: int) -> None:
        self.value, self.zero = 0.0, night + 1


def find_shifts(
    score: Array,
    residual: Array,
    *,
    worth: Worth,
    first: int,
    intervals: Sequence[Interval],
    sides: Sequence[str] = ("up", "down"),
) -> list[Shift]:
    """All alarms in the order of the nights, each as it was seen by the night itself.

    score: normal scores a night; residual: the same in the measure's unit; first: index of the
    first night that counts. An alarm is raised when a sum is over its interval and what was seen
    since the sum left 0 is `worth` a word; it stands until BACK_NIGHTS nights have a mean score
    under BACK_SCORE on its side.
    """
    sums = [_Sum(side, i.name, i.k, i.h, zero=first) for i in intervals for side in sides]
    clip = chart_settings()["clip"]
    clipped = np.clip(score, -clip, clip)
    found: list[Shift] = []
    standing: Shift | None = None
    for night in range(first, len(score)):
        over = [s for s in sums if s.step(night, float(clipped[night]))]
        if standing is not None:
            standing = _go_on(standing, night, score, residual)
            if standing.ended is not None:
                found.append(standing)
                standing = None
                for s in sums:
                    s.clear(night)
            continue
        standing = _raised(over, night, worth)
    return [*found, standing] if standing is not None else found


def both_sums(quick_h: float | None = None) -> tuple[Interval, Interval]:
    """The quick and the slow sum of schemas/trends.toml; quick_h: the decision interval of a
    measure that has its own.
    """
    setting = chart_settings()
    return Interval("quick", setting["quick_k"], quick_h or setting["quick_h"]), Interval(
        "slow", setting["slow_k"], setting["slow_h"]
    )


def mean_over(residual: Array, matters: float) -> Worth:
    """Worth a word: a mean residual of at least `matters` on its side, or a fault that grows past
    it.

    Of a fault that grows, the mean since it began is far behind what it is now: there the middle of
    the last LATE_NIGHTS nights counts, if it is LATE_SHARE times what matters (fewer nights are
    less sure).
    """

    def worth(zero: int, night: int, side: str) -> float | None:
        sign = 1.0 if side == "up" else -1.0
        amount = float(np.mean(residual[zero : night + 1]))
        late = residual[max(zero, night + 1 - LATE_NIGHTS) : night + 1]
        grown = len(late) == LATE_NIGHTS and sign * float(np.median(late)) >= LATE_SHARE * matters
        return amount if sign * amount >= matters or grown else None

    return worth


def _raised(over: list[_Sum], night: int, worth: Worth) -> Shift | None:
    for s in over:
        if (amount := worth(s.zero, night, s.side)) is not None:
            return Shift(s.side, s.zero, night, None, amount, s.which)
    return None


def placed(shift: Shift, score: Array, residual: Array, *, first: int) -> Shift:
    """The shift with its onset where the scores change their level, the change point nearest to the
    sum's start.

    Unchanged when there is no change point near it, as for a slow drift.
    """
    end = len(score) if shift.ended is None else shift.ended + 1
    clip = chart_settings()["clip"]
    known = np.clip(score[first:end], -clip, clip)
    points = [
        first + p
        for p in change_points(known, penalty=SURE_POINT * math.log(max(len(known), 2)), least=2)
    ]
    near = [p for p in points if p <= shift.raised and abs(p - shift.onset) <= NEAR_NIGHTS]
    if not near:
        return shift
    onset = min(near, key=lambda p: abs(p - shift.onset))
    stop = end if shift.ended is None else shift.ended - BACK_NIGHTS + 1
    amount = float(np.mean(residual[onset : max(stop, onset + 1)]))
    return dataclasses.replace(shift, onset=onset, amount=amount)


def _go_on(shift: Shift, night: int, score: Array, residual: Array) -> Shift:
    sign = 1.0 if shift.side == "up" else -1.0
    amount = float(np.mean(residual[shift.onset : night + 1]))
    recent = sign * score[max(shift.raised, night - BACK_NIGHTS + 1) : night + 1]
    over = len(recent) >= BACK_NIGHTS and float(np.mean(recent)) < BACK_SCORE
    return Shift(
        shift.side,
        shift.onset,
        shift.raised,
        night if over else None,
        shift.amount if over else amount,
        shift.which,
    )
