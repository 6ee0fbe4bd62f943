"""The night at 80 columns: verdict and reasons, a line a pull, findings, what was not judged, cautions."""

from __future__ import annotations

import os
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import TextIO

from audit.model import REQUIRED_CHECKS, SEVERITIES, Finding, LogAudit, Night, PullAudit, worst_of
from audit.report.display import figure, localise, number, unit_for
from audit.report.display import overshoot as shown_overshoot
from audit.report.names import visible
from audit.report.words import (
    CAUTIONS,
    afr_factor,
    decision_line,
    headline,
    mended,
    told,
)
from audit.report.words import plain_check as plain

WIDTH = 80
BULLET = "  - "
MOST_MENDED = 3  # notes of one log that are said in full
# Colour never carries the meaning alone: the word stands beside it.
COLOURS = {"clear": "32", "hold": "33", "stop": "31", "watch": "36", "note": "2"}


def print_night(night: Night, out: TextIO | None = None) -> None:
    """Write the report to a text stream (standard output by default)."""
    out = out or sys.stdout
    colour = out.isatty() and not os.environ.get("NO_COLOR")
    text = "\n".join(render(night, colour=colour))
    out.write(text + "\n")


def render(night: Night, *, colour: bool = False) -> list[str]:
    """The report's lines, none wider than 80 columns but for a path that is."""
    lines = [*_verdict(night, colour=colour)]
    for section in (
        _pulls(night),
        _findings(night, colour=colour),
        _not_judged(night),
        _rejected(night),
    ):
        lines += ["", *section] if section else []
    return [*lines, "", *_assumed(night), *_wrapped(CAUTIONS, "")]


def _painted(word: str, text: str, *, colour: bool) -> str:
    return f"\x1b[1;{COLOURS[word]}m{text}\x1b[0m" if colour and word in COLOURS else text


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    rest = " " * len(first) if rest is None else rest
    return textwrap.wrap(
        visible(text), WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False
    ) or [first]


def _verdict(night: Night, *, colour: bool) -> list[str]:
    head = headline(night)
    lines = [
        _painted(night.verdict, head, colour=colour),
        f"{visible(night.car.name)}{_counts(night)}",
    ]
    for reason in night.reasons:
        lines += _wrapped(told(night, reason), BULLET)
    return [*lines, "", *_decision(night)]


def _decision(night: Night) -> list[str]:
    if night.decision is None:
        return []
    us = night.us_units
    lines = _wrapped(decision_line(night.decision.plain(), us=us), "")
    if night.decision.state != "no_step":
        lines += _wrapped(told(night, night.decision.why), BULLET)
    return [*lines, *_wrapped(f"first: {told(night, night.decision.first)}", BULLET)]


def _counts(night: Night) -> str:
    read = sum(a.status == "read" for a in night.logs)
    pulls = sum(len(a.pulls) for a in night.logs)
    return f", {_many(read, 'log')} read, {_many(pulls, 'pull')}"


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _pulls(night: Night) -> list[str]:
    if not any(a.pulls for a in night.logs):
        return [line for a in night.logs if mended(a) for line in (_short(a.path), *_mended(a))]
    us, afr = night.us_units, afr_factor(night)
    head = (
        f"{'pull':>4} {'gear':>4} {'engine rpm':>11} {'boost peak/settled':>18} {'over':>11} {'lambda' if afr is None else 'AFR':>6} "
        f"{'intake':>8}  {'score':>5}"
    )
    pressure, degrees = unit_for("kPa", us=us), unit_for("°C", us=us)
    units = f"{'':>4} {'':>4} {'from-to':>11} {pressure:>18} {pressure + ' (%)':>11} {'max':>6} {degrees:>8}  {'0-100':>5}"
    lines = ["Pulls", head, units]
    for audit in night.logs:
        if audit.pulls or mended(audit):
            lines += [_short(audit.path), *_mended(audit)]
            lines += [_pull(p, us=us, afr=afr or 1.0) for p in audit.pulls]
    if afr is not None:
        lines += _wrapped(f"AFR as the logger gives it: {afr:.1f} is lambda 1.00.", "  ")
    return lines


def _mended(audit: LogAudit) -> list[str]:
    """One line (wrapped) of what was left out or mended."""
    said = mended(audit)
    more = [f"{len(said) - MOST_MENDED} more: see pullaudit channels."]
    text = " ".join(said[:MOST_MENDED] + (more if len(said) > MOST_MENDED else []))
    return _wrapped(text, "  as read: ", "    ") if said else []


def _pull(audit: PullAudit, *, us: bool, afr: float) -> str:
    m, span = audit.measures, audit.pull.span
    boost = f"{number(m.get('boost_peak_kpa'), 'kPa', us=us)} / {number(m.get('boost_settled_kpa'), 'kPa', us=us)}"
    over, pct = m.get("boost_overshoot_kpa"), m.get("boost_overshoot_pct")
    overshoot = (
        "–"
        if over is None
        else f"{shown_overshoot(m, us=us)} ({number(pct, '%', us=us, digits=0)})"
    )
    heat = f"{number(m.get('intake_start_c'), '°C', us=us, digits=0)}-{number(m.get('intake_peak_c'), '°C', us=us, digits=0)}"
    gear = "–" if audit.pull.gear is None else str(audit.pull.gear)
    score = "–" if audit.score is None else f"{audit.score:.0f}"
    return (
        f"{audit.pull.index:>4} {gear:>4} {f'{span.rpm_start:.0f}-{span.rpm_end:.0f}':>11} {boost:>18} {overshoot:>11} "
        f"{_mixture(m.get('lambda_max'), afr):>6} {heat:>8}  {score:>5}{_worst(audit)}"
    )


def _mixture(lam: float | None, afr: float) -> str:
    return number(None if lam is None else lam * afr, "1", us=False, digits=2 if afr == 1.0 else 1)


def _worst(audit: PullAudit) -> str:
    """A mark for a pull whose score hides something: a check that failed or could not be judged."""
    failed = [n for n, c in audit.checks.items() if c.status == "fail"]
    unjudged = [
        n
        for n in REQUIRED_CHECKS
        if n in audit.checks and audit.checks[n].status == "not_evaluated"
    ]
    return " !" if failed else " ?" if unjudged else ""


def _short(path: str) -> str:
    path = visible(path)
    return path if len(path) <= WIDTH else "…" + path[-(WIDTH - 1) :]


def _all_findings(night: Night) -> Iterable[tuple[Finding, str]]:
    for f in night.findings:
        yield f, "whole night"
    for audit in night.logs:
        name = audit.path.replace("\\", "/").rsplit("/", 1)[-1]
        for f in audit.findings:
            yield f, name
        for pull in audit.pulls:
            for f in pull.findings:
                yield f, f"{name}, pull {pull.pull.index}"


def _findings(night: Night, *, colour: bool) -> list[str]:
    groups: dict[tuple[str, str], list[tuple[Finding, str]]] = {}
    for f, where in _all_findings(night):
        groups.setdefault((f.code, f.channel or ""), []).append((f, where))
    if not groups:
        return ["Findings", "  none"]
    lines = ["Findings"]
    for group in sorted(
        groups.values(), key=lambda g: -max(SEVERITIES.index(f.severity) for f, _ in g)
    ):
        lines += _finding_group(night, group, colour=colour)
    return lines


def _finding_group(
    night: Night, group: Sequence[tuple[Finding, str]], *, colour: bool
) -> list[str]:
    """The worst of a code with its evidence; the others of the same code by where and value."""
    us = night.us_units
    ranked = sorted(group, key=lambda pair: -SEVERITIES.index(pair[0].severity))
    worst, where = ranked.pop(worst_of([f for f, _ in ranked]))
    lines = [
        f"  {_painted(worst.severity, worst.severity, colour=colour)} {worst.code} ({visible(where)}{_when(worst)})"
    ]
    lines += _wrapped(told(night, worst.message), "    ")
    if ranked:
        others = "; ".join(
            f"{w} {figure(f.value, f.unit or '', us=us).strip()}" for f, w in ranked[:5]
        )
        more = f"; and {len(ranked) - 5} more" if len(ranked) > 5 else ""
        lines += _wrapped(f"also: {others}{more}", "    ", "      ")
    if worst.likely and worst.severity != "note":
        lines += _wrapped("likely: " + "; ".join(worst.likely), "    ", "      ")
        lines += _wrapped("look at: " + "; ".join(worst.look_at), "    ", "      ")
    return lines


def _when(f: Finding) -> str:
    if f.start_s is None:
        return ""
    return (
        f", {f.start_s:.1f} s"
        if f.end_s is None or f.end_s - f.start_s < 0.1
        else f", {f.start_s:.1f}-{f.end_s:.1f} s"
    )


def _not_judged(night: Night) -> list[str]:
    rows: dict[tuple[str, str], list[str]] = {}
    for audit in night.logs:
        name = audit.path.replace("\\", "/").rsplit("/", 1)[-1]
        for pull in audit.pulls:
            for check, result in pull.checks.items():
                if result.status == "not_evaluated":
                    rows.setdefault((check, result.why), []).append(
                        f"{name} pull {pull.pull.index}"
                    )
    for check, result in night.checks.items():
        if result.status == "not_evaluated" and not any(c == check for c, _ in rows):
            rows[(check, result.why)] = []
    if not rows:
        return []
    lines = ["Not judged"]
    for (check, why), where in rows.items():
        lines += _wrapped(
            f"{plain(check)}: {localise(why, us=night.us_units)}{_where(where, night)}", BULLET
        )
    logs = [a.log for a in night.logs if a.log is not None]
    if logs and not any(log.has("wastegate_duty") for log in logs):
        lines += _wrapped("If you know the solenoid's duty, say it: --duty 35", BULLET)
    return lines


def _where(where: Sequence[str], night: Night) -> str:
    total = sum(len(a.pulls) for a in night.logs)
    if not where or len(where) == total:
        return ""
    shown = ", ".join(where[:3])
    return f" ({shown}{f' and {len(where) - 3} more' if len(where) > 3 else ''})"


def _rejected(night: Night) -> list[str]:
    lines = [
        line
        for a in night.logs
        if a.status == "rejected"
        for line in _wrapped(a.error or a.path, BULLET)
    ]
    return ["Not read", *lines] if lines else []


def _assumed(night: Night) -> list[str]:
    said = [f"Car file: {night.car.path}."] if night.car.path else []
    if night.assumed:
        said.append(f"Assumed: {'; '.join(night.assumed)}.")
    sources = {
        f"{a.log.barometric.source} ({figure(a.log.barometric.kpa, 'kPa', us=night.us_units)})"
        for a in night.logs
        if a.log is not None and a.pulls
    }
    if sources:
        said.append(f"Boost is over ambient pressure from: {'; '.join(sorted(sources))}.")
    return [*_wrapped(" ".join(said), ""), ""] if said else []
