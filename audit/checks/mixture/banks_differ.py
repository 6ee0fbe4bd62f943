"""lean_under_load: do two lambda sensors agree under load, two banks or two in one pipe?

Compared at the moment at which they are nearest within a lag of each other, so that an unlike
distance from the engine is no difference. Does not see: both wrong by the same.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from audit.checks.kit.base import LimitTable, Measured, by_rows
from audit.checks.kit.run import plain
from audit.checks.mixture.mixture_window import mixture_window
from audit.declared import declared
from audit.model import Array, Pull, Series
from audit.signal.arrays import median_sorted
from audit.signal.held import held_above, spread
from audit.signal.smoothing import smooth

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

LAGS_S = (-0.2, -0.1, 0.0, 0.1, 0.2)  # how much later one sensor may see the same gas


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """lambda_banks_differ: how far two are apart, held as long as a lean mixture must last."""
    window, for_s = mixture_window(pull, limits), limits.setting("lean_sustained_s")
    sheet = Measured()
    t = window.lam.t
    leaner = "lambda"
    for a, b in combinations(pull.log.sensors("lambda"), 2):
        apart = _apart(pull, a, b, t, for_s)
        good = np.isfinite(apart)
        size = np.abs(apart[good])
        held = held_above(t[good], size, for_s, least=min(2, max(len(t), 1)))
        if held is None or held.level <= (sheet.values.get("lambda_banks_differ") or 0.0):
            continue
        whole = spread(t[good], size, 0.8 * held.level, held)
        here = (t >= whole.start_s) & (t <= whole.end_s) & good
        leaner, other = (a, b) if median_sorted(apart[here]) > 0 else (b, a)
        text = (
            f"{plain(leaner).capitalize()} read {held.level:.3f} leaner than {plain(other)} "
            f"under load for {whole.seconds + window.interval_s:.2f} s"
        )
        sheet.put("lambda_banks_differ", held.level, text, at=whole)
    short = ("too_short", "the two lambda sensors share too little time under load to compare")
    return sheet.of(leaner, unable=None if sheet.values else short)


judge = by_rows(CODES)


def _apart(pull: Pull, a: str, b: str, t: Array, for_s: float) -> Array:
    """First minus second, at the lag of the second at which they are nearest; NaN for neither."""
    first, second = (pull.believed(name, lead_s=0.5, tail_s=0.5) for name in (a, b))
    if len(first.t) < 2 or len(second.t) < 2:
        return np.full(len(t), np.nan)
    first, second = (Series(s.t, smooth(s.t, s.value, for_s / 3)) for s in (first, second))
    at = first.at(t, max_gap_s=1.5)
    every = np.stack([at - second.at(t + lag, max_gap_s=1.5) for lag in LAGS_S])
    size = np.where(np.isfinite(every), np.abs(every), np.inf)
    nearest: Array = every[size.argmin(axis=0), np.arange(len(t))]
    return nearest
