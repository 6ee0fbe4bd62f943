"""A night as rows: one of the revision, one a log, a pull and a finding, ready for the tables."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from audit.archive.store.schema import KEYS, tables
from audit.database import plain
from audit.errors import ArchiveError
from audit.model import Car, CheckResult, ColumnWord, Finding, LogAudit, Night
from audit.night.facts import facts_of
from audit.tables import schema_dir

Row = dict[str, Any]
Rows = dict[str, list[Row]]  # of one revision, by table
Files = Mapping[str, str]  # log id -> kept file, named by the SHA-256 of its bytes
PARTS = ("log", "pull", "finding")
NOISE = "noise_"  # prefix of the columns with a channel's noise
CHANNEL = ("name", "source", "source_unit", "unit", "rate_hz")  # what is kept of each
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

    told: Row = {"car_file": car_to_json(night.car), "tool": __version__, "limits": _limits()}
    rows: Rows = {kind: [] for kind in PARTS}
    rows["revision"] = [_row("revision", night, night.car, **told) | said_of(night)]
    rows["finding"] += finding_rows(night.findings, "night")
    for audit in logs:
        where: Row = {"log_id": log_id(audit)}
        rows["log"].append(log := log_row(audit, files))
        rows["finding"] += finding_rows(audit.findings, "log", **where)
        where |= {name: log.get(name) for name in ("barometric_kpa", "ambient_c")}
        for p in audit.pulls:
            checks = _checks(p.checks)
            pull = _row("pull", p.pull.span, p.pull, p, **where, **p.measures, checks=checks)
            rows["pull"].append(pull)
            at = {"log_id": log_id(audit), "index": p.pull.index}
            rows["finding"] += finding_rows(p.findings, "pull", **at)
    return rows


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
    return [_row("finding", f, level=level, **where) for f in findings]


def log_row(audit: LogAudit, files: Files) -> Row:
    """The row of one log; of one that could not be read, why."""
    status, file = "not_a_log" if audit.not_a_log else audit.status, files.get(log_id(audit))
    row: Row = {"log_id": log_id(audit), "path": audit.path, "status": status, "error": audit.error}
    row |= {"file": file, "file_sha256": file and Path(file).stem, "checks": _checks(audit.checks)}
    if audit.log is None:
        return row
    noise = {} if audit.sanity is None else audit.sanity.noise
    flags = {} if audit.sanity is None else audit.sanity.flags
    channels = [
        _finite({n: getattr(c, n) for n in CHANNEL} | {"flag": flags.get(c.name)})
        for c in audit.log.channels
    ]
    row |= {**facts_of(audit), **{NOISE + name: value for name, value in noise.items()}}
    return _row("log", audit.log, **row, channels=json.dumps(channels, ensure_ascii=False))


def _row(kind: str, *sources: Any, **more: Any) -> Row:
    """A row of a table: each column from `more`, else from the first source that has it."""
    had = ((n, s) for s in reversed(sources) for n in tables()[kind] if hasattr(s, n))
    return _finite({n: getattr(s, n) for n, s in had} | more)


def _checks(checks: Mapping[str, CheckResult]) -> str:
    brief = {
        name: _finite({"score": c.score, "status": c.status})
        | ({"why": c.why, "cause": c.cause} if c.status == "not_evaluated" else {})
        for name, c in checks.items()
    }
    return json.dumps(brief, sort_keys=True, ensure_ascii=False)


def _finite(row: Row) -> Row:
    return {n: None if isinstance(v, float) and not math.isfinite(v) else v for n, v in row.items()}


@lru_cache(maxsize=1)
def _limits() -> str:
    return hashlib.sha256((schema_dir() / "thresholds.toml").read_bytes()).hexdigest()


# --- as the database keeps them -------------------------------------------------------------------


def as_kept(kind: str, row: Row) -> Row:
    """A row's values as the database keeps them; what is unknown is left out."""
    kinds = tables()[kind]
    known = ((n, v) for n, v in row.items() if v is not None and n not in KEYS)
    return {n: _value(kinds.get(n, "real"), v) for n, v in known}


def _value(kind: str, value: Any) -> Any:
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
    kept = {f.name: found[f.name] for f in dataclasses.fields(Car) if f.name in found}
    targets = kept.get("target_by_gear_kpa", {})
    kept["target_by_gear_kpa"] = {int(gear): kpa for gear, kpa in targets.items()}
    kept["thresholds"] = kept.get("thresholds") or {}
    kept["channels"] = {name: ColumnWord(**word) for name, word in kept.get("channels", {}).items()}
    kept["gear_ratios"] = tuple(kept.get("gear_ratios", ()))
    return Car(**kept)
