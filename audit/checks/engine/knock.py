"""knock: how much timing the engine computer took out, and how many knock events it counted.

Does not see: knock that the engine computer's own sensor misses, or false knock (rattles it takes
for knock).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.checks.kit.base import (
    Across,
    LimitTable,
    Measured,
    Together,
    by_rows,
    gathered,
    judge_figure,
)
from audit.declared import declared
from audit.model import Array, Measures, Pull
from audit.signal.arrays import median_sorted
from audit.signal.held import held_above, without_singles

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

CHANNELS = {
    "knock_retard_max_deg": "knock_retard",
    "knock_retard_lone_deg": "knock_retard",
    "knock_count_rise": "knock_count",
}
# measure of a pull, measure of what comes again, how it is said
AGAIN = (
    ("knock_retard_max_deg", "knock_retard_repeated_deg", "{:.1f} ° of timing or more taken out"),
    ("knock_count_rise", "knock_count_repeated", "{:.0f} knock events or more counted"),
)
HELD_S = 0.1
LEAD_S = 4.0
WRAPS = (256, 65536)
SMALL_STEP = 40  # a counter that wraps has stepped on by less than this


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """Retard over its offset, °; its highest lone sample, believed or not; events counted."""
    sheet = Measured()
    for figure in (_retard, _count, _lone):
        figure(pull, sheet)
    why = "too few believed samples of knock retard or knock count in the pull"
    seen = sheet.values.keys() - {"knock_retard_lone_deg"}
    return sheet.of(CHANNELS, unable=None if seen else ("too_short", why))


judge = by_rows(CODES)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:  # noqa: ARG001 - the shape of every check
    """What two pulls of the night or more reached: what comes again is no chance."""
    judged: list[Together] = []
    for measure, repeated, says in AGAIN:
        found = [(float(v), i) for i, m in enumerate(measures) if (v := m.get(measure)) is not None]
        if len(found) < 2:
            continue
        twice = sorted(found, reverse=True)[1][0]
        there = tuple(i for value, i in found if value >= twice)
        channel = CHANNELS[measure]
        row = limits.row(channel.replace("_", "."), repeated)
        text = f"{len(there)} pulls had {says.format(twice)}"
        said = "That limit is the one for what comes again"
        judged.append((judge_figure(row, twice, text, channel, said=said), there))
    return gathered(judged, "fewer than two pulls with knock to compare")


def _retard(pull: Pull, sheet: Measured) -> None:
    series = pull.believed("knock_retard")
    if len(series.t) < 2:
        return
    offset = _offset(pull, series.value)
    held = held_above(series.t, series.value - offset, HELD_S)
    if held is None:
        return
    text = f"The engine computer took {held.level:.1f} ° of timing out"
    note = f"A constant offset of {offset:.1f} °, there off load too, is not counted"
    said = note if offset else ""
    sheet.put("knock_retard_max_deg", max(held.level, 0.0), text, at=held, said=said)


def _lone(pull: Pull, sheet: Measured) -> None:
    """The highest sample of all: neither held nor believed it is no evidence against knock."""
    if not pull.log.has("knock_retard"):
        return
    every = pull.log.believed("knock_retard", None).within(pull.start_s, pull.end_s)
    if not len(every.t):
        return
    at, top = max(zip(every.t.tolist(), every.value.tolist(), strict=True), key=lambda s: s[1])
    text = f"A sample of knock retard reads {top:.1f} °: knock or a fault of the channel, "
    sheet.put("knock_retard_lone_deg", top, f"{text}nobody can tell which", at=(at, at))


def _offset(pull: Pull, value: Array) -> float:
    """A learned offset: retard that stood still before the pull and that it starts from; else 0."""
    early = pull.believed("knock_retard", lead_s=LEAD_S)
    before = early.value[early.t < pull.start_s - 0.05]
    if len(before) < 4 or before.max() - before.min() > 0.5:
        return 0.0
    level = median_sorted(before)
    return level if level > 0.5 and value.min() >= level - 0.5 else 0.0


def _count(pull: Pull, sheet: Measured) -> None:
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
    at = (float(hit[0]), float(hit[-1])) if hit.size else None
    sheet.put("knock_count_rise", rise, f"{rise:.0f} knock events were counted in the pull", at=at)


def _risen(before: Array, after: Array) -> Array:
    """Events between readings; a wrapped counter steps on, a reset one starts again from 0."""
    rises = after - before
    for top in WRAPS:
        wrapped = (rises < 0) & (before < top) & (after + top - before <= SMALL_STEP)
        rises = np.where(wrapped, after + top - before, rises)
    return np.where(rises < 0, np.where(after <= SMALL_STEP, after, 0.0), rises)
