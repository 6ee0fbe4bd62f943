"""The night as wide as the terminal, 80 columns at most."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Sequence
from typing import TextIO

from audit.model import REQUIRED_CHECKS, SEVERITIES, Night, PullAudit, worst_of
from audit.report import words
from audit.report.display import figure, number, unit_for
from audit.report.names import visible

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


def print_night(night: Night, out: TextIO | None = None) -> None:
    """Write the report to a text stream (standard output by default)."""
    out = out or sys.stdout
    colour = out.isatty() and not os.environ.get("NO_COLOR")
    columns = shutil.get_terminal_size((WIDTH, 24)).columns
    width = min(max(columns, NARROWEST), WIDTH)
    out.write("\n".join(render(night, colour=colour, width=width)) + "\n")


def render(night: Night, *, colour: bool = False, width: int = WIDTH) -> list[str]:
    """The report's lines, none wider than `width` columns but for a path or a long word that is."""
    return _Report(night, colour=colour, width=width).told()


class _Report(words.Sheet):
    """afr: air-fuel ratio for one of lambda, as the logger gives it, else None."""

    def __init__(self, night: Night, *, colour: bool, width: int) -> None:
        super().__init__(us=night.us_units, width=width)
        self.night, self.colour, self.afr = night, colour, words.afr_factor(night)
        self.narrow = width < TABLE_WIDTH

    def tell(self, sentence: str, first: str = "", rest: str | None = None) -> None:
        """The same, with the logger's air-fuel ratio beside a lambda."""
        self.say(words.told(self.night, sentence), first, rest)

    def painted(self, word: str, text: str) -> str:
        return f"\x1b[1;{COLOURS[word]}m{text}\x1b[0m" if self.colour and word in COLOURS else text

    def section(self, title: str, said: Sequence[str]) -> None:
        if said:
            self.part(title)
        for text in said:
            self.say(text, BULLET)

    def told(self) -> list[str]:
        """All of it: verdict, reasons and decision, then section by section."""
        night = self.night
        head = words.wrapped(words.headline(night), "", "", self.width)
        self.lines += [self.painted(night.verdict, row) for row in head]
        self.say(f"{night.car.name}, {words.counted(night)}", "", "  ")
        for reason in night.reasons:
            self.tell(reason, BULLET)
        self.part()
        if night.decision is not None:
            self.say(words.decision_line(night.decision.plain(), us=self.us), "", "  ")
            why = [] if night.decision.state == "no_step" else [night.decision.why]
            for sentence in (*why, f"Look first: {night.decision.first}"):
                self.tell(sentence, BULLET)
        self.pulls()
        self.findings()
        self.not_judged()
        self.section("Not read", words.unread(night))
        self.part()
        self.assumed()
        self.say(words.CAUTION if self.narrow else words.CAUTIONS)
        return self.lines

    def pulls(self) -> None:
        """The table of pulls, log by log, what was mended in a log above its own."""
        logs = [a for a in self.night.logs if a.pulls or words.mended(a)]
        pulls = [p for a in logs for p in a.pulls]
        if logs:
            self.part()
        if pulls:
            units = {
                "mixture": "lambda" if self.afr is None else "AFR",
                "pressure": unit_for("kPa", us=self.us),
                "degrees": unit_for("°C", us=self.us),
            }
            heads = ([text.format(**units) for text in column[1:3]] for column in COLUMNS)
            self.lines += ["Pulls", *map(self.row, zip(*heads, strict=True))]
        for audit in logs:
            path = visible(audit.path)
            self.lines.append(path if len(path) <= self.width else f"…{path[1 - self.width :]}")
            said = words.mended(audit)
            more = f"{len(said) - MOST_MENDED} more: see pullaudit channels."
            said = said[:MOST_MENDED] + ([more] if len(said) > MOST_MENDED else [])
            if said:
                self.say(" ".join(said), "  as read: ", "    ")
            for pull in audit.pulls:
                self.pull(pull)
        marks = {_worst(p) for p in pulls}
        said = ["!: a check came to hold or stop."] if " !" in marks else []
        said += ["?: a check that clear needs could not be judged."] if " ?" in marks else []
        if any(p.pull.gear is None for p in pulls):
            ratios = self.night.car.gear_ratios
            tells = "the log's road speed" if ratios else "[gearing] in the car file"
            said.append(f"Gear –: not known; {tells} tells it.")
        if pulls and self.afr is not None:
            said.append(f"AFR as the logger gives it: {self.afr:.1f} is lambda 1.00.")
        for text in said:
            self.say(text, "  ")

    def row(self, cells: Sequence[str]) -> str:
        widths = [narrow if self.narrow else wide for *_, wide, narrow in COLUMNS]
        there = [i for i, width in enumerate(widths) if width]
        return words.aligned([widths[i] for i in there], *(cells[i] for i in there))

    def pull(self, audit: PullAudit) -> None:
        span, told = audit.pull.span, words.pull_figures(audit, self.afr, us=self.us)
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
        self.lines.append(self.row([told[column[0]] for column in COLUMNS]) + _worst(audit))
        if self.narrow:
            share = f" ({share} %)" if share else ""
            unit, degrees = (unit_for(u, us=self.us) for u in ("kPa", "°C"))
            said = "" if over == "–" else f"overshoot {over} {unit}{share}, "
            self.say(f"{told['rpm']} rpm, {said}intake {told['air']} {degrees}", " " * 5)

    def findings(self) -> None:
        groups: dict[tuple[str, str], list[words.Placed]] = {}
        for one in words.placed(self.night):
            groups.setdefault((one.finding.code, one.finding.channel or ""), []).append(one)
        self.part("Findings", *([] if groups else ["  none"]))
        ranked = [sorted(group, key=_rank) for group in groups.values()]
        for group in sorted(ranked, key=lambda group: _rank(group[0])):
            self.group(group)

    def group(self, group: list[words.Placed]) -> None:
        """The worst of a code with its evidence; the others of the same code by where and value."""
        worst, where, *_ = group.pop(worst_of([one.finding for one in group]))
        severity = self.painted(worst.severity, worst.severity)
        moment = words.when(worst, "", "-")
        place = f"{visible(where)}{', ' if moment else ''}{moment}"
        head = f"{severity} {worst.code} ({place})"
        self.lines += words.wrapped(head, "  ", "    ", self.width)
        self.tell(worst.message, "    ")
        others = [f"{one.where}{self.value(one)}" for one in group[:MOST_ALSO]]
        others += [f"and {len(group) - MOST_ALSO} more"] if len(group) > MOST_ALSO else []
        advised = worst.likely and worst.severity != "note"
        for word, told in (
            ("also", others),
            ("likely", worst.likely if advised else ()),
            ("look at", worst.look_at if advised else ()),
        ):
            if told:
                self.say(f"{word}: {'; '.join(told)}", "    ", "      ")

    def value(self, one: words.Placed) -> str:
        """': 14.2 kPa', '' for a finding without a value."""
        shown = figure(one.finding.value, one.finding.unit or "", us=self.us)
        return "" if shown == "–" else f": {shown}"

    def not_judged(self) -> None:
        def place(where: Sequence[tuple[str, int, int]]) -> str:
            shown = ", ".join(f"{name} pull {index}" for name, index, _ in where[:3])
            return f" ({shown}{f' and {len(where) - 3} more' if len(where) > 3 else ''})"

        unjudged = words.not_judged(self.night, place)
        said = [f"{checks}: {why}{where}" for checks, why, where in unjudged]
        logs = [a.log for a in self.night.logs if a.log is not None]
        if said and logs and not any(log.has("wastegate_duty") for log in logs):
            said.append("If you know the solenoid's duty, say it: --duty 35")
        self.section("Not judged", said)

    def assumed(self) -> None:
        night = self.night
        said = [f"Car file: {night.car.path}."] if night.car.path else []
        said += [f"Assumed: {'; '.join(night.assumed)}."] if night.assumed else []
        sources: dict[str, list[float]] = {}
        for a in night.logs:
            if a.log is not None and a.pulls:
                sources.setdefault(a.log.barometric.source, []).append(a.log.barometric.kpa)
        told = []
        for source, kpa in sorted(sources.items()):
            ends = dict.fromkeys(number(end, "kPa", us=self.us) for end in (min(kpa), max(kpa)))
            told.append(f"{source} ({' to '.join(ends)} {unit_for('kPa', us=self.us)})")
        if told:
            said.append(f"Boost is over ambient pressure from: {'; '.join(told)}.")
        if said:
            self.say(" ".join(said))
            self.part()


def _rank(one: words.Placed) -> int:
    return -SEVERITIES.index(one.finding.severity)


def _worst(audit: PullAudit) -> str:
    """A mark for a pull whose score hides something: a check that failed or could not be judged."""
    if any(c.status == "fail" for c in audit.checks.values()):
        return " !"
    needed = (audit.checks[name] for name in REQUIRED_CHECKS if name in audit.checks)
    return " ?" if any(c.status == "not_evaluated" for c in needed) else ""
