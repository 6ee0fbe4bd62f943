"""The document of `screen --json`: a Night as plain JSON values, finite numbers only."""

from __future__ import annotations

import json
import math
from typing import Any

from audit import __version__
from audit.model import Channel, CheckResult, Finding, LogAudit, Night, PullAudit, Sanity
from audit.report.words import mended

DOCUMENT, VERSION = "pullaudit.night", 1


def document(night: Night) -> dict[str, Any]:
    """The night as the documented tree (schemas/night.schema.json)."""
    return {
        "document": DOCUMENT,
        "version": VERSION,
        "tool": f"pullaudit {__version__}",
        "car": night.car.name,
        "verdict": night.verdict,
        "reasons": list(night.reasons),
        "decision": None if night.decision is None else night.decision.plain(),
        "assumed": list(night.assumed),
        "setting": night.setting or None,
        "checks": _checks(night.checks),
        "findings": [finding(f) for f in night.findings],
        "logs": [_log(audit) for audit in night.logs],
    }


def dumps(night: Night) -> str:
    """The document as text. Raises ValueError for a number that is not finite (a bug, never
    data).
    """
    return json.dumps(document(night), ensure_ascii=False, allow_nan=False, indent=1)


def finite(value: float | None) -> float | None:
    """A plain finite float, or None."""
    return None if value is None or not math.isfinite(value) else float(value)


def _checks(checks: Any) -> dict[str, Any]:
    return {name: _check(result) for name, result in sorted(checks.items())}


def _check(result: CheckResult) -> dict[str, Any]:
    score = finite(result.score)
    out: dict[str, Any] = {
        "score": None if score is None else round(score, 1),
        "status": result.status,
    }
    if result.status == "not_evaluated":
        out |= {"score": None, "why": result.why, "cause": result.cause}
    return out


def finding(f: Finding) -> dict[str, Any]:
    """One finding as plain values."""
    return {
        "code": f.code,
        "severity": f.severity,
        "channel": f.channel,
        "start_s": finite(f.start_s),
        "end_s": finite(f.end_s),
        "value": finite(f.value),
        "limit": finite(f.limit),
        "unit": f.unit,
        "message": f.message,
        "likely": list(f.likely),
        "look_at": list(f.look_at),
    }


def _log(audit: LogAudit) -> dict[str, Any]:
    return {
        "path": audit.path,
        "sha256": audit.sha256,
        "status": audit.status,
        "error": audit.error,
        "rows": audit.rows,
        "duration_s": finite(audit.duration_s) or 0.0,
        "rate_hz": finite(audit.rate_hz) or 0.0,
        "barometric": _barometric(audit),
        "channels": [_channel(c, audit.sanity) for c in audit.log.channels]
        if audit.log is not None
        else [],
        "notes": mended(audit),
        "findings": [finding(f) for f in audit.findings],
        "pulls": [_pull(p) for p in audit.pulls],
    }


def _barometric(audit: LogAudit) -> dict[str, Any] | None:
    if audit.log is None:
        return None
    barometric = audit.log.barometric
    return {"kpa": finite(barometric.kpa), "source": barometric.source}


def _channel(channel: Channel, sanity: Sanity | None) -> dict[str, Any]:
    known = sanity is not None and channel.known
    return {
        "name": channel.name,
        "source": channel.source,
        "source_unit": channel.source_unit,
        "unit": channel.unit,
        "rate_hz": finite(channel.rate_hz) or 0.0,
        "flag": int(sanity.flags.get(channel.name, 2)) if known and sanity is not None else 2,
        "tests": {t: int(f) for t, f in sanity.tests.get(channel.name, {}).items()}
        if known and sanity
        else {},
    }


def _pull(audit: PullAudit) -> dict[str, Any]:
    pull = audit.pull
    return {
        "index": pull.index,
        "start_s": finite(pull.start_s),
        "end_s": finite(pull.end_s),
        "gear": pull.gear,
        "rpm_start": finite(pull.span.rpm_start),
        "rpm_end": finite(pull.span.rpm_end),
        "ended_by": pull.span.ended_by,
        "measures": {name: finite(value) for name, value in sorted(audit.measures.items())},
        "checks": _checks(audit.checks),
        "score": None if audit.score is None else round(audit.score, 1),
        "findings": [finding(f) for f in audit.findings],
    }
