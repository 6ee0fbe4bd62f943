"""The night as wide as the terminal, 80 columns at most: verdict and reasons, the pulls, findings, what was
not judged, cautions.
"""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from typing import NamedTuple, TextIO

from audit.model import REQUIRED_CHECKS, SEVERITIES, Finding, LogAudit, Night, PullAudit, worst_of
from audit.report.display import figure, localise, number, overshoot_share, unit_for
from audit.report.display import overshoot as shown_overshoot
from audit.report.names import visible
from audit.report.words import (
    CAUTION,
    CAUTIONS,
    afr_factor,
    decision_line,
    headline,
    mended,
    told,
)
from audit.report.words import plain_check as plain

WIDTH = 80
NARROWEST = 40
TABLE_WIDTH = 78  # of the pulls side by side; on a narrower screen a pull takes two lines
BULLET = "  - "
MOST_MENDED = 3  # notes of one log that are said in full
# Colour never carries the meaning alone: the word stands beside it.
COLOURS = {"clear": "32", "hold": "33", "stop": "31", "watch": "36", "note": "2"}


class Paragraph(NamedTuple):
    """Text to be wrapped to the width at hand. first, rest: what its lines begin with."""

    text: str
    first: str
    rest: str


Line = str | Paragraph


def print_night(night: Night, out: TextIO | None = None) -> None:
    """Write the report to a text stream (standard output by default)."""
    out = out or sys.stdout
    colour = out.isatty() and not os.environ.get("NO_COLOR")
    columns = shutil.get_terminal_size((WIDTH, 24)).columns
    width = min(max(columns, NARROWEST), WIDTH)
    out.write("\n".join(render(night, colour=colour, width=width)) + "\n")


def render(night: Night, *, colour: bool = False, width: int = WIDTH) -> list[str]:
    """The report's lines, none wider than `width` columns but for a path or a long word that is."""
    narrow = width < TABLE_WIDTH
    lines: list[Line] = [*_verdict(night)]
    for section in (
        _pulls(night, width=width),
        _findings(night, colour=colour),
        _not_judged(night),
        _rejected(night),
    ):
        lines += ["", *section] if section else []
    lines += ["", *_assumed(night), *_wrapped(CAUTION if narrow else CAUTIONS, "")]
    out = [row for line in lines for row in _rows(line, width)]
    head = _rows(Paragraph(headline(night), "", ""), width)
    return [_painted(night.verdict, row, colour=colour) for row in head] + out


def _rows(line: Line, width: int) -> list[str]:
    if isinstance(line, str):
        return [line]
    return textwrap.wrap(
        line.text,
        width,
        initial_indent=line.first,
        subsequent_indent=line.rest,
        break_long_words=False,
    ) or [line.first]


def _painted(word: str, text: str, *, colour: bool) -> str:
    return f"\x1b[1;{COLOURS[word]}m{text}\x1b[0m" if colour and word in COLOURS else text


def _wrapped(text: str, first: str, rest: str | None = None) -> list[Line]:
    return [Paragraph(visible(text), first, " " * len(first) if rest is None else rest)]


def _verdict(night: Night) -> list[Line]:
    lines = _wrapped(f"{night.car.name}{_counts(night)}", "", "  ")
    for reason in night.reasons:
        lines += _wrapped(told(night, reason), BULLET)
    return [*lines, "", *_decision(night)]


def _decision(night: Night) -> list[Line]:
    if night.decision is None:
        return []
    us = night.us_units
    lines = _wrapped(decision_line(night.decision.plain(), us=us), "", "  ")
    if night.decision.state != "no_step":
        lines += _wrapped(told(night, night.decision.why), BULLET)
    return [*lines, *_wrapped(f"Look first: {told(night, night.decision.first)}", BULLET)]


def _counts(night: Night) -> str:
    read = sum(a.status == "read" for a in night.logs)
    pulls = sum(len(a.pulls) for a in night.logs)
    return f", {_many(read, 'log')} read, {_many(pulls, 'pull')}"


def _many(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def _pulls(night: Night, *, width: int) -> list[Line]:
    if not any(a.pulls for a in night.logs):
        return [
            line for a in night.logs if mended(a) for line in (_short(a.path, width), *_mended(a))
        ]
    us, afr = night.us_units, afr_factor(night)
    narrow = width < TABLE_WIDTH
    mixture, pressure, degrees = (
        "lambda" if afr is None else "AFR",
        unit_for("kPa", us=us),
        unit_for("°C", us=us),
    )
    lines: list[Line] = ["Pulls"]
    head = f"{'pull':>4} {'gear':>4}"
    if narrow:
        lines.append(f"{head} {'boost peak/settled':>18} {mixture:>6} {'score':>7}")
        lines.append(f"{'':>9} {pressure:>18} {'max':>6} {'0-100':>7}")
    else:
        head += f" {'engine rpm':>11} {'boost peak/settled':>18} {'over':>11}"
        lines.append(f"{head} {mixture:>6} {'intake':>8}  {'score':>5}")
        head = f"{'':>9} {'from-to':>11} {pressure:>18} {pressure + ' (%)':>11}"
        lines.append(f"{head} {'max':>6} {degrees:>8}  {'0-100':>5}")
    for audit in night.logs:
        if audit.pulls or mended(audit):
            lines += [_short(audit.path, width), *_mended(audit)]
            for pull in audit.pulls:
                lines += _pull(pull, us=us, afr=afr or 1.0, narrow=narrow)
    lines += _legend(night)
    if afr is not None:
        lines += _wrapped(f"AFR as the logger gives it: {afr:.1f} is lambda 1.00.", "  ")
    return lines


def _legend(night: Night) -> list[Line]:
    """What the marks in the table mean, as far as they are there."""
    pulls = [p for a in night.logs for p in a.pulls]
    marks = {_worst(p) for p in pulls}
    said = ["!: a check came to hold or stop."] if " !" in marks else []
    said += ["?: a check that clear needs could not be judged."] if " ?" in marks else []
    if any(p.pull.gear is None for p in pulls):
        tells = "the log's road speed" if night.car.gear_ratios else "[gearing] in the car file"
        said.append(f"Gear –: not known; {tells} tells it.")
    return [line for text in said for line in _wrapped(text, "  ")]


def _mended(audit: LogAudit) -> list[Line]:
    """One line (wrapped) of what was left out or mended."""
    said = mended(audit)
    more = [f"{len(said) - MOST_MENDED} more: see pullaudit channels."]
    text = " ".join(said[:MOST_MENDED] + (more if len(said) > MOST_MENDED else []))
    return _wrapped(text, "  as read: ", "    ") if said else []


def _pull(audit: PullAudit, *, us: bool, afr: float, narrow: bool) -> list[Line]:
    m, span = audit.measures, audit.pull.span
    boost = f"{number(m.get('boost_peak_kpa'), 'kPa', us=us)} / {number(m.get('boost_settled_kpa'), 'kPa', us=us)}"
    overshoot, share = shown_overshoot(m, us=us), overshoot_share(m, us=us)
    heat = f"{number(m.get('intake_start_c'), '°C', us=us, digits=0)}-{number(m.get('intake_peak_c'), '°C', us=us, digits=0)}"
    gear = "–" if audit.pull.gear is None else str(audit.pull.gear)
    score = "–" if audit.score is None else f"{audit.score:.0f}"
    speed, lean = f"{span.rpm_start:.0f}-{span.rpm_end:.0f}", _mixture(m.get("lambda_max"), afr)
    first = f"{audit.pull.index:>4} {gear:>4} "
    if narrow:
        heat = f"{heat} {unit_for('°C', us=us)}"
        over = "" if overshoot == "–" else f"overshoot {overshoot} {unit_for('kPa', us=us)}"
        over += f" ({share} %), " if share else ", " if over else ""
        return [
            f"{first}{boost:>18} {lean:>6} {score:>7}{_worst(audit)}",
            *_wrapped(f"{speed} rpm, {over}intake {heat}", " " * 5),
        ]
    overshoot += f" ({share})" if share else ""
    return [
        f"{first}{speed:>11} {boost:>18} {overshoot:>11} {lean:>6} {heat:>8}  {score:>5}{_worst(audit)}"
    ]


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


def _short(path: str, width: int) -> str:
    path = visible(path)
    return path if len(path) <= width else "…" + path[-(width - 1) :]


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


def _findings(night: Night, *, colour: bool) -> list[Line]:
    groups: dict[tuple[str, str], list[tuple[Finding, str]]] = {}
    for f, where in _all_findings(night):
        groups.setdefault((f.code, f.channel or ""), []).append((f, where))
    if not groups:
        return ["Findings", "  none"]
    lines: list[Line] = ["Findings"]
    for group in sorted(
        groups.values(), key=lambda g: -max(SEVERITIES.index(f.severity) for f, _ in g)
    ):
        lines += _finding_group(night, group, colour=colour)
    return lines


def _finding_group(
    night: Night, group: Sequence[tuple[Finding, str]], *, colour: bool
) -> list[Line]:
    """The worst of a code with its evidence; the others of the same code by where and value."""
    us = night.us_units
    ranked = sorted(group, key=lambda pair: -SEVERITIES.index(pair[0].severity))
    worst, where = ranked.pop(worst_of([f for f, _ in ranked]))
    severity = _painted(worst.severity, worst.severity, colour=colour)
    place = f"{visible(where)}{_when(worst)}"
    lines: list[Line] = [Paragraph(f"{severity} {worst.code} ({place})", "  ", "    ")]
    lines += _wrapped(told(night, worst.message), "    ")
    if ranked:
        others = "; ".join(f"{visible(w)}{_value(f, us=us)}" for f, w in ranked[:5])
        more = f"; and {len(ranked) - 5} more" if len(ranked) > 5 else ""
        lines += _wrapped(f"also: {others}{more}", "    ", "      ")
    if worst.likely and worst.severity != "note":
        lines += _wrapped("likely: " + "; ".join(worst.likely), "    ", "      ")
        lines += _wrapped("look at: " + "; ".join(worst.look_at), "    ", "      ")
    return lines


def _value(f: Finding, *, us: bool) -> str:
    """': 14.2 kPa', '' for a finding without a value."""
    shown = figure(f.value, f.unit or "", us=us).strip()
    return "" if shown == "–" else f": {shown}"


def _when(f: Finding) -> str:
    if f.start_s is None:
        return ""
    return (
        f", {f.start_s:.1f} s"
        if f.end_s is None or f.end_s - f.start_s < 0.1
        else f", {f.start_s:.1f}-{f.end_s:.1f} s"
    )


def _not_judged(night: Night) -> list[Line]:
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
    same: dict[str, list[str]] = {}  # what could not be judged for the same reason, in one line
    for (check, why), where in rows.items():
        told_why = f"{localise(why, us=night.us_units)}{_where(where, night)}"
        same.setdefault(told_why, []).append(plain(check))
    lines: list[Line] = ["Not judged"]
    for why, checks in same.items():
        lines += _wrapped(f"{', '.join(checks)}: {why}", BULLET)
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


def _rejected(night: Night) -> list[Line]:
    lines = [
        line
        for a in night.logs
        if a.status == "rejected"
        for line in _wrapped(a.error or a.path, BULLET)
    ]
    return ["Not read", *lines] if lines else []


def _assumed(night: Night) -> list[Line]:
    said = [f"Car file: {night.car.path}."] if night.car.path else []
    if night.assumed:
        said.append(f"Assumed: {'; '.join(night.assumed)}.")
    sources: dict[str, list[float]] = {}
    for a in night.logs:
        if a.log is not None and a.pulls:
            sources.setdefault(a.log.barometric.source, []).append(a.log.barometric.kpa)
    if sources:
        told_each = (f"{n} ({_range(kpa, us=night.us_units)})" for n, kpa in sources.items())
        said.append(f"Boost is over ambient pressure from: {'; '.join(sorted(told_each))}.")
    return [*_wrapped(" ".join(said), ""), ""] if said else []


def _range(kpa: Sequence[float], *, us: bool) -> str:
    """'99.4 kPa', or '99.4 to 100.1 kPa' of several."""
    ends = [number(end, "kPa", us=us) for end in (min(kpa), max(kpa))]
    return f"{' to '.join(dict.fromkeys(ends))} {unit_for('kPa', us=us)}"
