"""heat_soak: was the charge too hot, did it recover between pulls, and was the engine neither cold
nor overheating?

Does not see: the true peak of the charge where the sensor is slow (it lags a ramp by its time
constant).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from audit.checks.engine.pace import rpm_rate
from audit.checks.heat.charge import compressor_outlet_c, cooler_effectiveness
from audit.checks.heat.soak import best_climb, chains, judge_soak
from audit.checks.heat.soak_figures import put_soak_figures
from audit.checks.kit.base import (
    Across,
    Judged,
    LimitTable,
    Measured,
    by_rows,
    gathered,
    judge_figure,
    passed,
)
from audit.declared import declared
from audit.model import Car, Log, Measures, Pull, Sanity, Series, believed_series
from audit.signal.arrays import median_sorted, quantile
from audit.signal.held import held_above, without_singles

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

LEAD_S = 4.0
WARM_COOLANT_C = 80.0  # below it a climbing coolant is an engine still warming up
RUNNING_RPM = 400.0
HOLE_S = 30.0  # coolant unseen for longer may have been anything
CHANNEL = {"intake": "intake_air_temp", "coolant": "coolant_temp", "oil": "oil_temp"}


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """Charge, coolant, oil and exhaust temperatures of the pull, °C; differences K."""
    sheet = Measured({"rpm_rate_rpm_per_s": rpm_rate(pull)})
    _intake(pull, sheet)
    _coolant(pull, sheet)
    if (oil := _span(pull, "oil_temp")) is not None:
        text = f"The pull began with the oil at {oil.start:.1f} °C"
        sheet.put("oil_start_c", oil.start, text)
    kinds = {name: name.split("_")[0] for name in sheet.values}
    channels = {name: CHANNEL[kind] for name, kind in kinds.items() if kind in CHANNEL}
    why = "intake air temperature has no believed sample in the pull"
    seen = "intake_peak_c" in sheet.values
    return sheet.of(channels, unable=None if seen else ("too_short", why))


judge = by_rows(CODES)


class _Course(NamedTuple):
    """A temperature in a pull: at its start, its highest and when, and its last sample, s."""

    start: float
    peak: float
    top_s: float
    end_s: float


def _span(pull: Pull, name: str) -> _Course | None:
    """The course of a temperature, lone samples apart; None without samples."""
    wide = pull.believed(name, lead_s=LEAD_S, tail_s=2.0)
    calm = Series(wide.t, without_singles(wide.value))
    inside = calm.within(pull.start_s, pull.end_s)
    if not inside:
        return None
    before = calm.within(pull.start_s - LEAD_S, pull.start_s).value
    start = float(before[-1]) if len(before) else float(inside.value[0])
    top = int(inside.value.argmax())
    return _Course(start, float(inside.value[top]), float(inside.t[top]), float(inside.t[-1]))


def _intake(pull: Pull, sheet: Measured) -> None:
    air = _span(pull, "intake_air_temp")
    if air is None:
        return
    rise = air.peak - air.start
    late = (
        "It was still climbing at the end and the sensor lags, so the intake air itself was hotter"
    )
    if air.top_s < air.end_s - 0.5 or rise < 3.0:
        late = ""
    ambient = pull.believed("ambient_air_temp", lead_s=30.0)
    outside = ""
    if ambient:
        over = air.peak - median_sorted(ambient.value)
        sheet.put("intake_over_ambient_c", over)
        sheet.put("cooler_effectiveness", _cooler(pull, air.peak, air.peak - over))
        outside = f"That is {over:.0f} K above the outside air. "
    sheet.put("intake_start_c", air.start)
    text = f"The intake air reached {air.peak:.1f} °C"
    said = (outside + late).strip()
    sheet.put("intake_peak_c", air.peak, text, at=(air.top_s, air.end_s), said=said)
    text = f"The intake air heated by {rise:.1f} K in the pull, from {air.start:.1f} °C to"
    at = (pull.start_s, air.top_s)
    sheet.put("intake_rise_c", rise, f"{text} {air.peak:.1f} °C", at=at, said=late)
    put_soak_figures(pull, sheet, air.start, air.peak)


def _cooler(pull: Pull, charge_c: float, outside_c: float) -> float | None:
    """Effectiveness of the charge cooler, by the boost held and a compressor in its good range."""
    boost = pull.believed("boost")
    if len(boost.t) < 3:
        return None
    ratio = 1.0 + max(quantile(boost.value, 0.75), 0.0) / pull.log.barometric.kpa
    return cooler_effectiveness(compressor_outlet_c(outside_c, ratio), charge_c, outside_c)


def _coolant(pull: Pull, sheet: Measured) -> None:
    water = _span(pull, "coolant_temp")
    if water is None:
        return
    start, peak = water.start, water.peak
    sheet.put("coolant_start_c", start, f"The pull began with the coolant at {start:.1f} °C")
    text = f"The coolant reached {peak:.1f} °C in the pull"
    sheet.put("coolant_peak_c", peak, text, at=(water.top_s, water.end_s))
    if start >= WARM_COOLANT_C:
        text = f"The coolant climbed by {peak - start:.1f} K in one pull, to {peak:.1f} °C"
        sheet.put("coolant_rise_c", peak - start, text, at=(pull.start_s, water.top_s))


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """heat.soak: the start and hottest temperatures of runs that follow each other."""
    row = limits.row("heat.soak", "intake_start_climb_c")
    worst = best_climb(chains(pulls, measures, limits.setting("standing_heats_k_per_s")), row)
    if worst is None:
        why = "no two pulls follow each other, so recovery between pulls cannot be seen"
        return gathered([], why)
    score, finding = judge_soak(row, worst, [measures[i] for i in worst.pulls])
    if finding is None and score is not None:
        score = max(score, 71.0)  # seen once, and less than the hold level
    return gathered([((score, finding), worst.pulls)], "")


def whole_log(log: Log, sanity: Sanity, car: Car, limits: LimitTable) -> Judged:  # noqa: ARG001 - as above
    """heat.coolant outside pulls too: over a limit for long while running, a hot start apart."""
    row, hold_s = limits.row("heat.coolant", "coolant_peak_c"), limits.setting("coolant_hold_s")
    coolant, rpm = (
        believed_series(log, sanity, name, 0.0, log.duration_s)
        for name in ("coolant_temp", "engine_speed")
    )
    coolant = _while_running(coolant, rpm, limits.setting("hot_start_s"))
    if _plainly_cool(coolant, row.best, hold_s):
        return Judged(row.score(row.best))
    held = held_above(coolant.t, coolant.value, hold_s, least=3, most_gap_s=HOLE_S)
    if held is None:
        return Judged(None)
    whole, lasted = passed(row, coolant, held)
    came = f"The coolant came to {held.level:.1f} °C with the engine running"
    text = f"{came} and was over for {lasted:.0f} s"
    score, finding = judge_figure(row, held.level, text, "coolant_temp", at=whole)
    return Judged(score, () if finding is None else (finding,))


def _plainly_cool(coolant: Series, best: float, hold_s: float) -> bool:
    """Never above the best level, and seen for long enough without a hole: no need to look on."""
    t, value = coolant
    if len(t) <= 5 or t[-1] - t[0] <= 2 * hold_s:
        return False
    return bool(value.max() <= best and np.diff(t).max() <= HOLE_S)


def _while_running(coolant: Series, rpm: Series, hot_start_s: float) -> Series:
    """Coolant samples with the engine running, and not just after a start."""
    stopped = np.append(-np.inf, rpm.t[rpm.value < RUNNING_RPM])
    last = stopped[stopped.searchsorted(coolant.t, side="right") - 1]
    keep = coolant.t - last > hot_start_s
    return Series(coolant.t[keep], coolant.value[keep])
