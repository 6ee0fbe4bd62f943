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

from audit.archive.store.schema import KEYS, tables
from audit.database import plain
from audit.errors import ArchiveError
from audit.model import (
    NOT_EVALUATED,
    Array,
    Car,
    CheckResult,
    ColumnWord,
    Finding,
    LogAudit,
    Night,
    PullAudit,
)
from audit.night.typed import TYPED
from audit.tables import schema_dir

Row = dict[str, Any]
Rows = dict[str, list[Row]]  # of one revision, by table
Files = Mapping[str, tuple[str, str]]  # log id -> (kept file, SHA-256 of its bytes)
PARTS = ("log", "pull", "finding")
NOISE = "noise_"  # prefix of the columns with a channel's noise
STOPPED_RPM = 50.0  # below the slowest cranking
LEAST_SAMPLES = 5
DAMAGED = "the archive's rows are damaged: `pullaudit verify` names them."


def night_id(car: str, date: str, log_ids: Iterable[str]) -> str:
    """The name of a night: the same logs of the same car and date have the same one."""
    text = "\n".join([car, date, *sorted(log_ids)]).encode("utf-8", "backslashreplace")
    return f"night-{date}-{hashlib.sha256(text).hexdigest()[:16]}"


def log_id(audit: LogAudit) -> str:
    """What a log is known by: the SHA-256 of its source, or its path when there is none."""
    return audit.sha256 or audit.path


def rows_of(night: Night, logs: Sequence[LogAudit], files: Files) -> Rows:
    """Rows of one revision by table; figures that are not finite are None."""
    from audit import __version__

    revision = said_of(night) | {
        "assumed": list(night.assumed),
        "car_file": car_to_json(night.car),
        "fuel": night.car.fuel,
        "us_units": int(night.us_units),
        "tool": __version__,
        "limits": _limits(),
    }
    rows: Rows = {kind: [] for kind in PARTS}
    rows["finding"] += finding_rows(night.findings, "night")
    for audit in logs:
        log = log_row(audit, files)
        air = {name: log.get(name) for name in ("barometric_kpa", "ambient_c")}
        rows["log"].append(log)
        rows["finding"] += finding_rows(audit.findings, "log", log_id=log_id(audit))
        for p in audit.pulls:
            rows["pull"].append(_clean({"log_id": log_id(audit), **_pull(p), **air}))
            where: Row = {"log_id": log_id(audit), "index": p.pull.index}
            rows["finding"] += finding_rows(p.findings, "pull", **where)
    return {"revision": [revision], **rows}


def said_of(night: Night) -> Row:
    """What a revision says of the night as a whole: verdict, reasons, checks and decision."""
    return {
        "verdict": night.verdict,
        "reasons": list(night.reasons),
        "checks": _checks(night.checks),
        "decision": None if night.decision is None else night.decision.plain(),
    }


def finding_rows(findings: Iterable[Finding], level: str, **where: Any) -> list[Row]:
    """Rows of findings at one level: night, log, pull or history."""
    return [_clean({"level": level, **where, **dataclasses.asdict(f)}) for f in findings]


def log_row(audit: LogAudit, files: Files) -> Row:
    """The row of one log; of one that could not be read, why."""
    file, digest = files.get(log_id(audit), (None, None))
    if audit.kept is not None:
        place = {"path": audit.path, "file": file, "file_sha256": digest}
        return {**audit.kept, **place, "checks": _checks(audit.checks)}
    row: Row = {
        "log_id": log_id(audit),
        "path": audit.path,
        "status": "not_a_log" if audit.not_a_log else audit.status,
        "error": audit.error,
        "file": file,
        "file_sha256": digest,
        "checks": _checks(audit.checks),
    }
    log, sanity = audit.log, audit.sanity
    if log is None:
        return row
    noise = {} if sanity is None else {NOISE + name: v for name, v in sanity.noise.items()}
    flags = {} if sanity is None else sanity.flags
    told = ("name", "source", "source_unit", "unit", "rate_hz")
    channels = [
        _clean({n: getattr(c, n) for n in told} | {"flag": flags.get(c.name)}) for c in log.channels
    ]
    air = _believed(audit, "ambient_air_temp")
    return _clean(
        {
            **row,
            **noise,
            "rows": log.rows,
            "duration_s": log.duration_s,
            "rate_hz": log.rate_hz,
            "wall_start": log.wall_start,
            "channels": json.dumps(channels, ensure_ascii=False),
            "barometric_kpa": log.barometric.kpa,
            "ambient_c": float(np.nanmedian(air)) if np.isfinite(air).any() else None,
            "duty_typed_pct": typed_duty(audit),
            "map_at_rest_kpa": _map_at_rest(audit),
        }
    )


def typed_duty(audit: LogAudit) -> float | None:
    """The duty that a person set by hand for this log, %."""
    log = audit.log
    if audit.kept is not None:
        return audit.kept.get("duty_typed_pct")
    if log is None or not log.rows or all(c.source != TYPED for c in log.channels):
        return None
    return float(log.values("wastegate_duty")[0])


def _map_at_rest(audit: LogAudit) -> float | None:
    """Manifold minus barometric pressure with the engine stopped, kPa; None where unknown.

    Does not see: a barometric value that was itself taken from the manifold sensor.
    """
    needed = ("engine_speed", "manifold_pressure", "barometric_pressure")
    speed, manifold, barometric = (_believed(audit, name) for name in needed)
    if not len(speed) == len(manifold) == len(barometric):
        return None
    still = (speed < STOPPED_RPM) & np.isfinite(manifold)
    if still.sum() < LEAST_SAMPLES or not np.isfinite(barometric).any():
        return None
    return float(np.median(manifold[still]) - np.nanmedian(barometric))


def _believed(audit: LogAudit, name: str) -> Array:
    """A channel, NaN where it is not believed; empty where there is none."""
    log, sanity = audit.log, audit.sanity
    if log is None or not log.has(name):
        return np.empty(0)
    value = log.values(name)
    if sanity is None or name not in sanity.samples:
        return value
    return np.where(sanity.samples[name] <= NOT_EVALUATED, value, np.nan)


def _pull(judged: PullAudit) -> Row:
    told = ("start_s", "end_s", "gear", "gear_ratio", "rpm_start", "rpm_end", "ended_by")
    return {
        "index": judged.pull.index,
        **{name: getattr(judged.pull.span, name) for name in told},
        "score": judged.score,
        "checks": _checks(judged.checks),
        **judged.measures,
    }


def _checks(checks: Mapping[str, CheckResult]) -> str:
    brief = {
        name: _clean({"score": c.score, "status": c.status})
        | ({"why": c.why, "cause": c.cause} if c.status == "not_evaluated" else {})
        for name, c in checks.items()
    }
    return json.dumps(brief, sort_keys=True, ensure_ascii=False)


def _clean(row: Row) -> Row:
    return {n: None if isinstance(v, float) and not math.isfinite(v) else v for n, v in row.items()}


@lru_cache(maxsize=1)
def _limits() -> str:
    return hashlib.sha256((schema_dir() / "thresholds.toml").read_bytes()).hexdigest()


# --- as the database keeps them -------------------------------------------------------------------


def as_kept(kind: str, row: Row) -> Row:
    """A row's values as the database keeps them; what is unknown is left out."""
    kinds = tables()[kind]
    made = {n: _value(kinds.get(n, "real"), v) for n, v in row.items() if n not in KEYS}
    return {n: v for n, v in made.items() if v is not None}


def _value(kind: str, value: Any) -> Any:
    if value is None:
        return None
    if kind == "real":
        return float(value) + 0.0  # a database knows no -0.0
    if kind == "integer":
        return int(value)
    return plain(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))


def digest_of(night: Row, rows: Rows) -> str:
    """SHA-256 over a revision's rows as they are kept and its night's car, day and setting."""
    where = [night[n] for n in ("night_id", "car", "date", "setting")]
    said = {n: v for n, v in rows["revision"][0].items() if n != "sha256"}
    every = [where, said, *(rows[kind] for kind in PARTS)]
    return hashlib.sha256(json.dumps(every, sort_keys=True).encode()).hexdigest()


def loaded(text: str) -> Any:
    """JSON of a row. Raises ArchiveError where it is none."""
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        raise ArchiveError(DAMAGED) from None


def finding_of(row: Row) -> Finding:
    """A finding from its row."""
    told: Row = {field.name: row.get(field.name) for field in dataclasses.fields(Finding)}
    for name in ("likely", "look_at"):
        found: Any = told[name] or ()
        told[name] = tuple(loaded(found) if isinstance(found, str) else found)
    return Finding(**told)


def car_to_json(car: Car) -> str:
    """A Car as JSON, for the night's row."""
    return json.dumps(dataclasses.asdict(car), sort_keys=True, ensure_ascii=False)


def car_from_json(text: str) -> Car:
    """The Car that car_to_json wrote; keys it does not know are left out."""
    found = loaded(text)
    known = {field.name for field in dataclasses.fields(Car)}
    kept = {key: value for key, value in found.items() if key in known}
    targets = kept.get("target_by_gear_kpa", {})
    kept["target_by_gear_kpa"] = {int(gear): kpa for gear, kpa in targets.items()}
    kept["thresholds"] = kept.get("thresholds") or {}
    kept["channels"] = {name: ColumnWord(**word) for name, word in kept.get("channels", {}).items()}
    kept["gear_ratios"] = tuple(kept.get("gear_ratios", ()))
    return Car(**kept)
