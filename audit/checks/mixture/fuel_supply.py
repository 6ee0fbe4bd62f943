"""fuel_supply: does fuel pressure follow the manifold, and have the injectors time left?

Does not see: fuel flow where neither pressure nor injection time is logged; a pressure sensor
before the filter.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np

from audit.checks.kit.base import (
    Across,
    Judged,
    LimitTable,
    Measured,
    gathered,
    judge_figure,
    judge_these,
)
from audit.checks.mixture.fuel_rail import Rail, read_rail
from audit.declared import declared
from audit.model import EMPTY, Limit, Measures, Pull, Series
from audit.signal.held import Held, held_above
from audit.units import injector_duty_pct

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

HELD_S = 0.06  # and two samples: duty climbs to the lift, so that its highest is its last
IMPOSSIBLE_PCT = 130.0  # above it the pulse is not of one shot every two turns
STEADY_LAST = 3  # pulls that the growth of the fall is read from


def measure(pull: Pull, limits: LimitTable) -> Measured:  # noqa: ARG001 - the shape of every check
    """Fall of fuel pressure, %; lowest differential, kPa; highest injector duty, %."""
    sheet = Measured({"injector_duty_limit_pct": pull.car.injector_duty_limit_pct})
    rail = read_rail(pull)
    if rail is not None:
        _put_rail(rail, sheet)
    duty, source = injector_duty(pull)
    top = held_above(duty.t, duty.value, HELD_S) if len(duty.t) >= 2 else None
    if top is not None and top.level <= IMPOSSIBLE_PCT:
        own = pull.car.injector_duty_limit_pct
        said = "" if own is None else f"The hold limit is the car file's, {own:g} %"
        text = f"Injector duty {source} reached {top.level:.0f} %"
        sheet.put("injector_duty_max_pct", top.level, text, at=top, said=said)
    judged = set(sheet.values) - {"fuel_differential_min_kpa", "injector_duty_limit_pct"}
    channels = dict.fromkeys(sheet.values, "fuel_pressure")
    by = "injector_pulse_width" if "pulse" in source else "injector_duty"
    channels["injector_duty_max_pct"] = by
    unable = None if judged else ("not_believed" if top else "too_short", _why(top, rail, source))
    return sheet.of(channels, unable=unable)


def _why(top: Held | None, rail: Rail | None, source: str) -> str:
    if top is not None:
        comes = f"injector duty {source} comes to {top.level:.0f} %, which cannot be"
        return f"{comes}: check the unit of the pulse width"
    if rail is not None:
        wanting = "fuel pressure off load is not in the log"
        return f"{wanting}, so there is nothing to compare the pull with"
    return "too few believed samples of fuel pressure or injection time in the pull"


def _put_rail(rail: Rail, sheet: Measured) -> None:
    if rail.least_differential_kpa is not None:
        sheet.put("fuel_differential_min_kpa", rail.least_differential_kpa)
    if not np.isfinite(rail.off_load_kpa):
        return
    referenced, direct = rail.kind == "referenced", rail.kind == "direct"
    name = "direct_rail_drop_pct" if direct else "fuel_pressure_drop_pct"
    what = "Fuel pressure over manifold pressure" if referenced else "Fuel rail pressure"
    base = "its level earlier in the pull" if direct else "its level off load"
    text = (
        f"{what} fell from {base}, {rail.off_load_kpa:.0f} kPa, to {rail.lowest.level:.0f} kPa: "
        f"{rail.drop_pct:.0f} %"
    )
    sheet.put(name, rail.drop_pct, text, at=rail.lowest, said=_taken_for(rail))


def _taken_for(rail: Rail) -> str:
    """What kind of rail was assumed, where that matters."""
    if rail.kind == "constant":
        off_load = "off load it does not follow the manifold"
        told = off_load if rail.sure else "under boost it reads as it does off load"
        return f"The rail is taken for one of constant pressure, because {told}"
    if rail.kind == "referenced" and not rail.sure:
        return "The regulator is taken to follow the manifold; the log does not show it off load"
    return ""


def injector_duty(pull: Pull) -> tuple[Series, str]:
    """Duty, %, and its source: as logged, else pulse × speed / 1200 (a shot every two turns)."""
    duty, pulse = pull.believed("injector_duty"), pull.believed("injector_pulse_width")
    rpm = pull.believed("engine_speed", lead_s=1.0, tail_s=0.5)
    if len(duty.t) >= 2:
        return duty, "as logged"
    if len(pulse.t) < 2 or len(rpm.t) < 2:
        return EMPTY, "as logged"
    value = pulse.value * rpm.at(pulse.t, max_gap_s=1.0) * injector_duty_pct(1.0, 1.0)
    good = np.isfinite(value)
    return Series(pulse.t[good], value[good]), "from pulse width and engine speed"


def judge(measured: Measured, limits: LimitTable) -> Judged:
    """By the table's rows; the car file's duty limit takes the place of the hold level."""
    row = limits.row("fuel.injector_limit", "injector_duty_max_pct")
    own = measured.values.get("injector_duty_limit_pct")
    duty = row if own is None else _moved(row, own)
    return judge_these((*limits.rows("fuel.pressure_drop"), duty), measured)


def _moved(row: Limit, hold: float) -> Limit:
    """The row with its hold level at the car's limit: watch as far below it, stop not below it."""
    if row.watch is None or row.hold is None or row.stop is None:
        return dataclasses.replace(row, hold=hold)
    step, stop = row.hold - row.watch, max(row.stop, hold + 3.0)
    best = min(row.best, hold - 2 * step)
    return dataclasses.replace(row, hold=hold, watch=hold - step, stop=stop, best=best)


def across(pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable) -> Across:  # noqa: ARG001 - as above
    """fuel.pressure_drop over the night: the fall grows in each of the last pulls."""
    # A pressure above its off-load level has not fallen: it counts as none.
    drops = [
        (i, max(float(d), 0.0))
        for i, m in enumerate(measures)
        if (d := m.get("fuel_pressure_drop_pct")) is not None
    ]
    if len(drops) < STEADY_LAST:
        return Across(unable=("too_short", "fewer than three pulls with fuel pressure to compare"))
    index, values = zip(*_longest_growth(drops), strict=True)
    growth = values[-1] - values[0] if len(values) >= STEADY_LAST else 0.0
    falls = ", ".join(f"{v:.0f} %" for v in values)
    text = (
        f"Fuel pressure fell further in each of {len(values)} pulls on end: by {falls} of its "
        f"level off load; {growth:.0f} % more"
    )
    row = limits.row("fuel.pressure_drop", "fuel_pressure_growth_pct")
    return gathered([(judge_figure(row, growth, text, "fuel_pressure"), tuple(index))], "")


def _longest_growth(drops: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """The run of pulls with ever larger falls that grows the most; a step under 0.3 % is none."""
    best, run = drops[:1], drops[:1]
    for pair in drops[1:]:
        run = [*run, pair] if pair[1] > run[-1][1] + 0.3 else [pair]
        longer = len(best) < STEADY_LAST or run[-1][1] - run[0][1] > best[-1][1] - best[0][1]
        if len(run) >= STEADY_LAST and longer:
            best = run
    return best
