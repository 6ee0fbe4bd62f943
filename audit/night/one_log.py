"""The walk of one log: bytes to Log, flags, pulls, checks. Pure but for the reading.

`screen_log(path, car=car)` gives the same answer in any process, so a pool or a cluster can run it.
"""

from __future__ import annotations

import dataclasses
import logging
from pathlib import Path
from typing import TYPE_CHECKING

from audit.checks.boost.context import with_context
from audit.checks.kit.base import LimitTable
from audit.checks.kit.run import guarded, run_between, run_pull, run_whole_log
from audit.intake.raw import Rejected
from audit.model import Car, Finding, Log, LogAudit, Pull, PullAudit, Sanity
from audit.night.assemble import explained, sensors_result
from audit.night.evidence import unseen
from audit.night.facts import facts_of
from audit.night.typed import with_duty
from audit.tables import limits_for

if TYPE_CHECKING:
    import polars as pl

logger = logging.getLogger("audit.night.screen")

# kept before and after a pull when a log is slimmed: a page shows 3 s, a comparison of pulls reads
# 1.5 s
LEAD_S = 4.0


def screen_log(
    path: Path,
    *,
    car: Car,
    rate_hz: float | None = None,
    keep_frames: bool = True,
    duty_pct: float | None = None,
) -> list[LogAudit]:
    """Audit every recording in one file. rate_hz: rows a second of a log without a clock.

    duty_pct: set by hand, for a log that does not tell. Never raises for what is in the file: what
    cannot be read comes back as 'rejected'.
    """
    from audit.intake import read_logs

    try:
        entries = read_logs(path, car=car, rate_hz=rate_hz)
    except Exception as error:
        return [_failed(str(path), "", error)]
    told = (with_duty(e, duty_pct) if isinstance(e, Log) else e for e in entries)
    return [_entry(entry, car, keep_frames=keep_frames) for entry in told]


def _entry(entry: Log | Rejected, car: Car, *, keep_frames: bool) -> LogAudit:
    if not isinstance(entry, Log):
        return LogAudit(
            entry.path, entry.sha256, "rejected", error=entry.error, not_a_log=entry.not_a_log
        )
    try:
        audit = audit_log(entry, car)
        return audit if keep_frames else slim(audit)
    except Exception as error:
        return _failed(entry.path, entry.sha256, error)


def _failed(path: str, sha256: str, error: Exception) -> LogAudit:
    """A fault of this program on one file: the others go on, and the night is held."""
    logger.debug("traceback of %s", path, exc_info=error)
    sentence = (
        f"{path}: this program failed on it ({type(error).__name__}). The file is untouched; "
        "run again with PULLAUDIT_DEBUG=1 and report what it prints."
    )
    return LogAudit(path, sha256, "rejected", error=sentence)


def audit_log(log: Log, car: Car) -> LogAudit:
    """Flags, pulls and checks of one log already read."""
    from audit.pulls.between import boosted_between
    from audit.pulls.boost import ambient_doubt
    from audit.pulls.torn import tears

    limits = limits_for(car)
    log, sanity, pulls = with_pulls(log, car, limits)
    audited = tuple(_audit_pull(pull, limits) for pull in pulls)
    whole = run_whole_log(log, sanity, car, limits)
    between = boosted_between(log, sanity, car, limits, pulls)
    doubt = ambient_doubt(log) if pulls else None
    findings = (
        *sanity.findings,
        *([doubt] if doubt is not None else []),
        *(f for result in whole.values() for f in result.findings),
        *run_between([_prepared(pull) for pull in between], limits),
    )
    codes = [f.code for f in findings]
    return LogAudit(
        path=log.path,
        sha256=log.sha256,
        status="read",
        log=log,
        sanity=sanity,
        findings=tuple(explained(f, {}, codes, log) for f in findings),
        pulls=audited,
        checks=whole,
        tears=tears(log, sanity, car, limits, pulls),
        rows=log.rows,
        duration_s=log.duration_s,
        rate_hz=log.rate_hz,
    )


def with_pulls(log: Log, car: Car, limits: LimitTable) -> tuple[Log, Sanity, list[Pull]]:
    """The log over its ambient pressure, its flags, and its pulls with what the checks share of
    each.
    """
    from audit.pulls.boost import ambient_pressure
    from audit.pulls.find import find_pulls
    from audit.sanity.examine import examine

    sanity = examine(log, car)
    log = log.with_barometric(ambient_pressure(log, sanity, car, limits))
    bare = [
        Pull(index=i, span=span, log=log, sanity=sanity, car=car)
        for i, span in enumerate(find_pulls(log, sanity, car, limits), 1)
    ]
    return log, sanity, [_prepared(pull) for pull in bare]


def _prepared(pull: Pull) -> Pull:
    """The pull with its context, or without where that fails: then each check says so of itself."""
    return guarded("context", lambda: with_context(pull), pull)


def _audit_pull(pull: Pull, limits: LimitTable) -> PullAudit:
    measures, results = run_pull(pull, limits, prepare=_prepared)
    inside = [f for f in pull.sanity.findings if _overlaps(f, pull)]
    lost = unseen(pull)
    results["sensors"] = sensors_result([*inside, *lost])
    found = [
        f
        for result in results.values()
        for f in result.findings
        if not f.code.startswith("sensor.")
    ] + list(lost)
    codes = [f.code for f in (*found, *pull.sanity.findings)]
    told = tuple(explained(f, measures, codes, pull.log) for f in found)
    return PullAudit(pull=pull, measures=measures, checks=results, findings=told)


def _overlaps(finding: Finding, pull: Pull) -> bool:
    start = finding.start_s if finding.start_s is not None else float("-inf")
    end = finding.end_s if finding.end_s is not None else float("inf")
    return start <= pull.end_s and end >= pull.start_s


def slim(audit: LogAudit) -> LogAudit:
    """The audit with its log cut down to what lies around the pulls, so that it travels lightly."""
    if audit.log is None or audit.sanity is None:
        return audit
    known = audit.log.frame.select(list(dict.fromkeys(["time", *audit.log.by_name])))
    pulls = tuple(dataclasses.replace(p, pull=_slim_pull(p.pull, known)) for p in audit.pulls)
    bare = dataclasses.replace(audit.log, frame=audit.log.frame.head(0))
    sanity = dataclasses.replace(audit.sanity, samples={})
    facts = facts_of(audit)
    return dataclasses.replace(audit, log=bare, sanity=sanity, pulls=pulls, facts=facts)


def _slim_pull(pull: Pull, known: pl.DataFrame) -> Pull:
    """The pull with what lies around it of its log's canonical channels."""
    import numpy as np

    t = pull.log.time
    low, high = (int(i) for i in np.searchsorted(t, (pull.start_s - LEAD_S, pull.end_s + LEAD_S)))
    frame = known.slice(low, high - low)
    frame = frame.clone() if frame.height == pull.log.rows else frame.rechunk()
    log = dataclasses.replace(
        pull.log, frame=frame, breaks=tuple(b - low for b in pull.log.breaks if low < b < high)
    )
    sanity = dataclasses.replace(
        pull.sanity,
        samples={n: f[low:high].copy() for n, f in pull.sanity.samples.items()},
        findings=(),
    )
    span = dataclasses.replace(pull.span, start=pull.span.start - low, stop=pull.span.stop - low)
    return dataclasses.replace(pull, log=log, sanity=sanity, span=span)
