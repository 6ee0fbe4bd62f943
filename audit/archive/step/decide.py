"""The decision of a screened night: its verdict and watches, and the step that its history
allows.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import TYPE_CHECKING

from audit.archive.step.response import Response, response, response_of
from audit.archive.step.watches import watched_of
from audit.archive.store.rows import log_id, rows_of
from audit.model import VERDICTS, Decision, Finding, Night
from audit.night.decision import decided, first_look, repeated, watched_tonight

if TYPE_CHECKING:
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
    gear, duty = _where(night)
    first = first_look(((f.severity, f.look_at) for f in _findings(night)), night.verdict)
    reason = night.reasons[0] if night.reasons else ""
    if night.verdict != VERDICTS[0]:
        return decided(night.verdict, reason, first, duty_now=duty, gear=gear)
    nights, at = _placed(night, archive) if archive is not None else ((), 0)
    before = watched_of(archive.findings(night.car.name), nights[at - 1]) if archive and at else ()
    again = repeated(watched_tonight(night), before)
    older = at + 1 < len(nights)
    found = _response(night, archive, until=nights[at] if older else None)
    step, others = (None, ()) if found is None else (found.step, found.other_gears)
    made = decided(night.verdict, reason, first, step=step, again=again, duty_now=duty, gear=gear)
    if made.state != "no_step":
        made = dataclasses.replace(made, other_gears=others)
    return dataclasses.replace(made, why=f"{made.why} {AS_IT_WAS}") if older else made


def _findings(night: Night) -> Iterator[Finding]:
    yield from night.findings
    for audit in night.logs:
        yield from audit.findings
        for pull in audit.pulls:
            yield from pull.findings


def _where(night: Night) -> tuple[int | None, float | None]:
    """The gear most pulled, and the highest duty held in it."""
    pulls = [p for a in night.logs for p in a.pulls]
    if not pulls:
        return None, None
    gears = [p.pull.gear for p in pulls]
    gear = max(set(gears), key=lambda g: (gears.count(g), g or 0))
    duties = [
        d
        for p in pulls
        if p.pull.gear == gear and (d := p.measures.get("duty_mean_pct")) is not None
    ]
    return gear, max(duties, default=None)


def _response(night: Night, archive: Archive | None, *, until: str | None) -> Response | None:
    if archive is None:
        return response_tonight(night, only_step=True)
    setting = night.setting or None
    return response(archive, night.car, setting=setting, only_step=True, until=until)


def response_tonight(night: Night, *, only_step: bool = False) -> Response | None:
    """What the night's own pulls say of boost against duty in each gear pulled; None where it has
    none.

    only_step: as in response_of.
    """
    import polars as pl

    common = {"car": night.car.name, "date": "2000-01-01", "night_id": TONIGHT, "revision": 0}
    common |= {"setting": night.setting, "fuel": night.car.fuel, "added_at": ""}
    rows = rows_of(night, night.logs, {})
    if not rows["pull"]:
        return None
    pulls, nights, logs = (
        pl.DataFrame([common | row for row in rows[k]], infer_schema_length=None)
        for k in ("pull", "revision", "log")
    )
    return response_of(
        pulls, nights, car=night.car, logs=logs, only_step=only_step, only_driven=not only_step
    )


def _placed(night: Night, archive: Archive) -> tuple[list[str], int]:
    """The kept nights in order, and where the one that holds these logs stands among them: after
    the last where it is not kept.
    """
    nights = archive.nights(night.car.name, columns=("added_at",))
    order = nights.sort("date", "added_at", "night_id")["night_id"].to_list()
    logs = archive.logs(night.car.name, columns=("log_id",))
    ids = [log_id(a) for a in night.logs]
    own = set(logs.filter(logs["log_id"].is_in(ids))["night_id"])
    return order, min((i for i, name in enumerate(order) if name in own), default=len(order))
