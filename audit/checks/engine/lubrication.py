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
    """Lowest pressure, kPa gauge, and kPa per 1000 rpm; largest sag below what it had, %."""
    oil, krpm = _with_speed(pull)
    held = stretches(oil.t, HELD_S)
    low = held.below(oil.value)
    if low is None:
        why = "fewer than two believed samples of oil pressure on end in the pull"
        return cannot("too_short", why)
    sheet = Measured()
    warmth = _temperature(pull)
    sheet.put("oil_pressure_min_kpa", low.level)
    top = limits.setting("oil_relief_krpm")
    least = held.below(oil.value / np.minimum(krpm, top))
    if least is not None:
        i = int(np.searchsorted(oil.t, least.start_s))
        cap = f" (counted as {1000 * top:.0f} rpm, above which the relief valve holds it)"
        text = (
            f"Oil pressure was {oil.value[i]:.0f} kPa at {1000 * krpm[i]:.0f} rpm"
            f"{cap if krpm[i] > top else ''}, {least.level:.0f} kPa per 1000 rpm"
        )
        sheet.put("oil_pressure_per_krpm_kpa", least.level, text, at=least, said=warmth)
    _sag(oil, krpm, held, sheet, warmth)
    return sheet.of("oil_pressure")


judge = by_rows(CODES)


def _with_speed(pull: Pull) -> tuple[Series, Array]:
    """Calmed oil pressure and the engine speed that it answers to, 1000 rpm: the lowest of now and
    a moment before."""
    oil = pull.believed("oil_pressure")
    rpm = pull.believed("engine_speed", lead_s=1.0, tail_s=0.2)
    now, late = rpm.at(oil.t, max_gap_s=1.5), rpm.at(oil.t - LAG_S, max_gap_s=1.5)
    krpm = np.where(np.isfinite(late), np.minimum(now, late), now) / 1000
    good = np.isfinite(krpm) & (krpm > 0.5)
    t, value = oil.t[good], oil.value[good]
    return Series(t, smooth(t, without_singles(value), 0.2) if len(t) else value), krpm[good]


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
        fell = f"Oil pressure fell by {held.level:.0f} %, from {top:.0f} kPa"
        text = f"{fell}, though engine speed did not"
        sheet.put("oil_pressure_sag_pct", held.level, text, at=held, said=warmth)


def _temperature(pull: Pull) -> str:
    for name, word in (("oil_temp", "oil"), ("coolant_temp", "coolant")):
        series = pull.believed(name, lead_s=5.0)
        if len(series.t):
            return f"The {word} was at {median_sorted(series.value):.0f} °C"
    return ""
