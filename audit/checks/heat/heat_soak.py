"""heat_soak: was the charge too hot, did it recover between pulls, and was the engine neither cold
nor overheating?

Does not see: the true peak of the charge where the sensor is slow (it lags a ramp by its time
constant).
"""

from __future__ import annotations

from collections.abc import Sequence

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
)
from audit.declared import declared
from audit.model import Car, Log, Measures, Pull, Sanity, Series, believed_series
from audit.signal.arrays import interval_of, median_sorted, quantile
from audit.signal.held import held_above, spread, without_singles

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

LEAD_S = 4.0
WARM_COOLANT_C = 80.0  # below it a climbing coolant is an engine still warming up
RUNNING_RPM = 400.0
HOLE_S = 30.0  # coolant unseen for longer may have been anything
CHANNEL = {
    "intake": "intake_air_temp",
    "coolant": "coolant_temp",
    "oil": "oil_temp",
}


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """Charge, coolant, oil and exhaust temperatures of the pull, °C; differences K."""
    sheet = Measured({"rpm_rate_rpm_per_s": rpm_rate(pull)})
    _intake(pull, sheet)
    _coolant(pull, sheet)
    if (oil := _span(pull, "oil_temp")) is not None:
        sheet.put("oil_start_c", oil[0], f"The pull began with the oil at {oil[0]:.1f} °C")
    channels = {
        name: CHANNEL[name.split("_")[0]] for name in sheet.values if name.split("_")[0] in CHANNEL
    }
    unable = (
        None
        if "intake_peak_c" in sheet.values
        else ("too_short", "intake air temperature has no believed sample in the pull")
    )
    return sheet.of(channels, unable=unable)


judge = by_rows(CODES)


def _span(pull: Pull, name: str) -> tuple[float, float, float, float] | None:
    """Start and highest value, and when the highest began and ended, lone samples apart; None
    without samples.
    """
    wide = pull.believed(name, lead_s=LEAD_S, tail_s=2.0)
    if not len(wide.t):
        return None
    calm = Series(wide.t, without_singles(wide.value))
    inside = calm.within(pull.start_s, pull.end_s)
    if not len(inside.t):
        return None
    before = calm.within(pull.start_s - LEAD_S, pull.start_s)
    start = float(before.value[-1]) if len(before.t) else float(inside.value[0])
    top = int(inside.value.argmax())
    return start, float(inside.value[top]), float(inside.t[top]), float(inside.t[-1])


def _intake(pull: Pull, sheet: Measured) -> None:
    found = _span(pull, "intake_air_temp")
    if found is None:
        return
    start, peak, top_s, end_s = found
    rise = peak - start
    climbing = top_s >= end_s - 0.5 and rise >= 3.0
    late = (
        "It was still climbing at the end and the sensor lags, so the intake air itself was hotter"
        if climbing
        else ""
    )
    ambient = pull.believed("ambient_air_temp", lead_s=30.0)
    outside = ""
    if len(ambient.t):
        over = peak - median_sorted(ambient.value)
        sheet.put("intake_over_ambient_c", over)
        sheet.values["cooler_effectiveness"] = _cooler(pull, peak, peak - over)
        outside = f"That is {over:.0f} K above the outside air. "
    sheet.put("intake_start_c", start)
    sheet.put(
        "intake_peak_c",
        peak,
        f"The intake air reached {peak:.1f} °C",
        at=(top_s, end_s),
        said=(outside + late).strip(),
    )
    sheet.put(
        "intake_rise_c",
        rise,
        f"The intake air heated by {rise:.1f} K in the pull, from {start:.1f} °C to {peak:.1f} °C",
        at=(pull.start_s, top_s),
        said=late,
    )
    put_soak_figures(pull, sheet, start, peak)


def _cooler(pull: Pull, charge_c: float, outside_c: float) -> float | None:
    """Effectiveness of the charge cooler in the pull, from the boost held and a compressor in its
    good range.
    """
    boost = pull.believed("boost")
    if len(boost.t) < 3:
        return None
    ambient_kpa = pull.log.barometric.kpa
    ratio = 1.0 + max(quantile(boost.value, 0.75), 0.0) / ambient_kpa
    return cooler_effectiveness(compressor_outlet_c(outside_c, ratio), charge_c, outside_c)


def _coolant(pull: Pull, sheet: Measured) -> None:
    found = _span(pull, "coolant_temp")
    if found is None:
        return
    start, peak, top_s, end_s = found
    sheet.put("coolant_start_c", start, f"The pull began with the coolant at {start:.1f} °C")
    sheet.put(
        "coolant_peak_c", peak, f"The coolant reached {peak:.1f} °C in the pull", at=(top_s, end_s)
    )
    if start >= WARM_COOLANT_C:
        sheet.put(
            "coolant_rise_c",
            peak - start,
            f"The coolant climbed by {peak - start:.1f} K in one pull, to {peak:.1f} °C",
            at=(pull.start_s, top_s),
        )


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:
    """heat.soak: the start and hottest temperatures of runs that follow each other."""
    row = limits.row("heat.soak", "intake_start_climb_c")
    worst = best_climb(chains(pulls, measures), row)
    if worst is None:
        return gathered(
            [], "no two pulls follow each other, so recovery between pulls cannot be seen"
        )
    value, index, proven = worst
    score, finding = judge_soak(row, value, [measures[i] for i in index], proven=proven)
    if finding is None and score is not None:
        score = max(score, 71.0)  # seen once, and less than the hold level
    return gathered([((score, finding), index)], "")


def whole_log(log: Log, sanity: Sanity, car: Car, limits: LimitTable) -> Judged:  # noqa: ARG001 - as above
    """heat.coolant outside pulls too: over a limit for long while the engine runs, a hot restart
    apart.
    """
    coolant = believed_series(log, sanity, "coolant_temp", 0.0, log.duration_s)
    coolant = _while_running(
        coolant, believed_series(log, sanity, "engine_speed", 0.0, log.duration_s), limits
    )
    row = limits.row("heat.coolant", "coolant_peak_c")
    if _plainly_cool(coolant, row.best, limits.setting("coolant_hold_s")):
        return Judged(row.score(row.best))
    held = held_above(
        coolant.t, coolant.value, limits.setting("coolant_hold_s"), least=3, most_gap_s=HOLE_S
    )
    if held is None:
        return Judged(None)
    level = row.reached(held.level)
    whole = held if level is None else spread(coolant.t, coolant.value, level, held)
    lasted = whole.end_s - whole.start_s + interval_of(coolant.t)
    text = (
        f"The coolant came to {held.level:.1f} °C with the engine running and was over for "
        f"{lasted:.0f} s"
    )
    score, finding = judge_figure(row, held.level, text, "coolant_temp", at=whole)
    return Judged(score, () if finding is None else (finding,))


def _plainly_cool(coolant: Series, best: float, hold_s: float) -> bool:
    """Never above the best level, and seen for long enough without a hole: no need to look for the
    level held.
    """
    t, value = coolant
    return (
        len(t) > 5
        and t[-1] - t[0] > 2 * hold_s
        and bool(value.max() <= best)
        and bool((t[1:] - t[:-1]).max() <= HOLE_S)
    )


def _while_running(coolant: Series, rpm: Series, limits: LimitTable) -> Series:
    """Coolant samples with the engine running, and not just after a start."""
    if not len(rpm.t) or not len(coolant.t):
        return coolant
    stopped = rpm.t[rpm.value < RUNNING_RPM]
    if not stopped.size:
        return coolant
    last = stopped.searchsorted(coolant.t, side="right") - 1
    since = np.where(last >= 0, coolant.t - stopped[np.maximum(last, 0)], np.inf)
    keep = since > limits.setting("hot_start_s")
    return Series(coolant.t[keep], coolant.value[keep])
