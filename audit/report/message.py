"""The night in at most eight short lines, to paste into a message to a friend."""

from __future__ import annotations

from audit.model import Night
from audit.report import words
from audit.report.display import figure, number
from audit.report.names import visible, without_positions

MOST = 8
LONGEST = 160  # characters of a line: a message wraps, but nobody reads a paragraph


def message(night: Night, *, date: str = "") -> list[str]:
    """Car and date, verdict, decision, worst finding, best pull, what to look at, caution."""
    worst, found, decision = words.worst_finding(night), words.every_finding(night), night.decision

    def said(text: str, head: str = "") -> str:
        """The first sentence or so, within LONGEST."""
        line = head + words.told(night, without_positions(text, found))
        return line if len(line) <= LONGEST else f"{line[: LONGEST - 1].rsplit(' ', 1)[0]}…"

    lines = [f"{night.car.name}, {date}" if date else night.car.name, words.headline(night)]
    if decision is not None:
        lines.append(words.decision_line(decision.plain(), us=night.us_units))
        if worst is None and decision.state != "step":
            lines.append(said(decision.why))
    if worst is not None:
        lines.append(said(worst.message, f"{worst.severity}: "))
    elif night.verdict != "clear" and night.reasons:
        lines.append(said(night.reasons[0]))
    lines += _best(night, us=night.us_units)
    if decision is not None and (worst is not None or night.verdict != "clear"):
        lines.append(said(decision.first, "Look first: "))
    return [*dict.fromkeys(map(visible, lines[: MOST - 1])), words.CAUTION]


def _best(night: Night, *, us: bool) -> list[str]:
    """Boost, duty and mixture of the pull that settled highest."""
    pulls = [p for a in night.logs for p in a.pulls]
    best = max(pulls, key=lambda p: p.measures.get("boost_settled_kpa") or -1.0, default=None)
    if best is None:
        return []
    settled, peak, duty, leanest = map(
        best.measures.get, ("boost_settled_kpa", "boost_peak_kpa", "duty_mean_pct", "lambda_max")
    )
    gear = f"gear {best.pull.gear}, " if best.pull.gear is not None else ""
    boost = f"boost {number(settled, 'kPa', us=us)} settled, {figure(peak, 'kPa', us=us)} peak"
    held = "" if duty is None else f", {duty:.0f} % duty"
    factor, mixture = words.afr_factor(night), "mixture not known"
    if leanest is not None:
        ratio = f"lambda {leanest:.2f}"
        both = ratio if factor is None else f"air-fuel ratio {leanest * factor:.1f} ({ratio})"
        mixture = f"leanest {both}"
    return [f"Best pull: {gear}{boost}{held}; {mixture}"]
