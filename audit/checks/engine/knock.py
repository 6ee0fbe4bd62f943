"""knock: how much timing the engine computer took out, and how many knock events it counted.

Does not see: knock that the engine computer's own sensor misses, or false knock (rattles it takes for knock).
"""

from __future__ import annotations

import weakref

import numpy as np

from audit.checks.kit.base import Judged, LimitTable, Measured, judge_rows
from audit.checks.kit.sheet import Sheet
from audit.model import Array, Log, Pull
from audit.signal.arrays import median_sorted
from audit.signal.held import held_above, without_singles

NAME = "knock"
NEEDS = ("knock_retard|knock_count",)
HELPED_BY = ("knock_level", "intake_air_temp", "ignition_timing")
LEAST_RATE_HZ = 2.0
CODES = ("knock.retard", "knock.count")

HELD_S = 0.1
LEAD_S = 4.0
WRAPS = (256, 65536)
SMALL_STEP = 40  # a counter that wraps has stepped on by less than this


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """Retard over its constant offset, °; events counted in the pull."""
    sheet = Sheet()
    _retard(pull, sheet)
    _count(pull, sheet)
    channels = {"knock_retard_max_deg": "knock_retard", "knock_count_rise": "knock_count"}
    unable = (
        None
        if sheet.values
        else ("too_short", "too few believed samples of knock retard or knock count in the pull")
    )
    return sheet.measured(channels, unable=unable)


def judge(measured: Measured, limits: LimitTable) -> Judged:
    """By the table's rows."""
    return judge_rows(CODES, measured, limits)


def _retard(pull: Pull, sheet: Sheet) -> None:
    series = pull.believed("knock_retard")
    if len(series.t) < 2:
        return
    sign = _sign(pull.log)
    value = sign * series.value
    offset = _offset(pull, sign, value)
    held = held_above(series.t, value - offset, HELD_S)
    if held is None:
        return
    notes = ["The log counts retard as negative"] if sign < 0 else []
    notes += (
        [f"A constant offset of {offset:.1f} °, there off load too, is not counted"]
        if offset
        else []
    )
    sheet.put(
        "knock_retard_max_deg",
        max(held.level, 0.0),
        f"The engine computer took {held.level:.1f} ° of timing out",
        at=(held.start_s, held.end_s),
        said=". ".join(notes),
    )


_signs: weakref.WeakKeyDictionary[Log, float] = weakref.WeakKeyDictionary()


def _sign(log: Log) -> float:
    """-1 where the whole log has retard only below 0, else 1; read once a log."""
    if log not in _signs:
        everything = log.values("knock_retard")
        finite = everything[np.isfinite(everything)]
        _signs[log] = (
            -1.0 if len(finite) and finite.max() <= 0.25 and finite.min() <= -0.75 else 1.0
        )
    return _signs[log]


def _offset(pull: Pull, sign: float, value: Array) -> float:
    """A learned offset: retard that stood still off load before the pull and that the pull starts from; else 0."""
    early = pull.believed("knock_retard", lead_s=LEAD_S)
    before = sign * early.value[early.t < pull.start_s - 0.05]
    if len(before) < 4 or before.max() - before.min() > 0.5:
        return 0.0
    level = median_sorted(before)
    return level if level > 0.5 and value.min() >= level - 0.5 else 0.0


def _count(pull: Pull, sheet: Sheet) -> None:
    series = pull.believed("knock_count", lead_s=1.0)
    if len(series.t) < 3:
        return
    calm = without_singles(np.round(series.value))
    steps = calm[1:] - calm[:-1]
    if (steps < 0).sum() > max(1, 0.3 * (steps > 0).sum()):
        return  # not a count that adds up
    rises = _risen(calm[:-1], calm[1:])
    inside = series.t[1:] >= pull.start_s
    rise = float(rises[inside].sum())
    hit = series.t[1:][inside & (rises > 0)]
    sheet.put(
        "knock_count_rise",
        rise,
        f"{rise:.0f} knock events were counted in the pull",
        at=(float(hit[0]), float(hit[-1])) if hit.size else None,
    )


def _risen(before: Array, after: Array) -> Array:
    """Events between neighbouring readings; a wrapped counter steps on, a reset one starts again from 0."""
    rises = after - before
    for top in WRAPS:
        wrapped = (rises < 0) & (before < top) & (after + top - before <= SMALL_STEP)
        rises = np.where(wrapped, after + top - before, rises)
    reset = rises < 0
    return np.where(reset, np.where(after <= SMALL_STEP, after, 0.0), rises)
