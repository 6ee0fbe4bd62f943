"""Runs the checks on a pull, a log and a night; what cannot be judged is said, never passed.

A check that crashes becomes 'not_evaluated' with the cause 'crashed': the rest of the night holds.
"""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from audit.checks.kit.base import Across, Check, Judged, LimitTable, Measured, worst_of_each
from audit.checks.kit.registry import all_checks
from audit.declared import channel_of
from audit.model import (
    SCORE_AT,
    Car,
    CheckResult,
    Finding,
    Log,
    Measures,
    Pull,
    Sanity,
    base_of,
    worst_severity,
)

log = logging.getLogger("audit.checks")
T = TypeVar("T")
WholeLog = Callable[[Log, Sanity, Car, LimitTable], Judged]
AcrossPulls = Callable[[Sequence[Pull], Sequence[Measures], LimitTable], Across]
Prepare = Callable[[Pull], Pull]

# Readable names where the canonical one would puzzle; underscores are blanks elsewhere.
PLAIN = {"boost": "manifold pressure", "lambda": "lambda or air-fuel ratio"}
# A channel counts as believed in a pull when its believed samples span this share of it.
LEAST_SPAN = 0.7
UNBELIEVED = ("not_believed", "crashed")  # evidence that was there and is lost
_CRASHED = ("crashed", "the check itself failed on these samples; please report the log")
_RANK = {None: 0, "note": 0, "watch": 1, "hold": 3, "stop": 4}


def plain(name: str) -> str:
    """A channel's name for people."""
    return PLAIN.get(name, name.replace("_", " "))


def status_of(score: float | None, findings: Sequence[Finding]) -> str:
    """pass, watch or fail by the worst finding; not_evaluated without score and findings."""
    severities = {f.severity for f in findings}
    if severities & {"hold", "stop"}:
        return "fail"
    if "watch" in severities:
        return "watch"
    return "not_evaluated" if score is None else "pass"


def obstacle(check: Check, pull: Pull) -> tuple[str, str] | None:
    """(cause, sentence) when a needed channel is missing, not believed or too slow in the pull."""
    for need in check.DECLARED.needs:
        options = [_obstacle(check, pull, name) for name in need.split("|")]
        if None not in options:
            return options[0]
    return None


def _obstacle(check: Check, pull: Pull, name: str) -> tuple[str, str] | None:
    channel, said = channel_of(name), plain(name)
    if not pull.log.has(channel):
        return "missing", f"the log has no {said}"
    series = pull.believed(name)
    length, rate = pull.end_s - pull.start_s, pull.log.by_name[channel].rate_hz
    if not series:
        return _why_empty(pull, channel, name)
    if rate < check.DECLARED.least_rate_hz * 0.98:
        least = f"{check.DECLARED.least_rate_hz:g} are needed"
        return "too_slow", f"{said} comes {rate:.3g} times a second; {least}"
    reach = float(series.t[-1] - series.t[0]) + 1.0 / max(rate, 1e-6)
    due = length * rate
    if len(series.t) < LEAST_SPAN * due - 1 or reach < LEAST_SPAN * length:
        share = 100 * min(1.0, len(series.t) / max(due, 1.0))
        few = f"only {share:.0f} % of the {said} samples in the pull can be believed"
        return "not_believed", few
    return None


def _why_empty(pull: Pull, channel: str, name: str) -> tuple[str, str]:
    said = plain(name)
    if pull.sanity.says_nothing(channel):
        return "missing", f"{said} has a column but not one sample of a sensor in the log"
    values = pull.log.values(channel)[pull.span.start : pull.span.stop]
    if np.isfinite(values).any():
        return "not_believed", f"no {said} sample in the pull can be believed"
    rate = pull.log.by_name[channel].rate_hz
    if 0 < rate < 1.0 / max(pull.end_s - pull.start_s, 1e-6):
        return "too_slow", f"{said} comes {rate:.3g} times a second, so the pull has none"
    return "not_believed", f"{said} has no sample in the pull"


def run_pull(
    pull: Pull, limits: LimitTable, *, prepare: Prepare = lambda pull: pull
) -> tuple[dict[str, float | None], dict[str, CheckResult]]:
    """All checks on one pull: its measures and the results by check name.

    A check runs once more for each further sensor of a channel that it reads; the worst result and
    its measures count. Parts of one check come together the same way. prepare: gives a pull seen by
    a further sensor its context."""
    measures: dict[str, float | None] = {}
    results: dict[str, list[CheckResult]] = {}
    view = functools.cache(lambda sensor: prepare(seen_by(pull, sensor)))
    with np.errstate(all="ignore"):
        for check in all_checks():
            figures, result = _worst_sensor(check, pull, limits, view)
            measures.update(figures)
            results.setdefault(check.NAME, []).append(result)
    return measures, {name: joined(parts) for name, parts in results.items()}


def run_check(check: Check, pull: Pull, limits: LimitTable) -> tuple[Measures, CheckResult]:
    """One check, or one part of one, on a pull, by every sensor."""
    with np.errstate(all="ignore"):
        return _worst_sensor(check, pull, limits, functools.partial(seen_by, pull))


def _worst_sensor(
    check: Check, pull: Pull, limits: LimitTable, view: Callable[[str], Pull]
) -> tuple[Measures, CheckResult]:
    measured, result = _run_one(check, pull, limits)
    figures, every = measured.values, [result]
    for sensor in other_sensors(check, pull.log):
        measured, result = _run_one(check, view(sensor), limits)
        result = _named(result, sensor, pull.log)
        if _rank(result) > max(map(_rank, every)):
            figures = measured.values
        every.append(result)
    return figures, joined(every)


def _rank(result: CheckResult) -> tuple[int, float]:
    """By the worst finding, missing evidence between watch and hold, then by the score."""
    rank = _RANK[worst_severity([f.severity for f in result.findings])]
    rank = max(rank, 2) if result.status == "not_evaluated" else rank
    return rank, -(100.0 if result.score is None else result.score)


def joined(results: Sequence[CheckResult]) -> CheckResult:
    """Results of one check by several sensors, or of its parts, as one.

    The worst counts, with the worst finding of each code. What a log does not carry (no such
    channel, too slow, too short) says nothing where something else could be judged; what it carries
    and is not believed does."""
    if len(results) == 1:
        return results[0]
    speaking = [r for r in results if r.status != "not_evaluated" or r.cause in UNBELIEVED]
    # that a part's own channel is not in the log says less than why the rest could not be judged
    tried = [r for r in results if r.cause != "missing"]
    worst = max(speaking or tried or results, key=_rank)
    return worst._replace(findings=worst_of_each(f for r in results for f in r.findings))


def other_sensors(check: Check, log: Log) -> tuple[str, ...]:
    """The further sensors, 'lambda_2', of the channels that a check needs or is helped by.

    None of a channel of which the check names a further sensor itself: it compares them."""
    further = sorted(n for n in log.by_name if base_of(n) != n)
    if not further:
        return ()
    needs = (*check.DECLARED.needs, *check.DECLARED.helped_by)
    reads = {channel_of(name) for need in needs for name in need.split("|")}
    reads -= {base_of(name) for name in reads if base_of(name) != name}
    return tuple(n for n in further if base_of(n) in reads)


def seen_by(pull: Pull, sensor: str) -> Pull:
    """The pull with this sensor in the place of the first of its quantity."""
    log, sanity = swapped(pull.log, pull.sanity, sensor)
    return replace(pull, log=log, sanity=sanity, context=None)


def swapped(log: Log, sanity: Sanity, sensor: str) -> tuple[Log, Sanity]:
    """A sensor and the first of its quantity in each other's place; nothing is copied."""
    other = {sensor: base_of(sensor), base_of(sensor): sensor}

    def renamed(kept: Mapping[str, T]) -> dict[str, T]:
        return {other.get(name, name): value for name, value in kept.items()}

    channels = tuple(replace(c, name=other.get(c.name, c.name)) for c in log.channels)
    changed = replace(log, frame=log.frame.rename(other, strict=False), channels=channels)
    return changed, replace(
        sanity,
        samples=renamed(sanity.samples),
        tests=renamed(sanity.tests),
        flags=renamed(sanity.flags),
        noise=renamed(sanity.noise),
    )


def _named(result: CheckResult, sensor: str, log: Log) -> CheckResult:
    """The result of a view, its findings under the name of the sensor that was looked through."""
    source, first = log.by_name[sensor].source, base_of(sensor)
    said = f' This is the reading of {plain(sensor)}, column "{source}".'
    findings = tuple(
        replace(f, channel=sensor if f.channel == first else f.channel, message=f.message + said)
        for f in result.findings
    )
    why = f"{plain(sensor)}: {result.why}" if result.why else ""
    return result._replace(findings=findings, why=why)


def run_whole_log(log: Log, sanity: Sanity, car: Car, limits: LimitTable) -> dict[str, CheckResult]:
    """The checks that look outside the pulls too, by every sensor, where they could judge."""
    found: dict[str, list[CheckResult]] = {}
    for check in all_checks():
        whole_log: WholeLog | None = getattr(check, "whole_log", None)
        if whole_log is None:
            continue
        for sensor in ("", *other_sensors(check, log)):
            seen = swapped(log, sanity, sensor) if sensor else (log, sanity)
            call = functools.partial(whole_log, *seen, car, limits)
            judged = _doubted(check, seen[0], guarded(check.NAME, call, Judged(None)))
            if judged.score is not None or judged.findings:
                status = status_of(judged.score, judged.findings)
                result = CheckResult(check.NAME, status, judged.score, findings=judged.findings)
                result = _named(result, sensor, log) if sensor else result
                found.setdefault(check.NAME, []).append(result)
    return {name: joined(results) for name, results in found.items()}


def run_between(stretches: Sequence[Pull], limits: LimitTable) -> tuple[Finding, ...]:
    """What the checks say of boost outside the pulls, of each code the worst.

    No more than a hold: what a part-throttle map is meant to do is not known."""
    said = " It was outside the pulls, under boost at part throttle or in a short stab."
    return tuple(_held(f, said) for f in worst_of_each(_between(stretches, limits)))


def _between(stretches: Sequence[Pull], limits: LimitTable) -> Iterator[Finding]:
    for check in all_checks():
        for pull in stretches if check.DECLARED.between else ():
            findings = run_check(check, pull, limits)[1].findings
            yield from (f for f in findings if f.code in check.DECLARED.between)


def _held(finding: Finding, said: str) -> Finding:
    """The finding as a hold at most, and why."""
    severity = "hold" if finding.severity == "stop" else finding.severity
    return replace(finding, severity=severity, message=finding.message + said)


def _doubted(check: Check, log: Log, judged: Judged) -> Judged:
    """What rests on a channel whose unit is a guess holds at most: it may be another figure."""
    if not judged.findings:
        return judged
    return judged._replace(findings=tuple(_capped(check, log, f) for f in judged.findings))


def _capped(check: Check, log: Log, finding: Finding) -> Finding:
    if finding.severity != "stop":
        return finding
    rests = dict.fromkeys([finding.channel or "", *check.DECLARED.channels])
    doubted = [plain(n) for n in rests if n in log.by_name and log.by_name[n].doubtful]
    holds = "so this holds and does not stop: name it in the car file."
    said = f" The unit of {' and '.join(doubted)} is a guess, {holds}"
    return _held(finding, said) if doubted else finding


def _run_one(check: Check, pull: Pull, limits: LimitTable) -> tuple[Measured, CheckResult]:
    if (blocked := obstacle(check, pull)) is not None:
        return Measured(), CheckResult(check.NAME, "not_evaluated", None, blocked[1], blocked[0])
    measured = _caught(check.NAME, lambda: check.measure(pull, limits), Measured(unable=_CRASHED))
    judged = _caught(check.NAME, lambda: check.judge(measured, limits), Judged(None))
    judged = _doubted(check, pull.log, judged)
    status, score = status_of(judged.score, judged.findings), _score(judged)
    cause, why = measured.unable or ("", "")
    if measured.unable is None and status == "not_evaluated":
        cause, why = "missing", _nothing_to_judge(check, limits)
    if status == "not_evaluated" or (measured.unable and status == "pass"):
        status, score = "not_evaluated", None
    return measured, CheckResult(check.NAME, status, score, why, cause, judged.findings)


def _nothing_to_judge(check: Check, limits: LimitTable) -> str:
    """Why a check that was run has no score; a code without a limit is named, for who adds one."""
    lacking = [code for code in check.CODES if not limits.rows(code)]
    table = f": schemas/thresholds.toml has no row for {', '.join(lacking)}" if lacking else ""
    return f"nothing in the pull to judge{table}"


def _score(judged: Judged) -> float | None:
    """The score, never better than its worst finding's level allows."""
    score = 100.0 if judged.score is None else judged.score
    return min([score, *(SCORE_AT[f.severity] for f in judged.findings if f.severity in SCORE_AT)])


def guarded(name: str, call: Callable[[], T], otherwise: T) -> T:
    """The call's result, or `otherwise` when it crashed; the traceback goes to the debug log."""
    with np.errstate(all="ignore"):
        return _caught(name, call, otherwise)


def _caught(name: str, call: Callable[[], T], otherwise: T) -> T:
    try:
        return call()
    except Exception:
        log.warning("check %s failed on a pull; its result is not evaluated", name)
        log.debug("traceback of check %s", name, exc_info=True)
        return otherwise


def run_across(
    pulls: Sequence[Pull], measures: Sequence[Measures], limits: LimitTable
) -> Mapping[str, Across]:
    """The checks that compare pulls, over all pulls of a night in order."""
    found: dict[str, Across] = {}
    for check in all_checks():
        across: AcrossPulls | None = getattr(check, "across", None)
        if across is not None and pulls:
            call = functools.partial(across, pulls, measures, limits)
            over = guarded(check.NAME, call, Across())
            findings = tuple((_capped(check, pulls[i[0]].log, f), i) for f, i in over.findings)
            found[check.NAME] = over._replace(findings=findings)
    return found
