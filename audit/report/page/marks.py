"""Every finding of a night with its number, its place and the place of its mark."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from audit.model import SEVERITIES, Finding, Measures, Night, PullAudit
from audit.report.display import as_written, figure, overshoot, unit_for
from audit.report.names import short_name
from audit.report.page.limit_lines import limit_levels
from audit.report.page.panels import PANEL, Panel, panel_of, unit_of
from audit.report.page.quantities import shown

LEAD_S, TAIL_S = 3.0, 1.5  # drawn before and after a pull


@dataclass(frozen=True, slots=True)
class Numbered:
    """A finding with its number on the page. where: for people; pull: the id of the pull it is
    drawn in, "" for none; owner: the id of the part of the page that tells it in full.
    """

    n: int
    finding: Finding
    where: str
    owner: str
    pull: str = ""


def pull_ids(night: Night) -> list[tuple[str, str, PullAudit]]:
    """(id, file name, pull) of every pull, in page order; ids are 'pull-1', 'pull-2', … over the
    night.
    """
    flat = [(short_name(log.path), pull) for log in night.logs for pull in log.pulls]
    return [(f"pull-{i}", name, pull) for i, (name, pull) in enumerate(flat, 1)]


def numbered(night: Night) -> list[Numbered]:
    """All findings, those of the whole night and of logs first, then pull by pull, worst first in
    each.
    """
    out: list[Numbered] = []

    def add(findings: Iterable[Finding], where: str, owner: str, place: Any) -> None:
        for f in sorted(findings, key=lambda f: -SEVERITIES.index(f.severity)):
            out.append(Numbered(len(out) + 1, f, where, owner, place(f)))

    add(night.findings, "whole night", "night", lambda _f: "")
    ids = iter(pull_ids(night))
    by_log = [[next(ids) for _ in log.pulls] for log in night.logs]
    for log, pulls in zip(night.logs, by_log, strict=True):
        add(log.findings, short_name(log.path), "night", lambda f, pulls=pulls: _pull_at(f, pulls))
    for pulls in by_log:
        for name, file, pull in pulls:
            add(pull.findings, f"{file}, pull {pull.pull.index}", name, lambda _f, name=name: name)
    return out


def _pull_at(finding: Finding, pulls: Sequence[tuple[str, str, PullAudit]]) -> str:
    """The pull in whose traces a log's finding can be marked, "" for none."""
    if finding.start_s is None:
        return ""
    end = finding.end_s if finding.end_s is not None else finding.start_s
    for name, _, audit in pulls:
        if finding.start_s <= audit.pull.end_s + TAIL_S and end >= audit.pull.start_s - LEAD_S:
            return name
    return ""


def marks_of(
    name: str, audit: PullAudit, found: Sequence[Numbered], panels: Iterable[str], *, us: bool
) -> list[dict[str, Any]]:
    """The marks to draw in one pull's traces, in display units; those whose panel is not drawn are
    left out.
    """
    there = set(panels)
    out = []
    for item in found:
        f = item.finding
        panel = panel_of(f.code, f.channel)
        if item.pull != name or panel not in there or f.start_s is None:
            continue
        start = max(f.start_s, audit.pull.start_s - LEAD_S)
        end = min(f.end_s if f.end_s is not None else f.start_s, audit.pull.end_s + TAIL_S)
        out.append(
            {
                "n": item.n,
                "panel": panel,
                "severity": f.severity,
                "start": round(start, 3),
                "end": round(max(end, start), 3),
                "text": said(f, audit.measures, us=us),
                "when": when(f),
                "rpm": at_speed(f, audit),
                "limits": limits_of(f, audit, PANEL[panel], us=us),
            }
        )
    return out


def said(f: Finding, measures: Measures, *, us: bool) -> str:
    """'boost overshoot 3.0 psi, hold limit 2.0 psi'."""
    parts = [
        f"{code_said(f)} {value_of(f, measures, us=us)}".rstrip(),
        f"{f.severity} limit {amount(f.limit, f, us=us)}" if f.limit is not None else f.severity,
    ]
    return ", ".join(parts)


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
    unit = "" if f.unit in (None, "1") else f.unit
    if told := as_written(value, unit or "", f.message, us=us):
        return told
    small = unit == "" and abs(value) < 3
    return figure(
        value, unit or "", us=us, digits=3 if small and abs(value) < 0.2 else 2 if small else 1
    ).strip()


def when(f: Finding) -> str:
    """'at 141.8 s', or from when to when."""
    if f.start_s is None:
        return ""
    return (
        f"at {f.start_s:.1f} s"
        if f.end_s is None or f.end_s - f.start_s < 0.1
        else f"{f.start_s:.1f} to {f.end_s:.1f} s"
    )


def at_speed(f: Finding, audit: PullAudit) -> str:
    """The same by engine speed, "" where that is not known there."""
    speed = audit.pull.believed("engine_speed")
    if f.start_s is None or len(speed.t) < 2:
        return ""
    ends = [f.start_s, f.end_s if f.end_s is not None else f.start_s]
    first, last = speed.at(np.clip(np.array(ends), speed.t[0], speed.t[-1]))
    if not np.isfinite([first, last]).all():
        return ""
    return f"at {first:.0f} rpm" if abs(last - first) < 50 else f"{first:.0f} to {last:.0f} rpm"


def limits_of(f: Finding, audit: PullAudit, panel: Panel, *, us: bool) -> list[dict[str, Any]]:
    """The levels of a finding's limit on its panel's axis, in display units, with what they say."""
    unit = unit_of(panel)
    digits = 1 if unit in ("kPa", "V", "°") else 2 if unit == "1" else 0
    return [
        {
            "y": shown(level, unit, us=us),
            "text": f"{f.severity} limit {figure(level, unit, us=us, digits=digits)}",
        }
        for level in limit_levels(f, audit.measures, audit.pull)
    ]
