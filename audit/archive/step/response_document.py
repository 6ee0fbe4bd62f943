"""A Response as plain data for JSON and the reports; every number finite, what is unknown None."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from audit.archive.step.air import REFERENCE_PRESSURE_KPA, REFERENCE_TEMPERATURE_C, at_reference
from audit.archive.step.gear import ends
from audit.archive.step.projected import lines_of, not_projected
from audit.archive.step.response import GearResponse, Response
from audit.archive.step.step import Step
from audit.model import Car, Decision

CURVE_EVERY_PCT = 5
RANGE = ("low", "likely", "high")


def document_of(response: Response) -> dict[str, Any]:
    """The document 'pullaudit.response', version 1. Pressures kPa (boost gauge), duty %."""
    air, changed = response.air, response.changed
    silent = not_projected(lines_of(response.rows, response.car)) if response.n else ()
    return {
        **head("response", response.car, response.setting, response.decision),
        "nights": response.nights,
        "pulls": response.n,
        "us_units": response.us_units,
        "since": changed and changed.day,
        "because": (changed and changed.text) or None,
        "left_out": dict(response.left_out),
        "air": {
            "relative_density": number(air.relative, 4),
            "barometric_kpa": number(air.barometric_kpa),
        },
        "reference_air": {"kpa": REFERENCE_PRESSURE_KPA, "celsius": REFERENCE_TEMPERATURE_C},
        "not_projected": list(silent),
        "notes": list(response.notes),
        "main_gear": response.main or None,
        "next": step_of(response.step),
        "gears": [_gear(gear) for gear in response.gears],
    }


def head(name: str, car: Car, setting: str, decision: Decision | None) -> dict[str, Any]:
    """What every document of a car's boost begins with."""
    from audit import __version__

    return {
        "document": f"pullaudit.{name}",
        "version": 1,
        "tool": __version__,
        "car": car.name,
        "setting": setting or None,
        "decision": decision and decision.plain(),
    }


def number(value: float | None, digits: int = 2) -> float | None:
    """Rounded, None for what is unknown or not finite."""
    return round(float(value), digits) if value is not None and math.isfinite(value) else None


def plain(noun: Any, *names: str) -> dict[str, float | None]:
    """Figures of a noun by name and unit: duties in %, all else kPa."""
    units = (f"{name}_{'pct' if 'duty' in name else 'kpa'}" for name in names)
    return {named: number(getattr(noun, name)) for named, name in zip(units, names, strict=True)}


def _named(names: Iterable[str], values: Iterable[float | None] | None) -> dict[str, Any] | None:
    return None if values is None else dict(zip(names, map(number, values), strict=True))


def step_of(step: Step) -> dict[str, Any]:
    """The next step, or why there is none."""
    figures = ("duty", "from_duty", "expected", "low", "high", "peak", "limit", "target")
    return {
        "action": step.action,
        "gear": step.gear or None,
        **plain(step, *figures),
        "target_duty_pct": _named(("low", "median", "high"), step.target_duty),
        "binds": step.binds or None,
        "sentence": step.sentence,
        "log_next": step.log_next or None,
    }


def _gear(gear: GearResponse) -> dict[str, Any]:
    valve, over, wanted = gear.valve, gear.overshoot, gear.wanted
    levels = ("duty", "boost", "fitted", "low", "high", "peak", "spread")
    needs = ("target_kpa", "duty_low_pct", "duty_pct", "duty_high_pct")
    seen = {"worst_kpa": number(over.worst_kpa), "share": number(over.share, 3), "seen": over.seen}
    return {
        "gear": gear.gear or None,
        "pulls": gear.pulls,
        "points": _points(gear),
        "levels": [{**plain(level, *levels), "pulls": level.pulls} for level in valve.levels],
        "curve": _curve(gear),
        "spring_kpa": _named(RANGE, gear.curve.interval(0.0, pull=False)),
        "dead_band_pct": _named(RANGE, valve.dead_band),
        "end_stop_pct": _named(RANGE, valve.end_stop),
        "hysteresis_kpa": number(valve.hysteresis_kpa),
        "spread_kpa": number(valve.spread_kpa),
        "overshoot": seen if gear.pulls else None,
        "faults": list(valve.faults),
        "remarks": list(valve.said),
        "next": step_of(gear.step),
        "wanted": wanted
        and {**dict(zip(needs, map(number, wanted[:4]), strict=True)), "known": wanted[4]},
        "traction": {name: number(boost) for name, boost in gear.traction.items()},
    }


def _points(gear: GearResponse) -> list[dict[str, Any]]:
    power = float(np.sort(gear.curve.power)[len(gear.curve.power) // 2])
    rows = gear.rows.with_columns(
        reference=at_reference(gear.rows["boost_settled_kpa"], gear.rows["relative"], power=power)
    )
    return [
        {
            **{name: row[name] for name in ("date", "night_id", "log_id")},
            "pull": None if row["index"] is None else int(row["index"]),
            "duty_pct": number(row["duty_mean_pct"]),
            **{name: number(row[name]) for name in ("boost_settled_kpa", "boost_peak_kpa")},
            "boost_reference_kpa": number(row["reference"]),
        }
        for row in rows.iter_rows(named=True)
    ]


def _curve(gear: GearResponse) -> list[dict[str, Any]]:
    """Of the next pull in last night's air, every CURVE_EVERY_PCT up to the valve's end; 'logged'
    inside the data.
    """
    data, most = gear.curve.data, int(min(gear.found.car.duty_max_pct, 100.0))
    rows = []
    for duty in range(0, most + 1, CURVE_EVERY_PCT):
        low, middle, high = map(number, ends(gear, float(duty)))
        row = {"duty_pct": duty, "low_kpa": low, "median_kpa": middle, "high_kpa": high}
        rows.append({**row, "logged": bool(data) and data[0] - 1 <= duty <= data[1] + 1})
    return rows


def dumps(document: dict[str, Any]) -> str:
    """The document as JSON text."""
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False)
