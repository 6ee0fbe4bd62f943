"""What the measures of a pull are called, in which order they are shown, and in which unit."""

from __future__ import annotations

from dataclasses import dataclass

from audit.model import Measures
from audit.report.display import figure


@dataclass(frozen=True, slots=True)
class Shown:
    """One measure: its name for people, canonical unit and digits."""

    name: str
    label: str
    unit: str
    digits: int = 1


GROUPS: tuple[tuple[str, tuple[Shown, ...]], ...] = (
    (
        "Boost",
        (
            Shown("boost_peak_kpa", "peak", "kPa"),
            Shown("boost_settled_kpa", "settled", "kPa"),
            Shown("boost_target_kpa", "target", "kPa"),
            Shown("boost_overshoot_kpa", "overshoot", "kPa"),
            Shown("boost_rise_s", "rise from 10 to 90 %", "s", 2),
            Shown("spool_rpm", "90 % reached at", "rpm", 0),
            Shown("oscillation_kpa_pp", "swing, peak to peak", "kPa"),
            Shown("duty_mean_pct", "mean solenoid duty", "%", 0),
        ),
    ),
    (
        "Mixture",
        (
            Shown("lambda_mean", "mean lambda under load", "", 2),
            Shown("lambda_max", "leanest lambda under load", "", 2),
            Shown("lean_time_s", "time spent lean", "s", 2),
            Shown("injector_duty_max_pct", "highest injector duty", "%", 0),
            Shown("fuel_differential_min_kpa", "least fuel over manifold pressure", "kPa", 0),
        ),
    ),
    (
        "Heat",
        (
            Shown("intake_start_c", "intake air at the start", "°C", 0),
            Shown("intake_peak_c", "intake air, highest", "°C", 0),
            Shown("intake_rise_c", "intake air, rise", "K", 0),
            Shown("coolant_peak_c", "coolant, highest", "°C", 0),
        ),
    ),
    (
        "Engine",
        (
            Shown("knock_retard_max_deg", "most knock retard", "°"),
            Shown("battery_min_v", "lowest supply voltage", "V"),
            Shown("oil_pressure_min_kpa", "lowest oil pressure", "kPa", 0),
            Shown("rpm_rate_rpm_per_s", "engine speed gain", "rpm/s", 0),
        ),
    ),
)


def groups(measures: Measures, *, us: bool) -> list[tuple[str, list[tuple[str, str]]]]:
    """(group, [(label, figure)]) of what was measured; groups with nothing in them are left out."""
    out = []
    for title, rows in GROUPS:
        found = [
            (row.label, _figure(row, measures, us=us))
            for row in rows
            if measures.get(row.name) is not None
        ]
        if found:
            out.append((title, found))
    return out


def _figure(row: Shown, measures: Measures, *, us: bool) -> str:
    text = figure(measures.get(row.name), row.unit, us=us, digits=row.digits).strip()
    pct = measures.get("boost_overshoot_pct")
    if row.name == "boost_overshoot_kpa" and pct is not None:
        return f"{text} ({pct:.0f} %)"
    return text
