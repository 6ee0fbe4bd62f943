"""A Response as plain data for JSON and the reports; every number finite, what is unknown None."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np

from audit.archive.step.projected import lines_of, not_projected
from audit.archive.step.response import GearResponse, Response
from audit.archive.step.step import Step
from audit.archive.step.valve import Level
from audit.archive.trend.air_density import (
    REFERENCE_PRESSURE_KPA,
    REFERENCE_TEMPERATURE_C,
    at_reference,
)

CURVE_EVERY_PCT = 5


def document_of(response: Response) -> dict[str, Any]:
    """The document 'pullaudit.response', version 1. Pressures kPa (boost gauge), duty %."""
    from audit import __version__

    found = response.evidence
    silent = not_projected(lines_of(found.rows, response.car)) if found.n else ()
    return {
        "document": "pullaudit.response",
        "version": 1,
        "tool": __version__,
        "car": response.car.name,
        "setting": response.setting or None,
        "nights": response.nights,
        "pulls": found.n,
        "us_units": response.us_units,
        "since": found.since or None,
        "because": found.because or None,
        "left_out": found.left_out,
        "air": {
            "relative_density": number(response.air.relative, 4),
            "barometric_kpa": number(response.air.barometric_kpa),
        },
        "reference_air": {"kpa": REFERENCE_PRESSURE_KPA, "celsius": REFERENCE_TEMPERATURE_C},
        "not_projected": list(silent),
        "notes": list(response.notes),
        "main_gear": response.main or None,
        "next": step_of(response.step),
        "decision": None if response.decision is None else response.decision.plain(),
        "gears": [_gear(gear, response) for gear in response.gears],
    }


def number(value: float | None, digits: int = 2) -> float | None:
    """Rounded, None for what is unknown or not finite."""
    return round(float(value), digits) if value is not None and math.isfinite(value) else None


def step_of(step: Step) -> dict[str, Any]:
    """The next step, or why there is none."""
    pct, kpa = ("duty", "from_duty"), ("expected", "low", "high", "peak", "limit", "target")
    ends = zip(("low", "median", "high"), map(number, step.target_duty), strict=True)
    return {
        "action": step.action,
        "gear": step.gear or None,
        **{f"{name}_pct": number(getattr(step, name)) for name in pct},
        **{f"{name}_kpa": number(getattr(step, name)) for name in kpa},
        "target_duty_pct": dict(ends),
        "binds": step.binds or None,
        "sentence": step.sentence,
        "log_next": step.log_next or None,
    }


def _gear(gear: GearResponse, response: Response) -> dict[str, Any]:
    wanted = None
    if gear.wanted is not None:
        named = ("target_kpa", "duty_low_pct", "duty_pct", "duty_high_pct")
        *figures, how = gear.wanted
        wanted = {**dict(zip(named, map(number, figures), strict=True)), "known": how}
    valve, over = gear.valve, gear.overshoot
    seen = {"worst_kpa": number(over.worst_kpa), "share": number(over.share, 3), "seen": over.seen}
    return {
        "gear": gear.gear or None,
        "pulls": gear.pulls,
        "points": _points(gear),
        "levels": [_level(level) for level in valve.levels],
        "curve": _curve(gear, response),
        "spring_kpa": _range(gear.spring_kpa),
        "dead_band_pct": _range(valve.dead_band),
        "end_stop_pct": _range(valve.end_stop),
        "hysteresis_kpa": number(valve.hysteresis_kpa),
        "spread_kpa": number(valve.spread_kpa),
        "overshoot": seen if gear.pulls else None,
        "faults": list(valve.faults),
        "remarks": list(valve.said),
        "next": step_of(gear.step),
        "wanted": wanted,
        "traction": {
            f"{n}_kpa": number(getattr(gear, f"{n}_kpa")) for n in ("hooked_up", "slipped")
        },
    }


def _range(values: tuple[float, float, float] | None) -> dict[str, float | None] | None:
    named = ("low", "likely", "high")
    return values and dict(zip(named, map(number, values), strict=True))


def _level(level: Level) -> dict[str, Any]:
    kpa = ("boost", "fitted", "low", "high", "peak", "spread")
    plain = {f"{name}_kpa": number(getattr(level, name)) for name in kpa}
    return {"duty_pct": number(level.duty), **plain, "pulls": level.pulls}


def _points(gear: GearResponse) -> list[dict[str, Any]]:
    power = float(np.sort(gear.curve.power)[len(gear.curve.power) // 2])
    return [
        {
            **{name: row[name] for name in ("date", "night_id", "log_id")},
            "pull": None if row["index"] is None else int(row["index"]),
            "duty_pct": number(row["duty_mean_pct"]),
            **{name: number(row[name]) for name in ("boost_settled_kpa", "boost_peak_kpa")},
            "boost_reference_kpa": number(
                float(at_reference(row["boost_settled_kpa"], row["relative"], power=power))
            ),
        }
        for row in gear.rows.iter_rows(named=True)
    ]


def _curve(gear: GearResponse, response: Response) -> list[dict[str, Any]]:
    """Of the next pull in last night's air, every CURVE_EVERY_PCT up to the valve's end; 'logged'
    inside the data.
    """
    rows, data = [], gear.curve.data
    for duty in range(0, int(min(response.car.duty_max_pct, 100.0)) + 1, CURVE_EVERY_PCT):
        ends = gear.curve.interval(float(duty), relative=response.air.relative)
        low, middle, high = map(number, ends)
        inside = bool(data) and data[0] - 1 <= duty <= data[1] + 1
        row = {"duty_pct": duty, "low_kpa": low, "median_kpa": middle, "high_kpa": high}
        rows.append({**row, "logged": inside})
    return rows


def dumps(document: dict[str, Any]) -> str:
    """The document as JSON text."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
