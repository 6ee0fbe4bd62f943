"""Words that every report shares, and the walks over a night that they are said by."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import count
from typing import Any, NamedTuple

from audit.model import SEVERITIES, Finding, LogAudit, Night, PullAudit
from audit.report.display import figure, localise, number, overshoot, overshoot_share
from audit.report.names import short_name, visible

Doc = Mapping[str, Any]
PHONE = 46  # columns of a sheet that is read on a phone
VERDICT_SAYS = {
    "clear": "nothing here speaks against the next small step.",
    "hold": "do not raise boost yet.",
    "stop": "do not drive it hard until this is fixed.",
}
DECISION_SAYS = {"step": "STEP", "stay": "STAY", "no_step": "NO STEP"}
CLEAR_BUT = {
    "stay": "no reason to hold; stay where you are for now.",
    "no_step": "no reason to hold in the pulls, but no step up.",
}
FLAG_SAYS = {1: "pass", 2: "not tested", 3: "suspect", 4: "fail", 9: "missing"}

CAUTIONS = (
    "What a log cannot show: brakes, tyres, play in the steering, leaks, hoses, belts. Look before "
    "each run. "
    "Test on a dyno or a closed course, one small step at a time; local law and a qualified tuner "
    "decide. "
    "This program never writes to an engine computer."
)

# The same in two lines of a phone.
CAUTION = (
    "Not in a log: brakes, tyres, steering, leaks, hoses. Closed course, small steps, local law."
)


def sentence(text: str) -> str:
    """With a capital at its start."""
    return text[:1].upper() + text[1:]


def plain_check(name: str) -> str:
    """A check's name for people."""
    return name.replace("_", " ")


def many(number: int, noun: str) -> str:
    """'1 pull', '3 pulls'."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def wrapped(text: str, first: str = "", rest: str | None = None, width: int = PHONE) -> list[str]:
    """A paragraph. first, rest: what its lines begin with, the rest as far in as the first."""
    rest = " " * len(first) if rest is None else rest
    return textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=rest, break_long_words=False
    )


def aligned(widths: Sequence[int], *cells: str) -> str:
    """A line of a table: each cell to the right in its width, in a negative width to the left."""
    pairs = zip(cells, widths, strict=True)
    return " ".join(f"{cell:>{w}}" if w > 0 else f"{cell:<{-w}}" for cell, w in pairs)


class Sheet:
    """A text as it is written, line by line, in so many columns."""

    def __init__(self, *, us: bool, width: int = PHONE) -> None:
        self.us, self.width = us, width
        self.lines: list[str] = []

    def say(self, text: str, first: str = "", rest: str | None = None) -> None:
        """A paragraph. first, rest: what its lines begin with."""
        self.lines += wrapped(visible(text), first, rest, self.width)

    def tell(self, sentence: str, first: str = "", rest: str | None = None) -> None:
        """A canonical sentence in the reader's units."""
        self.say(localise(sentence, us=self.us), first, rest)

    def part(self, *lines: str) -> None:
        """A new part after an empty line."""
        self.lines += ["", *lines]


def counted(night: Night) -> str:
    """'2 logs read, 5 pulls'."""
    read = sum(a.status == "read" for a in night.logs)
    return f"{many(read, 'log')} read, {many(sum(len(a.pulls) for a in night.logs), 'pull')}"


def unread(night: Night) -> list[str]:
    """Why each log that was not read was not."""
    return [a.error or a.path for a in night.logs if a.status == "rejected"]


def mended(audit: LogAudit) -> list[str]:
    """What intake left out of a file or mended in it, a sentence each."""
    notes = audit.log.notes if audit.log is not None else ()
    return [sentence(n.message) for n in notes if n.line is not None or n.code is not None]


class Placed(NamedTuple):
    """A finding of the whole night, a log or a pull; n: its number in the night."""

    finding: Finding
    where: str
    log: LogAudit | None = None
    pull: PullAudit | None = None
    n: int = 0


def placed(night: Night) -> Iterator[Placed]:
    """All findings of a night: its own, then log by log those of the log and of its pulls."""
    yield from (Placed(f, "whole night") for f in night.findings)
    number = count(1)
    for i, log in enumerate(night.logs, 1):
        name = short_name(log.path)
        yield from (Placed(f, name, log, None, i) for f in log.findings)
        for pull, n in zip(log.pulls, number, strict=False):
            where = f"{name}, pull {pull.pull.index}"
            yield from (Placed(f, where, log, pull, n) for f in pull.findings)


def when(f: Finding, at: str, to: str) -> str:
    """'at 141.8 s', or from when to when, by those words; "" for a finding without a moment."""
    if f.start_s is None:
        return ""
    end = "" if f.end_s is None or f.end_s - f.start_s < 0.1 else f"{to}{f.end_s:.1f}"
    return f"{'' if end else at}{f.start_s:.1f}{end} s"


def every_finding(night: Night) -> list[Finding]:
    """All findings of a night, of whatever level."""
    return [one.finding for one in placed(night)]


def worst_finding(night: Night) -> Finding | None:
    """The worst finding, of several the one that the first reason tells of; None for mere notes."""
    lead = night.reasons[0] if night.reasons else ""
    return max(
        (f for f in every_finding(night) if f.severity != "note"),
        key=lambda f: (SEVERITIES.index(f.severity), f.message in lead),
        default=None,
    )


def not_judged(
    night: Night, place: Callable[[Sequence[tuple[str, int, int]]], str]
) -> list[tuple[str, str, str]]:
    """(checks, why, where) of what was not judged, those that share reason and place together.

    place: says where, from the file, the pull's number there and over the night; "" is everywhere.
    """
    rows: dict[tuple[str, str], list[tuple[str, int, int]]] = {}
    pulls = [(short_name(log.path), pull) for log in night.logs for pull in log.pulls]
    for n, (name, pull) in enumerate(pulls, 1):
        for check, result in pull.checks.items():
            if result.status == "not_evaluated":
                rows.setdefault((check, result.why), []).append((name, pull.pull.index, n))
    seen = {check for check, _ in rows}
    for check, result in night.checks.items():
        if result.status == "not_evaluated" and check not in seen:
            rows[check, result.why] = []
    together: dict[tuple[str, str], list[str]] = {}
    for (check, why), where in rows.items():
        said = place(where) if 0 < len(where) < len(pulls) else ""
        key = localise(why, us=night.us_units), said
        together.setdefault(key, []).append(plain_check(check))
    return [(", ".join(checks), *key) for key, checks in together.items()]


def pull_figures(audit: PullAudit, afr: float | None, *, us: bool) -> dict[str, str]:
    """The figures of a pull that stand in every table, without units. afr: air-fuel ratio for one
    of lambda, where it is told too; share: overshoot in % of the settled level, "" for none.
    """
    m, gear, leanest = audit.measures, audit.pull.gear, audit.measures.get("lambda_max")
    return {
        "gear": "–" if gear is None else str(gear),
        "duty": number(m.get("duty_mean_pct"), "%", us=us),
        "peak": number(m.get("boost_peak_kpa"), "kPa", us=us),
        "settled": number(m.get("boost_settled_kpa"), "kPa", us=us),
        "over": overshoot(m, us=us),
        "share": overshoot_share(m, us=us),
        "lambda": number(leanest, "1", us=us, digits=2),
        "afr": "" if afr is None or leanest is None else f"{leanest * afr:.1f}",
        "start": number(m.get("intake_start_c"), "°C", us=us, digits=0),
        "intake": number(m.get("intake_peak_c"), "°C", us=us, digits=0),
    }


def headline(night: Night) -> str:
    """The verdict in one line; a clear one names how many things want watching."""
    says = VERDICT_SAYS[night.verdict]
    if night.verdict != "clear":
        return f"{night.verdict.upper()}: {says}"
    watches = len({f.code for f in every_finding(night) if f.severity == "watch"})
    things = f", with {many(watches, 'thing')} to watch" if watches else ""
    return f"CLEAR{things}: {CLEAR_BUT.get(night.decision.state, says) if night.decision else says}"


def duty_moves(decision: Doc) -> bool:
    """Is the next duty known, and another than that of now?"""
    now, following = decision["duty_now_pct"], decision["duty_next_pct"]
    return following is not None and (now is None or abs(now - following) >= 0.25)


def duty_set(pct: float) -> str:
    """'about 66.5 %': a duty as it was set, to half a percent, where pulls at 66.2 and 66.4 are."""
    return f"{'about ' if pct else ''}{pct:.1f} %"


def expected(kpa: Iterable[float], *, us: bool) -> tuple[str, str]:
    """('14.2 psi', '13.4 to 15.1') of low, middle, high boost, kPa, rounded as the sentences have
    it, so that one figure reads the same wherever it stands.
    """
    low, mid, high = (round(v, 1) for v in kpa)
    ends = f"{number(low, 'kPa', us=us)} to {number(high, 'kPa', us=us)}"
    return figure(mid, "kPa", us=us), ends


def decision_line(decision: Doc, *, us: bool) -> str:
    """'STEP: 25.0 % duty next (now about 20.0 %), gear 3; expect 14.2 psi (13.4 to 15.1)'."""
    now, following = decision["duty_now_pct"], decision["duty_next_pct"]
    text = DECISION_SAYS[decision["state"]]
    if duty_moves(decision):
        text += f": {following:.1f} % duty next"
        text += "" if now is None else f" (now {duty_set(now)})"
    elif now is not None:
        stay = decision["state"] == "stay"
        text += f" at {now:.1f} % duty" if stay else f", now at {duty_set(now)} duty"
    if decision["gear"] is not None:
        text += f", gear {decision['gear']}"
    if decision["expected_kpa"]["mid"] is not None:
        text += "; expect {} ({})".format(*expected(decision["expected_kpa"].values(), us=us))
    for other in decision.get("other_gears", ()):  # what was kept before they were told has none
        text += f"; gear {other['gear']}: {other['duty_next_pct']:.1f} %"
    return text


# A lambda in a sentence; what it moved by is no lambda.
_LAMBDA = re.compile(
    r"((?:\blambda\b|\bended near\b)(?:(?!\bby )[^.\d]){0,30}?)([01]\.\d+)", re.IGNORECASE
)


def afr_factor(night: Night) -> float | None:
    """Air-fuel ratio for one of lambda, where the logger gave that and units are US; else None."""
    return logs_afr(night) if night.us_units else None


def logs_afr(night: Night) -> float | None:
    """The same in whatever units."""
    for audit in night.logs:
        for log in (audit.log, *(p.pull.log for p in audit.pulls)):
            channel = None if log is None else log.by_name.get("lambda")
            if channel is not None and channel.source_unit.startswith("AFR") and channel.scale > 0:
                return 1.0 / channel.scale
    return None


def told(night: Night, text: str) -> str:
    """A canonical sentence in the reader's units, an air-fuel ratio beside its first lambda."""
    factor = afr_factor(night)
    said = localise(text, us=night.us_units)
    if factor is None:
        return said
    return _LAMBDA.sub(
        lambda m: f"{m[1]}{m[2]} (air-fuel ratio {float(m[2]) * factor:.1f})", said, count=1
    )
