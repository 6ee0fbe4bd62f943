"""Words that every report shares."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from audit.model import Finding, LogAudit, Night
from audit.report.display import figure, number

VERDICT_SAYS = {
    "clear": "nothing here speaks against the next small step.",
    "hold": "do not raise boost yet.",
    "stop": "do not drive it hard until this is fixed.",
}

CAUTIONS = (
    "What a log cannot show: loose ball joints, tyres, hoses, belts, leaks, brakes. Look before each run. "
    "Test on a dyno or a closed course, one small step at a time; local law and a qualified tuner decide. "
    "This program never writes to an engine computer."
)


def plain_check(name: str) -> str:
    """A check's name for people."""
    return name.replace("_", " ")


def mended(audit: LogAudit) -> list[str]:
    """What intake left out of a file or mended in it, a sentence each: torn end, skipped lines, restarted clock."""
    if audit.log is None:
        return []
    touched = [n for n in audit.log.notes if n.line is not None or n.code is not None]
    return [n.message[:1].upper() + n.message[1:] for n in touched]


DECISION_SAYS = {"step": "STEP", "stay": "STAY", "no_step": "NO STEP"}


def every_finding(night: Night) -> list[Finding]:
    """All findings of a night, of whatever level."""
    found = list(night.findings)
    for audit in night.logs:
        found += audit.findings
        found += [f for p in audit.pulls for f in p.findings]
    return found


def headline(night: Night) -> str:
    """The verdict in one line; a clear one names how many things want watching."""
    says = VERDICT_SAYS[night.verdict]
    if night.verdict != "clear":
        return f"{night.verdict.upper()}: {says}"
    watches = len({f.code for f in every_finding(night) if f.severity == "watch"})
    things = f", with {watches} thing{'' if watches == 1 else 's'} to watch" if watches else ""
    if night.decision is not None and night.decision.state != "step":
        says = CLEAR_BUT[night.decision.state]
    return f"CLEAR{things}: {says}"


CLEAR_BUT = {
    "stay": "no reason to hold; stay where you are for now.",
    "no_step": "no reason to hold in the pulls, but no step up.",
}
Doc = Mapping[str, Any]


def decision_line(decision: Doc, *, us: bool) -> str:
    """'STEP: 25.0 % duty next (now 20.0 %), gear 3; expect 14.2 psi (13.4 to 15.1)', from its plain values."""
    now, following = decision["duty_now_pct"], decision["duty_next_pct"]
    text = DECISION_SAYS[decision["state"]]
    moves = following is not None and (now is None or abs(now - following) >= 0.25)
    if moves:
        text += f": {following:.1f} % duty next" + ("" if now is None else f" (now {now:.1f} %)")
    elif now is not None:
        text += (
            f" at {now:.1f} % duty" if decision["state"] == "stay" else f", now at {now:.1f} % duty"
        )
    if decision["gear"] is not None:
        text += f", gear {decision['gear']}"
    expected = decision["expected_kpa"]
    if expected["mid"] is not None:
        ends = (
            f"{number(expected['low'], 'kPa', us=us)} to {number(expected['high'], 'kPa', us=us)}"
        )
        text += f"; expect {figure(expected['mid'], 'kPa', us=us)} ({ends})"
    return text
