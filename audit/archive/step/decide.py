"""The decision of a screened night: its verdict and watches, and the step that its history
allows.
"""

from __future__ import annotations

import dataclasses
import json
from typing import TYPE_CHECKING

from audit.model import VERDICTS, Decision, Night
from audit.night.decision import decided, first_look, repeated, watched_tonight

if TYPE_CHECKING:
    from audit.archive.step.response import Response
    from audit.archive.store.store import Archive

TONIGHT = "tonight"
AS_IT_WAS = (
    "(As it was after this night: newer ones are kept, and `pullaudit response` tells what they "
    "allow.)"
)


def in_history(archive: Archive, night: Night, day: str) -> Night:
    """The night of a day with what its archive says: the trends' findings, and its decision."""
    from audit.archive.trend.fleet import trend_findings
    from audit.night.screen import with_findings

    found = trend_findings(archive, night.car.name, day)
    return with_decision(with_findings(night, found) if found else night, archive)


def with_decision(night: Night, archive: Archive | None = None) -> Night:
    """The night with its decision. archive: what it is kept in, for its history; without one, the
    night's own pulls alone say how far a step may go. Raises ArchiveError for one that cannot be
    read.
    """
    if archive is not None and not archive.exists():
        archive = None
    return dataclasses.replace(night, decision=_decision(night, archive))


def _decision(night: Night, archive: Archive | None) -> Decision:
    found = [*night.findings, *(f for audit in night.logs for f in audit.findings)]
    found += [f for audit in night.logs for pull in audit.pulls for f in pull.findings]
    first = first_look(((f.severity, f.look_at) for f in found), night.verdict)
    reason, (gear, duty) = night.reasons[0] if night.reasons else "", _where(night)
    if night.verdict != VERDICTS[0]:
        return decided(night.verdict, reason, first, duty_now=duty, gear=gear)
    before: dict[str, int] = {}
    older = False
    if archive is None:
        history = response_tonight(night)
    else:
        from audit.archive.step.response import response, watched_of

        nights, at = _placed(night, archive)
        older = at + 1 < len(nights)
        before = watched_of(archive.findings(night.car.name), nights[at - 1]) if at else {}
        until = nights[at] if older else None
        setting = night.setting or None
        history = response(archive, night.car, setting=setting, only_step=True, until=until)
    again = repeated(watched_tonight(night), before)
    step = None if history is None else history.step
    made = decided(night.verdict, reason, first, step=step, again=again, duty_now=duty, gear=gear)
    made = made if history is None else history.with_others(made)
    return dataclasses.replace(made, why=f"{made.why} {AS_IT_WAS}") if older else made


def _where(night: Night) -> tuple[int | None, float | None]:
    """The gear most pulled, and the highest duty held in it."""
    pulls = [p for a in night.logs for p in a.pulls]
    gears = [p.pull.gear for p in pulls]
    gear = max(set(gears), key=lambda g: (gears.count(g), g or 0), default=None)
    duties = (p.measures.get("duty_mean_pct") for p in pulls if p.pull.gear == gear)
    return gear, max((d for d in duties if d is not None), default=None)


def response_tonight(night: Night) -> Response | None:
    """What the night's own pulls say of boost against duty; None where it has none."""
    import polars as pl

    from audit.archive.step.evidence import REALS
    from audit.archive.step.response import Response
    from audit.night.facts import facts_of

    own = {"date": "2000-01-01", "night_id": TONIGHT, "setting": night.setting}
    pulls, logs = [], []
    for audit in night.logs:
        log: dict[str, object] = {"log_id": audit.sha256 or audit.path, "path": audit.path}
        logs.append({**log, "wall_start": audit.log and audit.log.wall_start})
        facts = facts_of(audit)
        for p in audit.pulls:
            span, checks = p.pull.span, {name: {"status": c.status} for name, c in p.checks.items()}
            told = {"index": p.pull.index, "gear": p.pull.gear, "checks": json.dumps(checks)}
            speeds = {"rpm_start": span.rpm_start, "rpm_end": span.rpm_end}
            measured = {name: p.measures.get(name, facts.get(name)) for name in REALS}
            pulls.append({**own, **log, **measured, **speeds, **told})
    if not pulls:
        return None
    whole: dict[str, object] = {**own, "verdict": night.verdict, "reasons": [*night.reasons]}
    whole |= {"added_at": "", "us_units": night.us_units}
    rows, nights, started = (
        pl.DataFrame(one, infer_schema_length=None) for one in (pulls, [whole], logs)
    )
    return Response.gather(rows, nights, car=night.car, logs=started)


def _placed(night: Night, archive: Archive) -> tuple[list[str], int]:
    """The kept nights in order, and where the one that holds these logs stands among them: after
    the last where it is not kept.
    """
    from audit.archive.step.evidence import ORDER

    nights = archive.nights(night.car.name, columns=("added_at",))
    order = nights.sort(ORDER)["night_id"].to_list()
    logs = archive.logs(night.car.name, columns=("log_id",))
    ids = [audit.sha256 or audit.path for audit in night.logs]
    own = set(logs.filter(logs["log_id"].is_in(ids))["night_id"])
    return order, min((i for i, name in enumerate(order) if name in own), default=len(order))
