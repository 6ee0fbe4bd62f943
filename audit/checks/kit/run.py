"""Runs the checks on a pull, a log and a night; what cannot be judged is said, never passed.

A check that crashes becomes 'not_evaluated' with the cause 'crashed': the rest of the night holds.
"""

from __future__ import annotations

import functools
import logging
from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

import numpy as np

from audit.checks.kit.base import Across, Check, Judged, LimitTable, Measured
from audit.checks.kit.registry import all_checks
from audit.model import CheckResult, Finding, Measures, Pull

log = logging.getLogger("audit.checks")
T = TypeVar("T")
AcrossPulls = Callable[[Sequence[Pull], Sequence[Measures], LimitTable], Across]

# Readable names where the canonical one would puzzle; underscores are blanks elsewhere.
PLAIN = {"boost": "manifold pressure", "lambda": "lambda or air-fuel ratio"}
# A channel counts as believed in a pull when its believed samples span this share of it.
LEAST_SPAN = 0.7


def plain(name: str) -> str:
    """A channel's name for people."""
    return PLAIN.get(name, name.replace("_", " "))


def status_of(score: float | None, findings: Sequence[Finding]) -> str:
    """pass, watch or fail by the worst finding; not_evaluated without a score and without findings."""
    severities = {f.severity for f in findings}
    if severities & {"hold", "stop"}:
        return "fail"
    if "watch" in severities:
        return "watch"
    return "not_evaluated" if score is None else "pass"


def obstacle(check: Check, pull: Pull) -> tuple[str, str] | None:
    """(cause, sentence) when a needed channel is missing, not believed or too slow in the pull."""
    for need in check.NEEDS:
        options = [_obstacle(check, pull, name) for name in need.split("|")]
        if None not in options:
            return options[0]
    return None


def _obstacle(check: Check, pull: Pull, name: str) -> tuple[str, str] | None:
    channel = "manifold_pressure" if name == "boost" else name
    if not pull.log.has(channel):
        return "missing", f"the log has no {plain(name)}"
    series = pull.believed(name)
    length = pull.end_s - pull.start_s
    if len(series.t) == 0:
        return _why_empty(pull, channel, name)
    rate = pull.log.by_name[channel].rate_hz
    reach = float(series.t[-1] - series.t[0]) + 1.0 / max(rate, 1e-6)
    if rate < check.LEAST_RATE_HZ * 0.98:
        return (
            "too_slow",
            f"{plain(name)} comes {rate:.3g} times a second; {check.LEAST_RATE_HZ:g} are needed",
        )
    due = length * rate
    if len(series.t) < LEAST_SPAN * due - 1 or reach < LEAST_SPAN * length:
        share = 100 * min(1.0, len(series.t) / max(due, 1.0))
        return (
            "not_believed",
            f"only {share:.0f} % of the {plain(name)} samples in the pull can be believed",
        )
    return None


def _why_empty(pull: Pull, channel: str, name: str) -> tuple[str, str]:
    values = pull.log.values(channel)[pull.span.start : pull.span.stop]
    if not np.isfinite(values).any():
        rate = pull.log.by_name[channel].rate_hz
        if 0 < rate < 1.0 / max(pull.end_s - pull.start_s, 1e-6):
            return (
                "too_slow",
                f"{plain(name)} comes {rate:.3g} times a second, so the pull has none",
            )
        return "missing", f"{plain(name)} has no sample in the pull"
    return "not_believed", f"no {plain(name)} sample in the pull can be believed"


def run_pull(
    pull: Pull, limits: LimitTable
) -> tuple[dict[str, float | None], dict[str, CheckResult]]:
    """All checks on one pull: its measures and the results by check name."""
    measures: dict[str, float | None] = {}
    results: dict[str, CheckResult] = {}
    with np.errstate(all="ignore"):
        for check in all_checks():
            measured, result = _run_one(check, pull, limits)
            measures.update(measured.values)
            results[check.NAME] = result
    return measures, results


def _run_one(check: Check, pull: Pull, limits: LimitTable) -> tuple[Measured, CheckResult]:
    if (blocked := obstacle(check, pull)) is not None:
        return Measured(), _unable(check.NAME, blocked)
    measured = _caught(check.NAME, lambda: check.measure(pull, limits), Measured(unable=_CRASHED))
    judged = _caught(check.NAME, lambda: check.judge(measured, limits), Judged(None))
    status = status_of(judged.score, judged.findings)
    if measured.unable is not None and status in ("pass", "not_evaluated"):
        cause, why = measured.unable
        return measured, CheckResult(check.NAME, "not_evaluated", None, why, cause, judged.findings)
    why = measured.unable[1] if measured.unable else ""
    cause = measured.unable[0] if measured.unable else ""
    if status == "not_evaluated":
        cause, why = cause or "missing", why or "nothing in the pull to judge"
        return measured, CheckResult(check.NAME, status, None, why, cause)
    return measured, CheckResult(check.NAME, status, _score(judged), why, cause, judged.findings)


_CRASHED = ("crashed", "the check itself failed on these samples; please report the log")
_CAP = {"watch": 70.0, "hold": 40.0, "stop": 10.0}


def _score(judged: Judged) -> float:
    """The score, never better than its worst finding's level allows."""
    score = 100.0 if judged.score is None else judged.score
    return min([score, *(_CAP[f.severity] for f in judged.findings if f.severity in _CAP)])


def _unable(name: str, blocked: tuple[str, str]) -> CheckResult:
    return CheckResult(name, "not_evaluated", None, blocked[1], blocked[0])


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
            found[check.NAME] = guarded(
                check.NAME, functools.partial(across, pulls, measures, limits), Across()
            )
    return found
