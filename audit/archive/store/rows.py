"""A night as rows of the archive's tables and back, and the archive's words, by schemas/."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar

from audit.database import plain
from audit.errors import ArchiveError
from audit.model import Car, CheckResult, ColumnWord, Finding, LogAudit, Night
from audit.night.decision import decided, first_look
from audit.night.facts import facts_of
from audit.tables import schema_dir, toml_table

Row = dict[str, Any]
Rows = dict[str, list[Row]]  # of one revision, by table
Files = Mapping[str, str]  # log id -> kept file, named by the SHA-256 of its bytes
Made = TypeVar("Made")
PARTS = ("log", "pull", "finding")
KEYS = ("id", "revision_id", "place")  # where a row lies, no part of what it says
NOISE = "noise_"  # prefix of the columns with a channel's noise
CHANNEL = ("name", "source", "source_unit", "unit", "rate_hz")  # what is kept of each


def words(name: str, /, **figures: object) -> str:
    """A sentence of schemas/archive_words.toml, filled in."""
    table = toml_table("archive_words.toml")
    parts = {part: table[part] for part in ("backup", "lost", "changed")}
    return str(table[name].format(**parts | figures))


@lru_cache(maxsize=1)
def tables() -> Mapping[str, Mapping[str, str]]:
    """Table -> column -> type: text, list, integer, real or id."""
    return {
        name: {column: row["type"] for column, row in table["columns"].items()}
        for name, table in toml_table("archive.toml").items()
    }


@lru_cache(maxsize=1)
def lists() -> frozenset[str]:
    """Columns that are a list of texts, in whichever table."""
    return frozenset(c for t in tables().values() for c, kind in t.items() if kind == "list")


def named(kind: str, day: str, text: str) -> str:
    """The name of a night or a note, 'night-2026-03-01-' and a hash of what it is."""
    digest = hashlib.sha256(text.encode("utf-8", "backslashreplace")).hexdigest()
    return f"{kind}-{day}-{digest[:16]}"


def log_id(audit: LogAudit) -> str:
    """What a log is known by: the SHA-256 of its source, or its path when there is none."""
    return audit.sha256 or audit.path


# --- objects to rows -----------------------------------------------------------------------------


def row_of(kind: str, *sources: Any, **more: Any) -> Row:
    """A row of a table as the database keeps it: each column from `more`, else from the first
    source that has it. Figures that are not finite are None.
    """
    kinds = tables()[kind]
    had = {n: getattr(s, n) for s in reversed(sources) for n in kinds if hasattr(s, n)}
    return {n: _kept(kinds.get(n, "real"), v) for n, v in (had | more).items()}


def _kept(kind: str, value: Any) -> Any:
    if value is None or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if kind == "real":
        return float(value) + 0.0  # a database knows no -0.0
    if kind == "integer":
        return int(value)
    return plain(value if isinstance(value, str) else json.dumps(value, ensure_ascii=False))


def rows_of(night: Night, logs: Iterable[LogAudit], files: Files) -> Rows:
    """Rows of one revision by table, with these of the night's logs."""
    from audit import __version__

    limits = hashlib.sha256((schema_dir() / "thresholds.toml").read_bytes()).hexdigest()
    told = _said(night) | {"car_file": car_to_json(night.car), "tool": __version__}
    rows: Rows = {kind: [] for kind in PARTS}
    rows["revision"] = [row_of("revision", night, night.car, **told, limits=limits)]
    rows["finding"] += _findings(night.findings, "night")
    for audit in logs:
        log = log_row(audit, files)
        where = {"log_id": log["log_id"]}
        rows["log"].append(log)
        rows["finding"] += _findings(audit.findings, "log", **where)
        air = {name: log.get(name) for name in ("barometric_kpa", "ambient_c")}
        for p in audit.pulls:
            told = {**where, **air, **p.measures, "checks": _checks(p.checks)}
            rows["pull"].append(row_of("pull", p.pull.span, p.pull, p, **told))
            rows["finding"] += _findings(p.findings, "pull", **where, index=p.pull.index)
    return rows


def say(rows: Rows, night: Night, history: Iterable[Finding]) -> None:
    """Rows of a revision as its night is said with what its history says."""
    rows["revision"][0] |= _said(night)
    rows["finding"] += _findings(history, "history")


def worse(rows: Rows, verdict: str, reasons: Sequence[str], torn: Iterable[LogAudit] = ()) -> Rows:
    """The rows with a worse verdict, which gives no step. torn: logs that could not be read."""
    looks = ((f["severity"], listed(f["look_at"])) for f in rows["finding"])
    no_step = decided(verdict, next(iter(reasons), ""), first_look(looks, verdict)).plain()
    told = {"verdict": verdict, "reasons": reasons, "decision": no_step}
    rows["revision"][0] |= row_of("revision", **told)
    rows["log"] += [log_row(audit, {}) for audit in torn]
    return rows


def _said(night: Night) -> Row:
    decision = None if night.decision is None else night.decision.plain()
    told = {"reasons": night.reasons, "checks": _checks(night.checks), "decision": decision}
    return row_of("revision", verdict=night.verdict, **told)


def _findings(findings: Iterable[Finding], level: str, **where: Any) -> list[Row]:
    return [row_of("finding", f, level=level, **where) for f in findings]


def log_row(audit: LogAudit, files: Files) -> Row:
    """The row of one log; of one that could not be read, why."""
    name, told = log_id(audit), audit.sanity
    file, status = files.get(name), "not_a_log" if audit.not_a_log else audit.status
    row: Row = {"log_id": name, "path": audit.path, "status": status, "error": audit.error}
    row |= {"file": file, "file_sha256": file and Path(file).stem, "checks": _checks(audit.checks)}
    if audit.log is None:
        return row_of("log", **row)
    row |= {NOISE + channel: noise for channel, noise in told.noise.items()} if told else {}
    row["channels"] = [
        {n: getattr(c, n) for n in CHANNEL}
        | {"rate_hz": _kept("real", c.rate_hz), "flag": told and told.flags.get(c.name)}
        for c in audit.log.channels
    ]
    return row_of("log", audit.log, **row, **facts_of(audit))


def _checks(checks: Mapping[str, CheckResult]) -> str:
    brief = {
        name: {"score": _kept("real", c.score), "status": c.status}
        | ({"why": c.why, "cause": c.cause} if c.status == "not_evaluated" else {})
        for name, c in checks.items()
    }
    return json.dumps(brief, sort_keys=True, ensure_ascii=False)


def digest(night: Row, rows: Mapping[str, Sequence[Row]]) -> str:
    """SHA-256 over what a revision's rows say and its night's car, day and setting."""
    of_night = [night[n] for n in ("night_id", "car", "date", "setting")]
    said = [
        [{n: v for n, v in r.items() if v is not None and n not in (*KEYS, "sha256")} for r in some]
        for some in (rows["revision"][:1], *(rows[kind] for kind in PARTS))
    ]
    text = json.dumps([of_night, *said[0], *said[1:]], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def car_to_json(car: Car) -> str:
    """A Car as JSON, for the night's row."""
    return json.dumps(dataclasses.asdict(car), sort_keys=True, ensure_ascii=False)


# --- rows to objects -----------------------------------------------------------------------------


def loaded(text: str) -> Any:
    """JSON of a row. Raises ArchiveError where it is none."""
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        raise ArchiveError(words("rows")) from None


def listed(cell: str | Sequence[str] | None) -> list[str]:
    """The texts of a column that is a list, as it is kept or as a view gives it."""
    return list(loaded(cell) if isinstance(cell, str) else cell or ())


def made(kind: type[Made], row: Row) -> Made:
    """A dataclass of a row, as it is kept or as a view gives it; its lists are tuples."""
    names = [f.name for f in dataclasses.fields(kind) if f.name in row]  # type: ignore[arg-type]
    return kind(**{n: tuple(listed(row[n])) if n in lists() else row[n] for n in names})


finding_of = partial(made, Finding)


def car_from_json(text: str) -> Car:
    """The Car that car_to_json wrote; keys it does not know are left out."""
    found = loaded(text)
    kept = {f.name: found[f.name] for f in dataclasses.fields(Car) if f.name in found}
    targets, known = kept.get("target_by_gear_kpa", {}), kept.get("channels", {})
    kept["target_by_gear_kpa"] = {int(gear): kpa for gear, kpa in targets.items()}
    kept["channels"] = {name: ColumnWord(**word) for name, word in known.items()}
    lasting = {name: tuple(kept.get(name, ())) for name in ("gear_ratios", "not_fitted")}
    return Car(**kept | lasting)


def same(row: Row, night: Night) -> bool:
    """Does a kept row say the same as the night, of the same car as far as it was known?"""
    if (row["verdict"], listed(row["reasons"])) != (night.verdict, list(night.reasons)):
        return False
    kept = car_from_json(row["car_file"])
    return dataclasses.replace(kept, path=night.car.path) == night.car
