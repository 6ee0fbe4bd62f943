"""When a chart of scores says that a measure has shifted, since when, and whether it still has."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from audit.archive.trend.charts import cusum, step_at
from audit.archive.watched import Watched, chart_settings
from audit.model import Array
from audit.signal.arrays import finite, mean, median_sorted

BACK_NIGHTS = 4  # this many nights with a mean score under BACK_SCORE end an alarm
BACK_SCORE = 1.0
LATE_NIGHTS = 3  # what is told 'of late' is told from
LATE_SHARE = 1.3
LEAST_PARTS = 2
SIGN = {"up": 1.0, "down": -1.0}

Worth = Callable[[int, int, str], bool]  # (first night, last night, side)


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift of level. onset, raised, ended: indices of nights (ended None while it stands).

    side: 'up' or 'down'. amount: mean of what was observed over what was expected from the onset
    until it was back, in the measure's unit. which: 'quick' or 'slow', the sum that found it.
    """

    side: str
    onset: int
    raised: int
    ended: int | None
    amount: float
    which: str


def find_shifts(
    score: Array, residual: Array, measure: Watched, *, worth: Worth, first: int
) -> list[Shift]:
    """All alarms in the order of the nights, each as it was seen by the night itself.

    score: normal scores a night; residual: the same in the measure's unit; first: index of the
    first night that counts. An alarm is raised on a night when a sum of the measure's bad sides is
    over its interval and what was seen since the sum left 0 is `worth` a word; it stands until
    BACK_NIGHTS nights have a mean score under BACK_SCORE on its side. It began where one step fits
    best, from where the sum left 0 on.
    """
    found: list[Shift] = []
    clip = chart_settings()["clip"]
    charted, start = np.clip(score, -clip, clip), first
    while raised := _raised(charted, start, measure, worth):
        side, which, onset, night = raised
        recent = np.convolve(SIGN[side] * score[night:], np.ones(BACK_NIGHTS) / BACK_NIGHTS)
        back = np.flatnonzero(recent[BACK_NIGHTS - 1 : len(score) - night] < BACK_SCORE)
        ended = night + BACK_NIGHTS - 1 + int(back[0]) if back.size else None
        since = start - BACK_NIGHTS if found else 0  # what was back is no part of the last shift
        seen = charted[since : night + BACK_NIGHTS]
        onset = since + step_at(seen, max(onset - since, 1), night - since)
        stop = len(score) if ended is None else max(ended - BACK_NIGHTS + 1, onset + 1)
        found.append(Shift(side, onset, night, ended, float(np.mean(residual[onset:stop])), which))
        if ended is None:
            break
        start = ended + 1
    return found


def _raised(
    charted: Array, start: int, measure: Watched, worth: Worth
) -> tuple[str, str, int, int] | None:
    """(side, which sum, its first night after it was last 0, the night) of the first alarm."""
    sums = [
        (side, which, h, cusum(SIGN[side] * charted[start:], k=k, most=2.0 * h))
        for which, (k, h) in measure.sums.items()
        for side in measure.sides
    ]
    over = np.array([values > h for _, _, h, values in sums])
    for night, i in np.argwhere(over.T):
        side, which, _, values = sums[i]
        zero = np.flatnonzero(values[:night] == 0.0)
        onset = start + (int(zero[-1]) + 1 if zero.size else 0)
        if worth(onset, start + int(night), side):
            return side, which, onset, start + int(night)
    return None


def worth_of(shares: Array, *, share: float = 1.0, least: float = 1.0) -> Worth:
    """Worth a word: shifts of a mean of `share`, the second largest (of one measure its own) at
    least `least`; or a fault that grows past that.

    shares: residuals of each part over what matters, (parts, nights), NaN for none. Of a fault that
    grows, the mean since it began is far behind what it is now: there the middle of the last
    LATE_NIGHTS nights counts, if it is LATE_SHARE times as much.
    """
    place = min(LEAST_PARTS, len(shares)) - 1

    def enough(parts: Array, middle: Callable[[Array], float], times: float) -> bool:
        known = sorted((middle(v) for part in parts if (v := finite(part)).size), reverse=True)
        if len(known) <= place:
            return False
        return sum(known) >= times * share * len(known) and known[place] >= times * least

    def worth(zero: int, night: int, side: str) -> bool:
        seen = SIGN[side] * shares[:, zero : night + 1]
        late = seen[:, -LATE_NIGHTS:]
        return enough(late, median_sorted, LATE_SHARE) or enough(seen, mean, 1.0)

    return worth
