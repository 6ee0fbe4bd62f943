"""A night as rows: one of the revision, one a log, a pull and a finding, ready for the tables."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Any

import numpy as np

from audit.archive.store.resting import resting
from audit.errors import ArchiveError
from audit.model import (
    NOT_EVALUATED,
    Car,
    CheckResult,
    ColumnWord,
    Finding,
    Log,
    LogAudit,
    Night,
    Sanity,
)
from audit.tables import schema_dir

Row = dict[str, Any]
Files = Mapping[str, tuple[str, str]]
NOISE = "noise_"  # prefix of the columns with a channel's noise


def night_id(car: str, date: str, log_ids: Iterable[str]) -> str:
    """The name of a night: the same logs of the same car and date have the same one."""
    text = "\n".join([car, date, *sorted(log_ids)])
    return (
        f"night-{date}-{hashlib.sha256(text.encode('utf-8', 'backslashreplace')).hexdigest()[:16]}"
    )


def said_of(night: Night) -> Row:
    """What a revision says of the night as a whole: verdict, reasons, checks and decision."""
    decision: Any = getattr(night, "decision", None)
    return {
        "verdict": night.verdict,
        "reasons": list(night.reasons),
        "checks": _checks(night.checks),
        "decision": None if decision is None else dataclasses.asdict(decision),
    }


def rows_of(night: Night, logs: Sequence[LogAudit], files: Files) -> dict[str, list[Row]]:
    """Rows of one revision by table. files: log id -> (kept file, SHA-256 of its bytes)."""
    from audit import __version__

    revision = {
        **said_of(night),
        "assumed": list(night.assumed),
        "car_file": car_to_json(night.car),
        "fuel": night.car.fuel,
        "us_units": int(night.us_units),
        "tool": __version__,
        "limits": _limits(),
    }
    return {
        "revision": [revision],
        "log": [_log(audit, files) for audit in logs],
        "pull": [row for audit in logs for row in _pulls(audit)],
        "finding": [
            *finding_rows(night.findings, "night"),
            *(row for a in logs for row in _log_findings(a)),
        ],
    }


@lru_cache(maxsize=1)
def _limits() -> str:
    return hashlib.sha256((schema_dir() / "thresholds.toml").read_bytes()).hexdigest()


def log_id(audit: LogAudit) -> str:
    """What a log is known by: the SHA-256 of its source, or its path when there is none."""
    return audit.sha256 or audit.path


def _log(audit: LogAudit, files: Files) -> Row:
    log = audit.log
    file, file_hash = files.get(log_id(audit), (None, None))
    row: Row = {
        "log_id": log_id(audit),
        "path": audit.path,
        "status": "not_a_log" if audit.not_a_log else audit.status,
        "error": audit.error,
        "file": file,
        "file_sha256": file_hash,
        "checks": _checks(audit.checks),
    }
    if log is None:
        return row
    row |= {
        "rows": log.rows,
        "duration_s": finite(log.duration_s),
        "rate_hz": finite(log.rate_hz),
        "wall_start": log.wall_start,
        "channels": _channels(log, audit.sanity),
        **_air(audit),
    }
    measures = {name: finite(value) for name, value in resting(log, audit.sanity).items()}
    noise = (
        {}
        if audit.sanity is None
        else {NOISE + name: finite(v) for name, v in audit.sanity.noise.items()}
    )
    return row | measures | noise


def _air(audit: LogAudit) -> Row:
    log = audit.log
    if log is None:
        return {}
    return {"barometric_kpa": finite(log.barometric.kpa), "ambient_c": _ambient(log, audit.sanity)}


def _ambient(log: Log, sanity: Sanity | None) -> float | None:
    """Median of the believed ambient air temperature, °C."""
    if not log.has("ambient_air_temp") or log.rows == 0:
        return None
    value = log.values("ambient_air_temp")
    keep = np.isfinite(value)
    if sanity is not None and "ambient_air_temp" in sanity.samples:
        keep &= sanity.samples["ambient_air_temp"] <= NOT_EVALUATED
    return float(np.median(value[keep])) if keep.any() else None


def _channels(log: Log, sanity: Sanity | None) -> str:
    flags = sanity.flags if sanity is not None else {}
    told = [
        {
            "name": c.name,
            "source": c.source,
            "source_unit": c.source_unit,
            "unit": c.unit,
            "rate_hz": finite(c.rate_hz),
            "flag": flags.get(c.name),
        }
        for c in log.channels
    ]
    return json.dumps(told, ensure_ascii=False)


def _pulls(audit: LogAudit) -> Iterable[Row]:
    for judged in audit.pulls:
        span = judged.pull.span
        yield {
            "log_id": log_id(audit),
            "index": judged.pull.index,
            "start_s": finite(span.start_s),
            "end_s": finite(span.end_s),
            "gear": span.gear,
            "gear_ratio": finite(span.gear_ratio),
            "rpm_start": finite(span.rpm_start),
            "rpm_end": finite(span.rpm_end),
            "ended_by": span.ended_by,
            "score": finite(judged.score),
            "checks": _checks(judged.checks),
            **_air(audit),
            **{name: finite(value) for name, value in judged.measures.items()},
        }


def _log_findings(audit: LogAudit) -> Iterable[Row]:
    yield from finding_rows(audit.findings, "log", log_id=log_id(audit))
    for judged in audit.pulls:
        yield from finding_rows(
            judged.findings, "pull", log_id=log_id(audit), index=judged.pull.index
        )


def finding_rows(findings: Sequence[Finding], level: str, **where: str | int) -> Iterable[Row]:
    """Rows of findings at one level: night, log, pull or history."""
    for finding in findings:
        row = dataclasses.asdict(finding)
        row |= {key: finite(row[key]) for key in ("start_s", "end_s", "value", "limit")}
        yield {
            "level": level,
            **where,
            **row,
            "likely": list(finding.likely),
            "look_at": list(finding.look_at),
        }


def finite(value: float | None) -> float | None:
    """A Python float, None for what is not finite."""
    return float(value) if value is not None and math.isfinite(value) else None


def _checks(checks: Mapping[str, CheckResult]) -> str:
    brief = {
        name: {"score": finite(c.score), "status": c.status}
        | ({"why": c.why, "cause": c.cause} if c.status == "not_evaluated" else {})
        for name, c in checks.items()
    }
    return json.dumps(brief, sort_keys=True, ensure_ascii=False)


def loaded(text: str) -> Any:
    """JSON of a row. Raises ArchiveError where it is none."""
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        raise ArchiveError(
            "the archive's rows are damaged: `pullaudit verify` names them."
        ) from None


def car_to_json(car: Car) -> str:
    """A Car as JSON, for the night's row."""
    return json.dumps(dataclasses.asdict(car), sort_keys=True, ensure_ascii=False)


def car_from_json(text: str) -> Car:
    """The Car that car_to_json wrote; keys it does not know are left out."""
    found = loaded(text)
    known = {field.name for field in dataclasses.fields(Car)}
    kept = {key: value for key, value in found.items() if key in known}
    kept["target_by_gear_kpa"] = {
        int(gear): kpa for gear, kpa in kept.get("target_by_gear_kpa", {}).items()
    }
    kept["thresholds"] = kept.get("thresholds") or {}
    kept["channels"] = {name: ColumnWord(**word) for name, word in kept.get("channels", {}).items()}
    kept["gear_ratios"] = tuple(kept.get("gear_ratios", ()))
    return Car(**kept)
