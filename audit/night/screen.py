"""The walk: bytes to Log, flags, pulls, checks, night. Pure but for the reading.

`screen_log(path, car=car)` gives the same answer in any process, so a pool or a cluster can run it.
"""

from __future__ import annotations

import dataclasses
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from audit.carfile import assumptions
from audit.checks.kit.base import Across, LimitTable
from audit.checks.kit.causes import explain
from audit.checks.kit.registry import all_checks, check_of
from audit.checks.kit.run import run_across, run_pull, run_whole_log, status_of
from audit.intake.raw import Rejected
from audit.model import (
    Car,
    CheckResult,
    Finding,
    Log,
    LogAudit,
    Measures,
    Night,
    Pull,
    PullAudit,
    Span,
)
from audit.night.evidence import unseen, with_torn
from audit.night.typed import with_duty
from audit.night.verdict import decide, worst_result
from audit.tables import channel_rows, limits_for

if TYPE_CHECKING:
    from audit.night.remote import RemoteLog

logger = logging.getLogger("audit.night.screen")

LEAD_S = 4.0  # kept before and after a pull when a log is slimmed: a page shows 3 s, a comparison of pulls reads 1.5 s
SENSOR_SCORE = {"note": 90.0, "watch": 70.0, "hold": 40.0, "stop": 10.0}
Progress = Callable[[int, int], None]


def screen_log(
    path: Path,
    *,
    car: Car,
    rate_hz: float | None = None,
    keep_frames: bool = True,
    duty_pct: float | None = None,
) -> list[LogAudit]:
    """Audit every recording in one file. rate_hz: rows a second of a log without a clock.

    duty_pct: set by hand, for a log that does not tell. Never raises for what is in the file: what cannot be read comes back as 'rejected'.
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
    from audit.pulls.boost import ambient_doubt, ambient_pressure
    from audit.pulls.find import find_pulls
    from audit.pulls.torn import tears
    from audit.sanity.examine import examine

    limits = limits_for(car)
    sanity = examine(log, car)
    log = log.with_barometric(ambient_pressure(log, sanity, car, limits))
    pulls = [
        Pull(index=i, span=span, log=log, sanity=sanity, car=car)
        for i, span in enumerate(find_pulls(log, sanity, car, limits), 1)
    ]
    audited = tuple(_audit_pull(pull, limits) for pull in pulls)
    whole = run_whole_log(log, sanity, car, limits)
    doubt = ambient_doubt(log) if pulls else None
    findings = (
        *sanity.findings,
        *([doubt] if doubt is not None else []),
        *(f for result in whole.values() for f in result.findings),
    )
    codes = [f.code for f in findings]
    return LogAudit(
        path=log.path,
        sha256=log.sha256,
        status="read",
        log=log,
        sanity=sanity,
        findings=tuple(_explained(f, {}, codes, log) for f in findings),
        pulls=audited,
        checks=whole,
        tears=tears(log, sanity, car, limits, pulls),
        rows=log.rows,
        duration_s=log.duration_s,
        rate_hz=log.rate_hz,
    )


def _audit_pull(pull: Pull, limits: LimitTable) -> PullAudit:
    measures, results = run_pull(pull, limits)
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
    explained = tuple(_explained(f, measures, codes, pull.log) for f in found)
    return PullAudit(pull=pull, measures=measures, checks=results, findings=explained)


def _overlaps(finding: Finding, pull: Pull) -> bool:
    start = finding.start_s if finding.start_s is not None else float("-inf")
    end = finding.end_s if finding.end_s is not None else float("inf")
    return start <= pull.end_s and end >= pull.start_s


def sensors_result(findings: Sequence[Finding]) -> CheckResult:
    """The check 'sensors' from the sensor findings at hand."""
    score = min([100.0, *(SENSOR_SCORE[f.severity] for f in findings)])
    return CheckResult("sensors", status_of(score, findings), score)


def _explained(finding: Finding, measures: Measures, codes: Sequence[str], log: Log) -> Finding:
    return explain(finding, measures=measures, codes=codes, missing=_lacks(log.by_name))


def _lacks(there: Iterable[str]) -> frozenset[str]:
    return frozenset(channel_rows()) - frozenset(there)


def slim(audit: LogAudit) -> LogAudit:
    """The audit with its log cut down to what lies around the pulls, so that it travels lightly."""
    if audit.log is None or audit.sanity is None:
        return audit
    pulls = tuple(dataclasses.replace(p, pull=_slim_pull(p.pull)) for p in audit.pulls)
    bare = dataclasses.replace(audit.log, frame=audit.log.frame.head(0))
    sanity = dataclasses.replace(audit.sanity, samples={})
    return dataclasses.replace(audit, log=bare, sanity=sanity, pulls=pulls)


def _slim_pull(pull: Pull) -> Pull:
    import numpy as np

    t = pull.log.time
    low, high = (int(i) for i in np.searchsorted(t, (pull.start_s - LEAD_S, pull.end_s + LEAD_S)))
    known = list(dict.fromkeys(["time", *pull.log.by_name]))
    frame = pull.log.frame.select(known).slice(low, high - low)
    frame = frame.clone() if frame.height == pull.log.rows else frame.rechunk()
    log = dataclasses.replace(
        pull.log, frame=frame, breaks=tuple(b - low for b in pull.log.breaks if low < b < high)
    )
    sanity = dataclasses.replace(
        pull.sanity,
        samples={n: f[low:high].copy() for n, f in pull.sanity.samples.items()},
        findings=(),
    )
    span: Span = dataclasses.replace(
        pull.span, start=pull.span.start - low, stop=pull.span.stop - low
    )
    slimmed = dataclasses.replace(pull, log=log, sanity=sanity, span=span)
    slimmed.taken_apart.update(pull.taken_apart)
    return slimmed


def screen_night(
    paths: Sequence[Path | RemoteLog],
    *,
    car: Car,
    rate_hz: float | None = None,
    workers: int | None = None,
    keep_frames: bool = True,
    setting: str = "",
    progress: Progress | None = None,
    cluster: str | None = None,
    duty: Mapping[str, float] | None = None,
) -> Night:
    """Audit all logs of one night of one car and decide. duty: %, set by hand, by path."""
    from audit.night.pool import audit_files

    audits = audit_files(
        paths,
        car=car,
        rate_hz=rate_hz,
        workers=workers,
        keep_frames=keep_frames,
        progress=progress,
        cluster=cluster,
        duty=duty,
    )
    return assemble(audits, car=car, setting=setting)


def assemble(audits: Iterable[LogAudit], *, car: Car, setting: str = "") -> Night:
    """A night from its audited logs: what only the whole night shows, the checks' worst, the verdict."""
    logs = with_torn(_in_order(_once(audits)))
    limits = limits_for(car)
    flat = [(i, p) for i, log in enumerate(logs) for p in log.pulls]
    across = run_across([p.pull for _, p in flat], [p.measures for _, p in flat], limits)
    logs, night_findings = _place(logs, [(i, p.pull.index) for i, p in flat], across)
    checks = _night_checks(logs, across, night_findings)
    verdict, reasons = decide(logs, checks, night_findings)
    us = car.units == "us" or (
        car.units is None and any(a.log is not None and a.log.us_units for a in logs)
    )
    return Night(
        car=car,
        logs=tuple(logs),
        verdict=verdict,
        reasons=reasons,
        checks=checks,
        findings=night_findings,
        assumed=assumptions(car),
        us_units=us,
        setting=setting,
    )


def with_findings(night: Night, findings: Sequence[Finding]) -> Night:
    """The night with what its archive adds (trends), decided again; its own findings stay where they are."""
    every = (*night.findings, *findings)
    checks = dict(night.checks)
    for name, results in _by_check(findings).items():
        checks[name] = worst_result(name, [*([checks[name]] if name in checks else []), *results])
    verdict, reasons = decide(night.logs, checks, every)
    return dataclasses.replace(
        night, findings=every, checks=checks, verdict=verdict, reasons=reasons
    )


def _once(audits: Iterable[LogAudit]) -> list[LogAudit]:
    """The same recording under two names is judged once."""
    seen: dict[str, str] = {}
    out = []
    for audit in audits:
        if audit.status == "read" and audit.sha256 in seen:
            error = f"{audit.path}: the same recording as {seen[audit.sha256]}; it is judged there."
            out.append(LogAudit(audit.path, audit.sha256, "rejected", error=error, not_a_log=True))
            continue
        if audit.status == "read":
            seen[audit.sha256] = audit.path
        out.append(audit)
    return out


def _in_order(audits: list[LogAudit]) -> list[LogAudit]:
    """By wall clock when every log has one, else as given."""
    read = [a for a in audits if a.status == "read"]
    if not all(a.log is not None and a.log.wall_start for a in read):
        return audits
    starts = {a.path: a.log.wall_start for a in read if a.log is not None}
    return sorted(audits, key=lambda a: starts.get(a.path) or "9999")


def _place(
    logs: list[LogAudit], where: Sequence[tuple[int, int]], across: Mapping[str, Across]
) -> tuple[list[LogAudit], tuple[Finding, ...]]:
    """Each finding over several pulls at the narrowest level that holds all its evidence."""
    codes = [f.code for r in across.values() for f, _ in r.findings]
    codes += [f.code for log in logs for p in log.pulls for f in p.findings]
    lacks = _lacks(_channels(logs))
    night: list[Finding] = []
    for result in across.values():
        for finding, indices in result.findings:
            places = {where[i] for i in indices}
            in_logs = {log for log, _ in places}
            if len(in_logs) != 1:
                night.append(explain(finding, measures={}, codes=codes, missing=lacks))
                continue
            log = in_logs.pop()
            audit = logs[log]
            if audit.log is None:
                continue
            explained = _explained(finding, {}, codes, audit.log)
            if len(places) == 1:
                logs[log] = _with_pull_finding(audit, places.pop()[1], explained)
            else:
                logs[log] = dataclasses.replace(audit, findings=(*audit.findings, explained))
    return logs, tuple(night)


def _channels(logs: Sequence[LogAudit]) -> set[str]:
    return {name for a in logs if a.log is not None for name in a.log.by_name}


def _with_pull_finding(audit: LogAudit, index: int, finding: Finding) -> LogAudit:
    pulls = list(audit.pulls)
    pull = pulls[index - 1]
    name = check_of(finding.code) or ""
    checks = dict(pull.checks)
    if name in checks:
        old = checks[name]
        status = status_of(old.score, [*old.findings, finding])
        score = min([s for s in (old.score, SENSOR_SCORE[finding.severity]) if s is not None])
        checks[name] = dataclasses.replace(old, status=status, score=score)
    pulls[index - 1] = dataclasses.replace(pull, checks=checks, findings=(*pull.findings, finding))
    return dataclasses.replace(audit, pulls=tuple(pulls))


def _night_checks(
    logs: Sequence[LogAudit], across: Mapping[str, Across], night_findings: Sequence[Finding]
) -> dict[str, CheckResult]:
    """The night's worst of each check, from pulls, whole logs and the comparison of pulls."""
    found: dict[str, list[CheckResult]] = {check.NAME: [] for check in all_checks()}
    for log in logs:
        for pull in log.pulls:
            for name, result in pull.checks.items():
                found.setdefault(name, []).append(result)
        for name, result in log.checks.items():
            found[name].append(result)
    for name, over in across.items():
        judged = [f for f, _ in over.findings]
        if over.score is not None or judged:
            found[name].append(CheckResult(name, status_of(over.score, judged), over.score))
    sensor = [f for log in logs for f in log.findings if f.code.startswith("sensor.")]
    sensor += [
        f for log in logs for p in log.pulls for f in p.findings if f.code.startswith("sensor.")
    ]
    found["sensors"] = [sensors_result(sensor)] if any(a.status == "read" for a in logs) else []
    for name, results in _by_check(night_findings).items():
        found.setdefault(name, []).extend(results)
    return {name: worst_result(name, results) for name, results in found.items()}


def _by_check(findings: Sequence[Finding]) -> dict[str, list[CheckResult]]:
    """Findings of the whole night as results of the checks that they belong to; a note weighs nothing."""
    found: dict[str, list[CheckResult]] = {}
    for finding in findings:
        owner = check_of(finding.code)
        if owner is not None and finding.severity != "note":
            score = SENSOR_SCORE[finding.severity]
            found.setdefault(owner, []).append(
                CheckResult(owner, status_of(score, [finding]), score)
            )
    return found
