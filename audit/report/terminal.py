"""The night as wide as the terminal, 80 columns at most: verdict and reasons, the pulls, findings,
what was not judged, cautions.
"""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from typing import NamedTuple, TextIO

from audit.model import REQUIRED_CHECKS, SEVERITIES, Finding, LogAudit, Night, PullAudit, worst_of
from audit.report.display import figure, number, unit_for
from audit.report.names import visible
from audit.report.words import (
    CAUTION,
    CAUTIONS,
    Placed,
    afr_factor,
    aligned,
    counted,
    decision_line,
    headline,
    mended,
    not_judged,
    placed,
    pull_figures,
    told,
    when,
    wrapped,
)

WIDTH = 80
NARROWEST = 40
TABLE_WIDTH = 78  # of the pulls side by side; on a narrower screen a pull takes two lines
BULLET = "  - "
MOST_MENDED = 3  # notes of one log that are said in full
MOST_ALSO = 5  # further findings of a code that are named
# Colour never carries the meaning alone: the word stands beside it.
COLOURS = {"clear": "32", "hold": "33", "stop": "31", "watch": "36", "note": "2"}
# Of the table of pulls: figure, its two heads, its width side by side and on a narrow screen, where
# 0 stands in the second line of the pull.
COLUMNS = (
    ("index", "pull", "", 4, 4),
    ("gear", "gear", "", 4, 4),
    ("rpm", "engine rpm", "from-to", 11, 0),
    ("boost", "boost peak/settled", "{pressure}", 18, 18),
    ("over", "over", "{pressure} (%)", 11, 0),
    ("mixture", "{mixture}", "max", 6, 6),
    ("air", "intake", "{degrees}", 8, 0),
    ("score", "score", "0-100", 6, 7),
)


class Paragraph(NamedTuple):
    """Text to be wrapped to the width at hand. first, rest: what its lines begin with."""

    text: str
    first: str
    rest: str | None = None


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
    lines: list[Line] = [*_verdict(night)]
    for section in (
        _pulls(night, width=width),
        _findings(night, colour=colour),
        _not_judged(night),
        _rejected(night),
    ):
        lines += ["", *section] if section else []
    caution = CAUTION if width < TABLE_WIDTH else CAUTIONS
    lines += ["", *_assumed(night), *_wrapped(caution, "")]
    head = [
        _painted(night.verdict, row, colour=colour)
        for row in wrapped(headline(night), "", "", width)
    ]
    return head + [row for line in lines for row in _rows(line, width)]


def _rows(line: Line, width: int) -> list[str]:
    return [line] if isinstance(line, str) else wrapped(*line, width) or [line.first]


def _painted(word: str, text: str, *, colour: bool) -> str:
    return f"\x1b[1;{COLOURS[word]}m{text}\x1b[0m" if colour and word in COLOURS else text


def _wrapped(text: str, first: str, rest: str | None = None) -> list[Line]:
    return [Paragraph(visible(text), first, rest)]


def _verdict(night: Night) -> list[Line]:
    lines = _wrapped(f"{night.car.name}, {counted(night)}", "", "  ")
    for reason in night.reasons:
        lines += _wrapped(told(night, reason), BULLET)
    lines.append("")
    if night.decision is None:
        return lines
    lines += _wrapped(decision_line(night.decision.plain(), us=night.us_units), "", "  ")
    said = [] if night.decision.state == "no_step" else [night.decision.why]
    for text in (*said, f"Look first: {night.decision.first}"):
        lines += _wrapped(told(night, text), BULLET)
    return lines


def _pulls(night: Night, *, width: int) -> list[Line]:
    """The table of pulls, log by log, what was mended in a log above its own."""
    us, afr, narrow = night.us_units, afr_factor(night), width < TABLE_WIDTH
    there = any(a.pulls for a in night.logs)
    lines: list[Line] = []
    if there:
        units = {
            "mixture": "lambda" if afr is None else "AFR",
            "pressure": unit_for("kPa", us=us),
            "degrees": unit_for("°C", us=us),
        }
        heads = ([text.format(**units) for text in column[1:3]] for column in COLUMNS)
        lines = ["Pulls", *(_row(cells, narrow=narrow) for cells in zip(*heads, strict=True))]
    for audit in night.logs:
        if audit.pulls or mended(audit):
            path = visible(audit.path)
            lines += [path if len(path) <= width else f"…{path[1 - width :]}", *_mended(audit)]
            lines += [
                line for pull in audit.pulls for line in _pull(pull, afr, us=us, narrow=narrow)
            ]
    lines += _legend(night)
    if there and afr is not None:
        lines += _wrapped(f"AFR as the logger gives it: {afr:.1f} is lambda 1.00.", "  ")
    return lines


def _row(cells: Sequence[str], *, narrow: bool) -> str:
    pairs = zip((column[4 if narrow else 3] for column in COLUMNS), cells, strict=True)
    widths, cells = zip(*((width, cell) for width, cell in pairs if width), strict=True)
    return aligned(widths, *cells)


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


def _pull(audit: PullAudit, afr: float | None, *, us: bool, narrow: bool) -> list[Line]:
    span, told = audit.pull.span, pull_figures(audit, afr, us=us)
    over, share = told["over"], told["share"]
    told |= {
        "index": str(audit.pull.index),
        "rpm": f"{span.rpm_start:.0f}-{span.rpm_end:.0f}",
        "boost": f"{told['peak']} / {told['settled']}",
        "over": f"{over} ({share})" if share else over,
        "mixture": told["afr"] or told["lambda"],
        "air": f"{told['start']}-{told['intake']}",
        "score": "–" if audit.score is None else f"{audit.score:.0f}",
    }
    lines: list[Line] = [_row([told[c[0]] for c in COLUMNS], narrow=narrow) + _worst(audit)]
    if not narrow:
        return lines
    share = f" ({share} %)" if share else ""
    said = "" if over == "–" else f"overshoot {over} {unit_for('kPa', us=us)}{share}, "
    air = f"{told['air']} {unit_for('°C', us=us)}"
    return lines + _wrapped(f"{told['rpm']} rpm, {said}intake {air}", " " * 5)


def _worst(audit: PullAudit) -> str:
    """A mark for a pull whose score hides something: a check that failed or could not be judged."""
    if any(c.status == "fail" for c in audit.checks.values()):
        return " !"
    needed = (audit.checks[name] for name in REQUIRED_CHECKS if name in audit.checks)
    return " ?" if any(c.status == "not_evaluated" for c in needed) else ""


def _findings(night: Night, *, colour: bool) -> list[Line]:
    groups: dict[tuple[str, str], list[Placed]] = {}
    for one in placed(night):
        groups.setdefault((one.finding.code, one.finding.channel or ""), []).append(one)
    ranked = [sorted(group, key=_rank) for group in groups.values()]
    lines: list[Line] = ["Findings"]
    for group in sorted(ranked, key=lambda group: _rank(group[0])):
        lines += _finding_group(night, group, colour=colour)
    return lines if groups else [*lines, "  none"]


def _rank(one: Placed) -> int:
    return -SEVERITIES.index(one.finding.severity)


def _finding_group(night: Night, group: list[Placed], *, colour: bool) -> list[Line]:
    """The worst of a code with its evidence; the others of the same code by where and value. group:
    the worst severity first.
    """
    us = night.us_units
    worst, where, *_ = group.pop(worst_of([one.finding for one in group]))
    severity = _painted(worst.severity, worst.severity, colour=colour)
    place = ", ".join(part for part in (visible(where), when(worst, "", "-")) if part)
    lines: list[Line] = [Paragraph(f"{severity} {worst.code} ({place})", "  ", "    ")]
    lines += _wrapped(told(night, worst.message), "    ")
    others = "; ".join(f"{visible(o.where)}{_value(o.finding, us=us)}" for o in group[:MOST_ALSO])
    more = f"; and {len(group) - MOST_ALSO} more" if len(group) > MOST_ALSO else ""
    said = [f"also: {others}{more}"] if group else []
    if worst.likely and worst.severity != "note":
        said += ["likely: " + "; ".join(worst.likely), "look at: " + "; ".join(worst.look_at)]
    return lines + [line for text in said for line in _wrapped(text, "    ", "      ")]


def _value(f: Finding, *, us: bool) -> str:
    """': 14.2 kPa', '' for a finding without a value."""
    shown = figure(f.value, f.unit or "", us=us)
    return "" if shown == "–" else f": {shown}"


def _not_judged(night: Night) -> list[Line]:
    def place(where: Sequence[tuple[str, int, int]]) -> str:
        shown = ", ".join(f"{name} pull {index}" for name, index, _ in where[:3])
        return f" ({shown}{f' and {len(where) - 3} more' if len(where) > 3 else ''})"

    said = [f"{checks}: {why}{where}" for checks, why, where in not_judged(night, place)]
    logs = [a.log for a in night.logs if a.log is not None]
    if said and logs and not any(log.has("wastegate_duty") for log in logs):
        said.append("If you know the solenoid's duty, say it: --duty 35")
    return _section("Not judged", said)


def _rejected(night: Night) -> list[Line]:
    return _section("Not read", [a.error or a.path for a in night.logs if a.status == "rejected"])


def _section(title: str, said: Sequence[str]) -> list[Line]:
    lines = [line for text in said for line in _wrapped(text, BULLET)]
    return [title, *lines] if lines else []


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
