"""lubrication: oil pressure against engine speed, and whether it sags in the pull.

The relief valve holds pressure level at high speed: above settings.oil_relief_krpm speed counts no
further. Cold thick oil reads high, which is no finding. Does not see: flow, or what happens between
slow samples.
"""

from __future__ import annotations

import numpy as np

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Array, Pull, Series
from audit.signal.arrays import median_sorted
from audit.signal.held import Stretches, stretches, without_singles
from audit.signal.smoothing import smooth

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.3
LAG_S = 0.4  # a rising speed raises the pressure this late


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """Lowest pressure, kPa gauge; lowest for the speed, kPa per 1000 rpm; largest sag below what it
    had, %.
    """
    oil = pull.believed("oil_pressure")
    krpm = _speed_before(pull, oil.t)
    good = np.isfinite(krpm) & (krpm > 0.5)
    oil, krpm = Series(oil.t[good], _calm(oil.t[good], oil.value[good])), krpm[good]
    held = stretches(oil.t, HELD_S)
    low = held.below(oil.value)
    if low is None:
        return cannot(
            "too_short",
            "fewer than two believed samples of oil pressure on end in the pull",
        )
    sheet = Measured()
    warmth = _temperature(pull)
    sheet.put("oil_pressure_min_kpa", low.level)
    counted = np.minimum(krpm, limits.setting("oil_relief_krpm"))
    least = held.below(oil.value / counted)
    if least is not None:
        i = int(np.searchsorted(oil.t, least.start_s))
        top = limits.setting("oil_relief_krpm")
        cap = (
            f" (counted as {1000 * top:.0f} rpm, above which the relief valve holds it)"
            if krpm[i] > top
            else ""
        )
        sheet.put(
            "oil_pressure_per_krpm_kpa",
            least.level,
            f"Oil pressure was {oil.value[i]:.0f} kPa at {1000 * krpm[i]:.0f} rpm{cap}, "
            f"{least.level:.0f} kPa per "
            "1000 rpm",
            at=(least.start_s, least.end_s),
            said=warmth,
        )
    _sag(oil, krpm, held, sheet, warmth)
    return sheet.of(dict.fromkeys(sheet.values, "oil_pressure"))


judge = by_rows(CODES)


def _calm(t: Array, value: Array) -> Array:
    return smooth(t, without_singles(value), 0.2) if len(t) else value


def _speed_before(pull: Pull, t: Array) -> Array:
    """Engine speed that the pressure answers to, 1000 rpm: the lowest of now and a moment
    before.
    """
    rpm = pull.believed("engine_speed", lead_s=1.0, tail_s=0.2)
    now, late = rpm.at(t, max_gap_s=1.5), rpm.at(t - LAG_S, max_gap_s=1.5)
    return np.where(np.isfinite(late), np.minimum(now, late), now) / 1000


def _sag(oil: Series, krpm: Array, stretch: Stretches, sheet: Measured, warmth: str) -> None:
    """Fall below the pressure that was already held in the pull at no higher engine speed."""
    if len(oil.t) < 4:
        return
    before = np.maximum.accumulate(oil.value)
    slower = krpm >= np.maximum.accumulate(krpm) * 0.97
    sag = np.where(slower, 100.0 * (1.0 - oil.value / np.maximum(before, 1.0)), 0.0)
    held = stretch.above(sag)
    if held is not None:
        top = float(before[np.searchsorted(oil.t, held.start_s)])
        sheet.put(
            "oil_pressure_sag_pct",
            held.level,
            f"Oil pressure fell by {held.level:.0f} %, from {top:.0f} kPa, though engine speed did "
            "not",
            at=(held.start_s, held.end_s),
            said=warmth,
        )


def _temperature(pull: Pull) -> str:
    for name, word in (("oil_temp", "oil"), ("coolant_temp", "coolant")):
        series = pull.believed(name, lead_s=5.0)
        if len(series.t):
            return f"The {word} was at {median_sorted(series.value):.0f} °C"
    return ""
