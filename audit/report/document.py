"""The document of `screen --json`: a Night as plain JSON values, finite numbers only."""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping
from typing import Any

from audit import __version__
from audit.model import CheckResult, Finding, LogAudit, Night, PullAudit
from audit.report.words import mended

DOCUMENT, VERSION = "pullaudit.night", 1


def document(night: Night) -> dict[str, Any]:
    """The night as the documented tree (schemas/night.schema.json)."""
    return {
        "document": DOCUMENT,
        "version": VERSION,
        "tool": f"pullaudit {__version__}",
        "car": night.car.name,
        **picked(night, "verdict reasons"),
        "decision": None if night.decision is None else night.decision.plain(),
        "assumed": list(night.assumed),
        "setting": night.setting or None,
        "checks": _checks(night.checks),
        "findings": [finding(f) for f in night.findings],
        "logs": [_log(audit) for audit in night.logs],
    }


def dumps(night: Night) -> str:
    """The document as text, a line for each part and each item of a list: what puts every value on
    a line of its own takes twice as long. Raises ValueError for a number not finite (a bug,
    never data).
    """
    plain = functools.partial(json.dumps, ensure_ascii=False, allow_nan=False)
    parts = []
    for name, part in document(night).items():
        listed = isinstance(part, list) and part
        told = "[\n  " + ",\n  ".join(map(plain, part)) + "\n ]" if listed else plain(part)
        parts.append(f"{plain(name)}: {told}")
    return "{\n " + ",\n ".join(parts) + "\n}"


def finite(value: float | None) -> float | None:
    """A plain finite float, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def picked(thing: Any, names: str) -> dict[str, Any]:
    """Some attributes by name as plain values: floats finite or None, tuples as lists."""
    plain: dict[str, Any] = {}
    for name in names.split():
        value = getattr(thing, name)
        if isinstance(value, float):
            value = finite(value)
        plain[name] = list(value) if isinstance(value, tuple) else value
    return plain


def _checks(checks: Mapping[str, CheckResult]) -> dict[str, Any]:
    return {name: _check(result) for name, result in sorted(checks.items())}


def _check(result: CheckResult) -> dict[str, Any]:
    if result.status == "not_evaluated":
        return {"score": None, **picked(result, "status why cause")}
    score = finite(result.score)
    return {"score": None if score is None else round(score, 1), "status": result.status}


def finding(f: Finding) -> dict[str, Any]:
    """One finding as plain values."""
    return picked(f, "code severity channel start_s end_s value limit unit message likely look_at")


def _log(audit: LogAudit) -> dict[str, Any]:
    log, sanity = audit.log, audit.sanity
    channels = []
    for channel in log.channels if log is not None else ():
        believed = sanity if channel.known else None
        flag = 2 if believed is None else believed.flags.get(channel.name, 2)
        tests = {} if believed is None else believed.tests.get(channel.name, {})
        channels.append(
            {
                **picked(channel, "name source source_unit unit"),
                "rate_hz": finite(channel.rate_hz) or 0.0,
                "flag": int(flag),
                "tests": {test: int(flag) for test, flag in tests.items()},
            }
        )
    return {
        **picked(audit, "path sha256 status error rows"),
        "duration_s": finite(audit.duration_s) or 0.0,
        "rate_hz": finite(audit.rate_hz) or 0.0,
        "barometric": None if log is None else picked(log.barometric, "kpa source"),
        "channels": channels,
        "notes": mended(audit),
        "findings": [finding(f) for f in audit.findings],
        "pulls": [_pull(p) for p in audit.pulls],
    }


def _pull(audit: PullAudit) -> dict[str, Any]:
    return {
        **picked(audit.pull, "index start_s end_s gear"),
        **picked(audit.pull.span, "rpm_start rpm_end ended_by"),
        "measures": {name: finite(value) for name, value in sorted(audit.measures.items())},
        "checks": _checks(audit.checks),
        "score": None if audit.score is None else round(audit.score, 1),
        "findings": [finding(f) for f in audit.findings],
    }
