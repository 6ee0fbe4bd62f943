"""The first screen: the one decision with what it stands on. The decision is made elsewhere and
only shown here.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from audit.errors import PullauditError
from audit.model import Decision, Night, PullAudit
from audit.report.display import figure, number
from audit.report.message import message
from audit.report.names import isolated, without_folders, without_positions
from audit.report.page.marks import Numbered, amount, pull_ids, value_of
from audit.report.page.picture import by_pull, of_finding
from audit.report.words import every_finding, sentence, told, worst_finding

HEADS = {"step": "Step up", "stay": "Stay", "no_step": "No step up"}


@dataclass(frozen=True)
class Worst:
    """The worst finding: severity, figure, limit, its number on the page, and its picture or
    None.
    """

    n: int
    severity: str
    value: str
    limit: str
    message: Any
    chart: dict[str, Any] | None


@dataclass(frozen=True)
class First:
    """state: 'step', 'stay', 'no_step', or "" where none was made; rows: (label, figure, more);
    text: for a tuner.
    """

    state: str
    head: str
    rows: list[tuple[str, str, str]]
    why: Any
    look: Any
    worst: Worst | None
    text: str


WithLog = Callable[[PullAudit], PullAudit]


def first_of(
    night: Night, found: Sequence[Numbered], *, date: str, with_log: WithLog | None
) -> First:
    """What the first screen says of a night. with_log: a pull with its log, to draw the worst
    finding; None draws none.
    """
    decision = night.decision
    text = "\n".join(message(night, date=date))
    worst = _worst(night, found, with_log)
    findings = every_finding(night)
    if decision is None:
        return First("", "", [], "", "", worst, text)

    def said(sentence: str) -> Any:
        plain = without_positions(sentence, findings)
        return isolated(without_folders(told(night, plain), night), night)

    told_already = worst is not None and night.reasons and decision.why == night.reasons[0]
    why = "" if told_already else said(decision.why)  # may begin with a file's name
    return First(
        decision.state,
        HEADS[decision.state],
        facts(decision, us=night.us_units),
        why,
        said(sentence(decision.first)),
        worst,
        text,
    )


def facts(decision: Decision, *, us: bool) -> list[tuple[str, str, str]]:
    """(label, figure, more) of a decision, as every page shows it."""
    now, following = decision.duty_now_pct, decision.duty_next_pct
    gear = "" if decision.gear is None else f"gear {decision.gear}"
    rows = [("duty tonight", "not known" if now is None else f"{now:.1f} %", gear)]
    if decision.state == "no_step":
        rows.append(("next duty", "no step up", ""))
    elif following is not None and (now is None or abs(following - now) >= 0.25):
        rows.append(("next duty", f"{following:.1f} %", ""))
    elif decision.state == "stay":
        rows.append(("next duty", "stay" if now is None else f"stay at {now:.1f} %", ""))
    else:
        rows.append(("next duty", "a small step", "how large is not known"))
    if decision.expected_kpa is not None:
        low, mid, high = decision.expected_kpa
        ends = f"{number(low, 'kPa', us=us)} to {number(high, 'kPa', us=us)}, nine in ten"
        rows.append(("boost expected", figure(mid, "kPa", us=us), ends))
    elif decision.state == "step":
        rows.append(("boost expected", "not known", ""))
    return rows


def _worst(night: Night, found: Sequence[Numbered], with_log: WithLog | None) -> Worst | None:
    """The worst finding, of several the one that the first reason tells of."""
    f = worst_finding(night)
    item = next((i for i in found if i.finding is f), None)
    if f is None or item is None:
        return None
    audit = next((p for name, _, p in pull_ids(night) if name == item.pull), None)
    chart = None
    if with_log is not None and audit is not None:
        try:
            chart = of_finding(item, with_log(audit), us=night.us_units)
        except PullauditError:  # a kept log that cannot be read: the page says all else
            chart = None
    elif audit is None:
        own = next((a.pulls for a in night.logs if any(f is g for g in a.findings)), ())
        chart = by_pull(item, own, us=night.us_units)
    plain = without_positions(f.message, [f])
    return Worst(
        item.n,
        f.severity,
        value_of(f, audit.measures if audit is not None else {}, us=night.us_units),
        amount(f.limit, f, us=night.us_units),
        isolated(without_folders(sentence(told(night, plain)), night), night),
        chart,
    )
