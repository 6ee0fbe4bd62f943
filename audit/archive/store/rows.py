"""A night as rows of the tables: one of the revision, one a log, a pull and a finding."""

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


def row_of(kind: str, *sources: Any, **more: Any) -> Row:
    """A row of a table as the database keeps it: each column from `more`, else from the first
    source that has it. Figures that are not finite are None.
    """
    kinds = tables()[kind]
    had = ((n, s) for s in reversed(sources) for n in kinds if hasattr(s, n))
    every = {n: getattr(s, n) for n, s in had} | more
    return {n: _kept(kinds.get(n, "real"), v) for n, v in every.items()}


def _kept(kind: str, value: Any) -> Any:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if kind == "real":
        return float(value) + 0.0  # a database knows no -0.0
    if kind == "integer":
        return int(value)
    return plain(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))


def rows_of(night: Night, logs: Iterable[LogAudit], files: Files) -> Rows:
    """Rows of one revision by table."""
    from audit import __version__

    told = said_of(night) | {"car_file": car_to_json(night.car), "tool": __version__}
    rows: Rows = {kind: [] for kind in PARTS}
    rows["revision"] = [row_of("revision", night, night.car, **told, limits=_limits())]
    rows["finding"] += finding_rows(night.findings, "night")
    for audit in logs:
        log = log_row(audit, files)
        where = {"log_id": log["log_id"]}
        rows["log"].append(log)
        rows["finding"] += finding_rows(audit.findings, "log", **where)
        air = {name: log.get(name) for name in ("barometric_kpa", "ambient_c")}
        for p in audit.pulls:
            told = {**where, **air, **p.measures, "checks": _checks(p.checks)}
            rows["pull"].append(row_of("pull", p.pull.span, p.pull, p, **told))
            rows["finding"] += finding_rows(p.findings, "pull", **where, index=p.pull.index)
    return rows


def said_of(night: Night) -> Row:
    """What a revision says of the night as a whole: verdict, reasons, checks and decision."""
    decision = None if night.decision is None else night.decision.plain()
    told = {"reasons": night.reasons, "checks": _checks(night.checks), "decision": decision}
    return row_of("revision", verdict=night.verdict, **told)


def finding_rows(findings: Iterable[Finding], level: str, **where: Any) -> list[Row]:
    """Rows of findings at one level: night, log, pull or history."""
    return [row_of("finding", f, level=level, **where) for f in findings]


def log_row(audit: LogAudit, files: Files) -> Row:
    """The row of one log; of one that could not be read, why."""
    name = log_id(audit)
    file, status = files.get(name), "not_a_log" if audit.not_a_log else audit.status
    row: Row = {"log_id": name, "path": audit.path, "status": status, "error": audit.error}
    row |= {"file": file, "file_sha256": file and Path(file).stem, "checks": _checks(audit.checks)}
    told = audit.sanity
    if audit.log is None:
        return row_of("log", **row)
    for channel, noise in told.noise.items() if told else ():
        row[NOISE + channel] = noise
    channels = [
        {n: getattr(c, n) for n in CHANNEL}
        | {"rate_hz": _kept("real", c.rate_hz), "flag": told and told.flags.get(c.name)}
        for c in audit.log.channels
    ]
    return row_of("log", audit.log, **row, **facts_of(audit), channels=channels)


def _checks(checks: Mapping[str, CheckResult]) -> str:
    brief = {
        name: {"score": _kept("real", c.score), "status": c.status}
        | ({"why": c.why, "cause": c.cause} if c.status == "not_evaluated" else {})
        for name, c in checks.items()
    }
    return json.dumps(brief, sort_keys=True, ensure_ascii=False)


@lru_cache(maxsize=1)
def _limits() -> str:
    return hashlib.sha256((schema_dir() / "thresholds.toml").read_bytes()).hexdigest()


def digest_of(night: Row, rows: Mapping[str, Sequence[Row]]) -> str:
    """SHA-256 over what a revision's rows say and its night's car, day and setting."""

    def said(row: Row) -> Row:
        return {n: v for n, v in row.items() if v is not None and n not in (*KEYS, "sha256")}

    of_night = [night[n] for n in ("night_id", "car", "date", "setting")]
    every = [of_night, said(rows["revision"][0]), *(list(map(said, rows[k])) for k in PARTS)]
    return hashlib.sha256(json.dumps(every, sort_keys=True).encode()).hexdigest()


def loaded(text: str) -> Any:
    """JSON of a row. Raises ArchiveError where it is none."""
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        raise ArchiveError(DAMAGED) from None


def listed(cell: str | Sequence[str] | None) -> list[str]:
    """The texts of a column that is a list, as it is kept or as a view gives it."""
    return list(loaded(cell) if isinstance(cell, str) else cell or ())


def finding_of(row: Row) -> Finding:
    """A finding from its row, as it is kept or as a view gives it."""
    told: Row = {field.name: row.get(field.name) for field in dataclasses.fields(Finding)}
    return Finding(**told | {n: tuple(listed(told[n])) for n in ("likely", "look_at")})


def car_to_json(car: Car) -> str:
    """A Car as JSON, for the night's row."""
    return json.dumps(dataclasses.asdict(car), sort_keys=True, ensure_ascii=False)


def car_from_json(text: str) -> Car:
    """The Car that car_to_json wrote; keys it does not know are left out."""
    found = loaded(text)
    kept = {f.name: found[f.name] for f in dataclasses.fields(Car) if f.name in found}
    targets, words = kept.get("target_by_gear_kpa", {}), kept.get("channels", {})
    kept["target_by_gear_kpa"] = {int(gear): kpa for gear, kpa in targets.items()}
    kept["channels"] = {name: ColumnWord(**word) for name, word in words.items()}
    for name in ("gear_ratios", "not_fitted"):
        kept[name] = tuple(kept.get(name, ()))
    return Car(**kept)
