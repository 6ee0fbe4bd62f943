"""What the measures of a pull are called, in which order they are shown, and in which unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from audit.model import Limit, Measures, PullAudit, worst_severity
from audit.report.display import figure, number
from audit.report.page.history import Usual
from audit.tables import Limits, limits_for


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
            Shown("lean_lambda", "leanest lambda that was held", "", 2),
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


@dataclass(frozen=True, slots=True)
class SheetRow:
    """A line of the sheet: figure, flag and limits; usual and last are "" where no archive is at hand."""

    label: str
    value: str
    flag: str
    limits: str
    usual: str
    last: str


def sheet(audit: PullAudit, usual: Usual | None, *, us: bool) -> list[tuple[str, list[SheetRow]]]:
    """(group, rows) of what was measured in a pull; groups with nothing in them are left out."""
    out = []
    table = limits_for(audit.pull.car)
    for title, rows in GROUPS:
        found = [
            _row(row, audit, usual, table, us=us)
            for row in rows
            if audit.measures.get(row.name) is not None
        ]
        if found:
            out.append((title, found))
    return out


def _row(row: Shown, audit: PullAudit, usual: Usual | None, table: Limits, *, us: bool) -> SheetRow:
    limits = table.of_measure(row.name)
    codes = {limit.code for limit in limits}
    flag = worst_severity([f.severity for f in audit.findings if f.code in codes])
    own = usual.ranges.get(row.name) if usual is not None else None
    last = usual.last.get(row.name) if usual is not None else None
    return SheetRow(
        row.label,
        _figure(row, audit.measures, us=us),
        flag or "",
        _limits(row, limits, audit.measures, us=us),
        "" if own is None else " to ".join(_number(row, v, us=us) for v in own),
        "" if last is None else _number(row, last, us=us),
    )


def _number(row: Shown, value: float, *, us: bool) -> str:
    return number(value, row.unit or "1", us=us, digits=row.digits)


def _limits(row: Shown, limits: Sequence[Limit], measures: Measures, *, us: bool) -> str:
    """'hold from 14.0, watch from 7.0', the first row of the measure, at the boost that was held."""
    if not limits:
        return ""
    at = limits[0].when(measures.get("boost_settled_kpa"))
    side = (
        "below" if at.best > (at.watch if at.watch is not None else at.hold or at.best) else "from"
    )
    said = [
        f"{name} {side} {_number(row, level, us=us)}"
        for name, level in (("watch", at.watch), ("hold", at.hold))
        if level is not None
    ]
    return ", ".join(said)


def _figure(row: Shown, measures: Measures, *, us: bool) -> str:
    text = figure(measures.get(row.name), row.unit, us=us, digits=row.digits).strip()
    pct = measures.get("boost_overshoot_pct")
    if row.name == "boost_overshoot_kpa" and pct is not None:
        return f"{text} ({pct:.0f} %)"
    return text
