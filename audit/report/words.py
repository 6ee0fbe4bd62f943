"""Words that every report shares."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from audit.model import SEVERITIES, Finding, LogAudit, Night
from audit.report.display import figure, localise, number

VERDICT_SAYS = {
    "clear": "nothing here speaks against the next small step.",
    "hold": "do not raise boost yet.",
    "stop": "do not drive it hard until this is fixed.",
}

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


def mended(audit: LogAudit) -> list[str]:
    """What intake left out of a file or mended in it, a sentence each: torn end, skipped lines,
    restarted clock.
    """
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


def worst_finding(night: Night) -> Finding | None:
    """The worst finding, of several the one that the first reason tells of; None for no more than
    notes.
    """
    lead = night.reasons[0] if night.reasons else ""
    return max(
        (f for f in every_finding(night) if f.severity != "note"),
        key=lambda f: (SEVERITIES.index(f.severity), f.message in lead),
        default=None,
    )


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
    """'STEP: 25.0 % duty next (now 20.0 %), gear 3; expect 14.2 psi (13.4 to 15.1)', from its plain
    values.
    """
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
    # rounded as the sentences have it, so that one figure reads the same in both
    expected = {k: None if v is None else round(v, 1) for k, v in decision["expected_kpa"].items()}
    if expected["mid"] is not None:
        ends = (
            f"{number(expected['low'], 'kPa', us=us)} to {number(expected['high'], 'kPa', us=us)}"
        )
        text += f"; expect {figure(expected['mid'], 'kPa', us=us)} ({ends})"
    for other in decision.get("other_gears", ()):  # what was kept before they were told has none
        text += f"; gear {other['gear']}: {other['duty_next_pct']:.1f} %"
    return text


# A lambda in a sentence; what it moved by is no lambda.
_LAMBDA = re.compile(
    r"((?:\blambda\b|\bended near\b)(?:(?!\bby )[^.\d]){0,30}?)([01]\.\d+)", re.IGNORECASE
)


def afr_factor(night: Night) -> float | None:
    """Air-fuel ratio for one of lambda, where the logger gave that and results are in US units;
    else None.
    """
    return logs_afr(night) if night.us_units else None


def logs_afr(night: Night) -> float | None:
    """The same in whatever units."""
    for audit in night.logs:
        for log in (audit.log, *(p.pull.log for p in audit.pulls)):
            channel = None if log is None else log.by_name.get("lambda")
            if channel is not None and channel.source_unit.startswith("AFR") and channel.scale > 0:
                return 1.0 / channel.scale
    return None


def mixture_said(night: Night, lam: float) -> str:
    """'lambda 0.80', or as the logger has it: 'air-fuel ratio 11.8 (lambda 0.80)'."""
    factor = afr_factor(night)
    return (
        f"lambda {lam:.2f}"
        if factor is None
        else f"air-fuel ratio {lam * factor:.1f} (lambda {lam:.2f})"
    )


def told(night: Night, text: str) -> str:
    """A canonical sentence in the reader's units, the logger's air-fuel ratio beside each
    lambda.
    """
    factor = afr_factor(night)
    said = localise(text, us=night.us_units)
    if factor is None:
        return said
    return _LAMBDA.sub(
        lambda m: f"{m[1]}{m[2]} (air-fuel ratio {float(m[2]) * factor:.1f})", said, count=1
    )
