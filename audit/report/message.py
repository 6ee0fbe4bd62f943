"""The night in at most eight short lines, to paste into a message to a friend."""

from __future__ import annotations

from audit.model import Night, PullAudit
from audit.report.display import figure, number
from audit.report.names import visible, without_positions
from audit.report.words import (
    CAUTION,
    decision_line,
    every_finding,
    headline,
    mixture_said,
    told,
    worst_finding,
)

MOST = 8
LONGEST = 160  # characters of a line: a message wraps, but nobody reads a paragraph


def message(night: Night, *, date: str = "") -> list[str]:
    """Car and date, verdict, decision, the worst finding, the best pull, what to look at, the
    caution.
    """
    us, worst, found = night.us_units, worst_finding(night), every_finding(night)

    def said(text: str, head: str = "") -> str:
        return _short(head + told(night, without_positions(text, found)))

    lines = [f"{night.car.name}, {date}" if date else night.car.name, headline(night)]
    if night.decision is not None:
        lines.append(decision_line(night.decision.plain(), us=us))
        if worst is None and night.decision.state != "step":
            lines.append(said(night.decision.why))
    if worst is not None:
        lines.append(said(worst.message, f"{worst.severity}: "))
    elif night.verdict != "clear" and night.reasons:
        lines.append(said(night.reasons[0]))
    lines += _best(night, us=us)
    if night.decision is not None and (worst is not None or night.verdict != "clear"):
        lines.append(said(night.decision.first, "Look first: "))
    return [*dict.fromkeys(map(visible, lines[: MOST - 1])), CAUTION]


def _best(night: Night, *, us: bool) -> list[str]:
    """Boost and mixture of the pull that settled highest."""
    pulls = [p for a in night.logs for p in a.pulls]
    best = max(pulls, key=lambda p: p.measures.get("boost_settled_kpa") or -1.0, default=None)
    if best is None:
        return []
    gear = f"gear {best.pull.gear}, " if best.pull.gear is not None else ""
    boost = f"boost {number(best.measures.get('boost_settled_kpa'), 'kPa', us=us)} settled"
    peak = f"{figure(best.measures.get('boost_peak_kpa'), 'kPa', us=us)} peak"
    return [f"Best pull: {gear}{boost}, {peak}{_duty(best)}; {_mixture(night, best)}"]


def _duty(pull: PullAudit) -> str:
    duty = pull.measures.get("duty_mean_pct")
    return "" if duty is None else f", {duty:.0f} % duty"


def _mixture(night: Night, pull: PullAudit) -> str:
    leanest = pull.measures.get("lambda_max")
    return "mixture not known" if leanest is None else f"leanest {mixture_said(night, leanest)}"


def _short(text: str) -> str:
    """The first sentence or so, within LONGEST."""
    if len(text) <= LONGEST:
        return text
    return text[: LONGEST - 1].rsplit(" ", 1)[0] + "…"
