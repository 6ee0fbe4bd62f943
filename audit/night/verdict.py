"""Findings and missing evidence to a verdict, with its reasons in sentences, worst first."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from audit.model import (
    REQUIRED_CHECKS,
    CheckResult,
    Finding,
    LogAudit,
    PullAudit,
    worst_of,
)

# Causes for which a required check that was not evaluated in one pull counts, whatever the other
# pulls say. A pull too short to judge does not: the driver lifted, and the others speak.
COUNTS_EVERYWHERE = {"missing", "not_believed", "too_slow", "crashed"}
_WORST_FIRST = {"fail": 0, "watch": 1, "not_evaluated": 2, "pass": 3}


def worst_result(name: str, results: Sequence[CheckResult]) -> CheckResult:
    """The night's result of one check: the worst of its results, missing evidence being worse than
    a pass.
    """
    if not results:
        return CheckResult(name, "not_evaluated", None, "no pull to judge", "missing")
    evaluated = [r for r in results if r.score is not None]
    # A pull too short to judge says nothing of the night where another pull could be judged.
    speaking = (
        [r for r in results if r.cause in COUNTS_EVERYWHERE or r.score is not None]
        if evaluated
        else results
    )
    scores = [r.score for r in results if r.score is not None]
    worst = min(
        speaking, key=lambda r: (_WORST_FIRST[r.status], r.score if r.score is not None else 101.0)
    )
    if worst.status == "not_evaluated":
        return CheckResult(name, "not_evaluated", None, worst.why, worst.cause)
    return CheckResult(name, worst.status, min(scores) if scores else None, worst.why, worst.cause)


def decide(
    logs: Sequence[LogAudit], checks: Mapping[str, CheckResult], night_findings: Sequence[Finding]
) -> tuple[str, tuple[str, ...]]:
    """(verdict, reasons). Missing evidence holds; it never clears."""
    blame = [*_blame(logs, night_findings)]
    gaps = list(dict.fromkeys(_gaps(logs, checks)))
    gaps = [gap for gap in gaps if not any(text.startswith(gap) for _, text in blame)]
    stops = [text for severity, text in blame if severity == "stop"]
    holds = [text for severity, text in blame if severity == "hold"]
    if stops:
        return "stop", tuple(dict.fromkeys([*stops, *holds, *gaps]))
    if holds or gaps:
        return "hold", tuple(dict.fromkeys([*holds, *gaps]))
    watches = tuple(text for severity, text in blame if severity == "watch")
    return "clear", (_all_well(logs, len(watches)), *watches)


def _blame(logs: Sequence[LogAudit], night_findings: Sequence[Finding]) -> list[tuple[str, str]]:
    """(severity, sentence) of what is watch or worse, one a code, its worst."""
    placed: list[tuple[Finding, str]] = [(f, "") for f in night_findings]
    for log in logs:
        placed += [(f, f"{_short(log.path)}: ") for f in log.findings]
        for pull in log.pulls:
            placed += [(f, f"{_short(log.path)}, pull {pull.pull.index}: ") for f in pull.findings]
    said: dict[str, list[tuple[Finding, str]]] = {}
    for finding, where in placed:
        if finding.severity != "note":
            said.setdefault(finding.code, []).append((finding, where))
    return [_told_once(alike) for alike in said.values()]


def _told_once(alike: Sequence[tuple[Finding, str]]) -> tuple[str, str]:
    """(severity, sentence) of the worst of one code, with how many more there are."""
    worst, where = alike[worst_of([finding for finding, _ in alike])]
    return worst.severity, where + worst.message + _again(len(alike))


def _again(times: int) -> str:
    return f" (and {times - 1} more like it)" if times > 1 else ""


def _short(path: str) -> str:
    return path.replace("\\", "/").rsplit("/", 1)[-1]


def _gaps(logs: Sequence[LogAudit], checks: Mapping[str, CheckResult]) -> Iterable[str]:
    read = [log for log in logs if log.status == "read"]
    pulls = [pull for log in read for pull in log.pulls]
    if not read:
        yield _no_pull(read)
    for log in logs:
        if log.status == "rejected" and not log.not_a_log:
            yield (
                f"{_short(log.path)} could not be read, so what it holds is not judged: {log.error}"
            )
    if not pulls:
        if read:
            yield _no_pull(read)
        yield from _missing_channels(read)
        return
    for name in REQUIRED_CHECKS:
        hit = [(log, pull) for log in read for pull in log.pulls if _counts(pull, name)]
        if hit:
            log, pull = hit[0]
            more = f", and in {len(hit) - 1} more" if len(hit) > 1 else ""
            where = f"{_short(log.path)}, pull {pull.pull.index}{more}"
            yield f"{_plain(name)} could not be judged ({where}): {pull.checks[name].why}."
        elif all(p.checks[name].status == "not_evaluated" for p in pulls if name in p.checks):
            yield f"{_plain(name)} could not be judged in any pull: {checks[name].why}."


def _counts(pull: PullAudit, name: str) -> bool:
    result = pull.checks.get(name)
    return result is None or (
        result.status == "not_evaluated" and result.cause in COUNTS_EVERYWHERE
    )


def _plain(name: str) -> str:
    return name.replace("_", " ").capitalize()


def _no_pull(read: Sequence[LogAudit]) -> str:
    if not read:
        return "No log could be read, so nothing is judged."
    names = ", ".join(_short(log.path) for log in read[:3]) + (", …" if len(read) > 3 else "")
    return (
        f"No wide-open pull was found in {names}, so nothing is judged: "
        "log a full-throttle pull of some seconds in one gear."
    )


def _missing_channels(read: Sequence[LogAudit]) -> Iterable[str]:
    for log in read:
        for finding in log.findings:
            if finding.code in ("sensor.missing", "sensor.slow") and finding.severity in (
                "watch",
                "hold",
            ):
                yield f"{_short(log.path)}: {finding.message}"


def _all_well(logs: Sequence[LogAudit], watches: int) -> str:
    pulls = sum(len(log.pulls) for log in logs)
    said = f"; {watches} thing{'s' if watches != 1 else ''} to watch" if watches else ""
    return (
        f"Boost, mixture, heat and swing checked in {pulls} pull{'s' if pulls != 1 else ''}: "
        f"no reason to hold{said}."
    )
