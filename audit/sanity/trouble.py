"""What one test saw in one channel, before it is put into words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.engine import State
from audit.model import Array, Bools
from audit.signal.arrays import median
from audit.signal.spans import runs


@dataclass(frozen=True)
class Trouble:
    """count: events; seconds: time they cover; value: the worst of them; text: the sentence, where
    the test itself can say it better.

    loaded, loaded_s: as count and seconds, of what lies in or at a wide-open stretch; loaded_share:
    of its samples."""

    code: str
    channel: str
    count: int
    seconds: float
    start_s: float
    end_s: float
    value: float | None = None
    limit: float | None = None
    text: str = ""
    times: tuple[float, ...] = ()
    loaded: int = 0
    loaded_s: float = 0.0
    loaded_share: float = 0.0


def trouble_of(
    code: str,
    channel: str,
    t: Array,
    mask: Bools,
    state: State,
    *,
    value: float | None = None,
    limit: float | None = None,
) -> Trouble | None:
    """The trouble of the samples in a mask; None when there are none. t: their times, s."""
    if not mask.any():
        return None
    starts, stops = runs(mask)
    interval = median(np.diff(t)) if len(t) > 1 else 0.0
    inside = state.inside(t)
    hit = inside & mask
    counted = np.concatenate(([0], np.cumsum(hit)))
    return Trouble(
        code,
        channel,
        len(starts),
        float(np.sum(t[stops - 1] - t[starts] + interval)),
        float(t[starts[0]]),
        float(t[stops[-1] - 1]),
        value=value,
        limit=limit,
        times=tuple(float(x) for x in t[starts[:200]]),
        loaded=int((counted[stops] > counted[starts]).sum()),
        loaded_s=float(hit.sum()) * interval,
        loaded_share=float(hit.sum()) / max(float(inside.sum()), 1.0),
    )
