"""Every finding of a night by number: its panel, its mark, and its limit on the panel's axis."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import numpy as np

from audit.declared import Measure, all_declared
from audit.model import SEVERITIES, Finding, Limit, Measures, Night, Pull, PullAudit, base_of
from audit.report.display import as_written, figure, overshoot, shown, unit_for
from audit.report.names import short_name
from audit.report.words import Doc, Placed, placed, when
from audit.tables import ChannelRow, limits_for, row_of, toml_table

LEAD_S, TAIL_S = 3.0, 1.5  # drawn before and after a pull
BESIDE_S = 0.3  # around a finding, where what its limit is counted from is read
LEAN_LIMIT = "lean_limit"  # beside the channels: the hold limit of lambda, as it follows boost


def source_of(name: str) -> str:
    """The channel that a drawn series is made of."""
    return {"boost": "manifold_pressure", LEAN_LIMIT: "lambda"}.get(name, name)


def row_shown(name: str) -> ChannelRow:
    """The row by which a drawn series is shown."""
    return row_of(source_of(name))


# Channels of one unit on one pair of axes, by the panel's id, as a packet begins it.
START: Doc = {"id": "", "title": "", "unit": "", "series": [], "tall": False, "always": False}
PANELS: dict[str, Doc] = {
    name: {**START, **row, "id": name, "unit": row_shown(row["channels"][0]).unit}
    for name, row in toml_table("panels.toml")["panel"].items()
}
OF_CHANNEL = {channel: panel["id"] for panel in PANELS.values() for channel in panel["channels"]}
OF_CHANNEL["manifold_pressure"] = "boost"


def channel_name(name: str) -> str:
    """A channel's name for people; the second sensor of a quantity bears its number."""
    base = base_of(name)
    said = toml_table("panels.toml")["called"].get(base) or base.replace("_", " ").capitalize()
    return said if base == name else f"{said} {name.rpartition('_')[2]}"


def panel_of(f: Finding) -> str | None:
    """The panel that a finding belongs in, None for none: that of boost where its check needs it
    first, else that of its channel, else that of what its check needs.
    """
    needs = [n for row in all_declared() if f.code in row.codes for n in row.needs[:1]]
    if "boost" in needs:
        return "boost"
    named = [base_of(f.channel or ""), *(name for need in needs for name in need.split("|"))]
    return next((OF_CHANNEL[n] for n in named if n in OF_CHANNEL), None)


class Numbered(NamedTuple):
    """A finding with its number on the page. pull: the id of the pull it is drawn in, "" for none;
    owner: the id of the part of the page that tells it in full; own: the pulls of its log.
    """

    n: int
    finding: Finding
    where: str
    own: Sequence[PullAudit]
    owner: str
    pull: str

    @property
    def marked(self) -> bool:
        """Has it a pull, a moment and a panel to be marked in?"""
        f = self.finding
        return bool(self.pull) and f.start_s is not None and panel_of(f) is not None


def pull_ids(night: Night) -> list[tuple[str, str, PullAudit]]:
    """(id, file name, pull) of every pull, in page order; ids are 'pull-1', 'pull-2', …"""
    flat = [(short_name(log.path), pull) for log in night.logs for pull in log.pulls]
    return [(f"pull-{i}", name, pull) for i, (name, pull) in enumerate(flat, 1)]


def numbered(night: Night) -> list[Numbered]:
    """All findings: the night's and the logs' first, then pull by pull, worst first in each."""
    pulls = pull_ids(night)

    def rank(one: Placed) -> tuple[bool, int, int]:
        return one.pull is not None, one.n, -SEVERITIES.index(one.finding.severity)

    out = []
    for n, one in enumerate(sorted(placed(night), key=rank), 1):
        f, own = one.finding, one.log.pulls if one.log is not None else ()
        owner = pull = f"pull-{one.n}"
        if one.pull is None:  # drawn in the pull in whose traces it lies
            start, owner = f.start_s, "night"
            spans = [(name, p.pull) for name, _, p in pulls if p in own and start is not None]
            since, until = (start or 0.0) - TAIL_S, end_of(f) + LEAD_S
            pull = next((name for name, p in spans if p.end_s >= since and p.start_s <= until), "")
        out.append(Numbered(n, f, one.where, own, owner, pull))
    return out


def end_of(f: Finding) -> float:
    """When a finding that has a moment ends, s."""
    return f.end_s if f.end_s is not None else f.start_s or 0.0


def marks_of(
    name: str, audit: PullAudit, found: Sequence[Numbered], panels: Iterable[str], *, us: bool
) -> list[dict[str, Any]]:
    """The marks in one pull's traces, in display units; those whose panel is not drawn left out."""
    out, there = [], set[str | None](panels)
    for item in found:
        f = item.finding
        panel = panel_of(f)
        if item.pull != name or f.start_s is None or panel not in there:
            continue
        start = max(f.start_s, audit.pull.start_s - LEAD_S)
        out.append(
            {
                "n": item.n,
                "panel": panel,
                "severity": f.severity,
                "start": round(start, 3),
                "end": round(max(min(end_of(f), audit.pull.end_s + TAIL_S), start), 3),
                "text": said(f, audit.measures, us=us),
                "when": when(f, "at ", " to "),
                "rpm": _at_speed(f, audit),
                "limits": limits_of(f, audit, us=us),
            }
        )
    return out


def said(f: Finding, measures: Measures, *, us: bool) -> str:
    """'boost overshoot 3.0 psi, hold limit 2.0 psi'."""
    limit = "" if f.limit is None else f" limit {amount(f.limit, f, us=us)}"
    return f"{code_said(f)} {value_of(f, measures, us=us)}".rstrip() + f", {f.severity}{limit}"


def code_said(f: Finding) -> str:
    """'boost overshoot'."""
    return f.code.replace(".", " ").replace("_", " ")


def value_of(f: Finding, measures: Measures, *, us: bool) -> str:
    """A finding's figure as everything else on the page shows it."""
    if f.unit == "kPa" and f.code == "boost.overshoot":
        return f"{overshoot(measures, us=us)} {unit_for('kPa', us=us)}"
    return amount(f.value, f, us=us)


def amount(value: float | None, f: Finding, *, us: bool) -> str:
    """A figure of a finding as its sentence writes it, or to the usual digits where it does not."""
    if value is None:
        return ""
    unit = f.unit if f.unit and f.unit != "1" else ""
    small = 3 if abs(value) < 0.2 else 2 if abs(value) < 3 else 1
    return as_written(value, unit, f.message, us=us) or figure(
        value, unit, us=us, digits=1 if unit else small
    )


def _at_speed(f: Finding, audit: PullAudit) -> str:
    """When a finding was, by engine speed, "" where that is not known there."""
    speed = audit.pull.believed("engine_speed")
    if len(speed.t) < 2:
        return ""
    ends = np.array([f.start_s, end_of(f)])
    first, last = speed.at(np.clip(ends, speed.t[0], speed.t[-1]))
    if not np.isfinite([first, last]).all():
        return ""
    return f"at {first:.0f} rpm" if abs(last - first) < 50 else f"{first:.0f} to {last:.0f} rpm"


def level(word: str, value: float, unit: str, *, us: bool, digits: int = 1, **more: str) -> Doc:
    """A level on an axis, in display units, with what it says. more: how it is drawn."""
    text = f"{word} {figure(value, unit, us=us, digits=digits)}"
    return {"y": shown(value, unit, us=us), "text": text, **more}


def limits_of(f: Finding, audit: PullAudit, *, us: bool) -> list[Doc]:
    """The levels of a finding's limit on its panel's axis, in display units, with what they say."""
    unit = PANELS[panel_of(f) or ""]["unit"]
    digits = 1 if unit in ("kPa", "V", "°") else 2 if unit == "1" else 0
    return [
        level(f"{f.severity} limit", at, unit, us=us, digits=digits)
        for at in limit_levels(f, audit.measures, audit.pull)
    ]


def limit_levels(finding: Finding, measures: Measures, pull: Pull) -> list[float]:
    """Levels to draw a line at, in the panel's canonical unit; [] where the limit is none of an
    axis.

    A limit on a difference is laid on what it is a difference to, as its measure declares: the
    settled boost, the target, the start.
    """
    limit, measure = finding.limit, _measure_of(finding, measures, pull)
    if measure is None or limit is None or not measure.line:
        return []
    if measure.line == "itself":
        return [limit]
    how, _, name = measure.line.rpartition(" ")
    base = _base(name, finding, measures, pull)
    if base is None:
        return []
    by = base * limit / 100 if how.startswith("share") else limit
    sides = {"above": (by,), "below": (-by,), "about": (-by / 2, by / 2)}
    return [base + side for side in sides[how.rpartition(" ")[2]]]


def _measure_of(finding: Finding, measures: Measures, pull: Pull) -> Measure | None:
    """The measure that a finding judged: of its code and unit the nearest by figure and limit."""
    rows = [r for r in limits_for(pull.car).rows(finding.code) if r.unit == finding.unit]

    def distance(row: Limit) -> tuple[float, float]:
        value, told = measures.get(row.measure), finding.value
        off = math.inf if value is None or told is None else abs(value - told)
        levels = [row.watch, row.hold, row.stop, *(v for at in row.along.values() for v in at)]
        gaps = [abs(v - (finding.limit or 0.0)) for v in levels if v is not None]
        return off, min(gaps, default=math.inf)

    nearest = min(rows, key=distance, default=None)
    named = {m.name: m for row in all_declared() for m in row.measures}
    return None if nearest is None else named.get(nearest.measure)


def _base(name: str, finding: Finding, measures: Measures, pull: Pull) -> float | None:
    """What a limit is counted from: a measure, a figure of the car, a channel at its moment."""
    if (value := measures.get(name, getattr(pull.car, name, None))) is not None:
        return float(value)
    if not pull.log.has(name):
        return None
    series = pull.believed(name)
    if finding.start_s is not None:
        series = series.within(finding.start_s - BESIDE_S, end_of(finding) + BESIDE_S)
    return float(series.value.mean()) if series else None
