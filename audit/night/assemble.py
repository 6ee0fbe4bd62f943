"""A night from its audited logs: what only the whole night shows, the checks' worst, the
verdict.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence

from audit.carfile import assumptions
from audit.checks.kit.base import Across
from audit.checks.kit.causes import explain
from audit.checks.kit.registry import all_checks, check_of
from audit.checks.kit.run import run_across, status_of
from audit.model import SCORE_AT, Car, CheckResult, Finding, Log, LogAudit, Measures, Night
from audit.night.evidence import with_torn
from audit.night.verdict import decide, worst_result
from audit.tables import channel_rows, limits_for

SENSOR_SCORE = {"note": 90.0, **SCORE_AT}


def assemble(audits: Iterable[LogAudit], *, car: Car, setting: str = "") -> Night:
    """A night from its audited logs: what only the whole night shows, the checks' worst, the
    verdict.
    """
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
    """The night with what its archive adds (trends), decided again; its own findings stay where
    they are.
    """
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
            told = explained(finding, {}, codes, audit.log)
            if len(places) == 1:
                logs[log] = _with_pull_finding(audit, places.pop()[1], told)
            else:
                logs[log] = dataclasses.replace(audit, findings=(*audit.findings, told))
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
        checks[name] = old._replace(status=status, score=score)
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
    """Findings of the whole night as results of the checks that they belong to; a note weighs
    nothing.
    """
    found: dict[str, list[CheckResult]] = {}
    for finding in findings:
        owner = check_of(finding.code)
        if owner is not None and finding.severity != "note":
            score = SENSOR_SCORE[finding.severity]
            found.setdefault(owner, []).append(
                CheckResult(owner, status_of(score, [finding]), score)
            )
    return found


def sensors_result(findings: Sequence[Finding]) -> CheckResult:
    """The check 'sensors' from the sensor findings at hand."""
    score = min([100.0, *(SENSOR_SCORE[f.severity] for f in findings)])
    return CheckResult("sensors", status_of(score, findings), score)


def explained(finding: Finding, measures: Measures, codes: Sequence[str], log: Log) -> Finding:
    """The finding with its causes, of a log. codes: of all findings beside it."""
    return explain(finding, measures=measures, codes=codes, missing=_lacks(log.by_name))


def _lacks(there: Iterable[str]) -> frozenset[str]:
    return frozenset(channel_rows()) - frozenset(there)
