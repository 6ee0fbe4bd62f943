"""Likely causes of a finding, and what to look at first: rows of schemas/causes.toml, read here.

A [code] row holds what a finding usually means. A [[rule]] row adds what a combination means: it
holds when all of its conditions do, and its causes go to the front. Conditions:
    { measure = "intake_peak_c", at_least = 50 }     a measure of the pull; also at_most; unknown
                                                     is false
    { found = "fuel.pressure_drop" }                 another finding of the pull, log or night;
                                                     times = 2 for that many
    { not_found = "fuel.pressure_drop" }
    { logged = "fuel_pressure" }, { missing = "fuel_pressure" }     whether the log has a channel
    { message = "spring" }                           a word in the finding's own message
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Iterable, Mapping
from typing import Any

from audit.model import Finding, Measures
from audit.tables import toml_table

MOST = 6  # a longer list is read by nobody

Table = Mapping[str, Any]


def explain(
    finding: Finding,
    *,
    measures: Measures,
    codes: Collection[str],
    missing: Collection[str],
    table: Table | None = None,
) -> Finding:
    """The finding with likely causes and places to look at, most likely first; given ones are kept
    in front.

    measures: of its pull (or {}); codes: of all findings of its pull, log and night, repeated as
    they occur; missing: canonical channels that the log lacks; table: schemas/causes.toml by
    default. Pure."""
    rows = toml_table("causes.toml") if table is None else table
    usual = rows.get("code", {}).get(finding.code, {})
    holding = [r for r in rows.get("rule", ()) if _applies(r, finding, measures, codes, missing)]
    return dataclasses.replace(
        finding,
        likely=_merged(finding.likely, [r["likely"] for r in holding], usual.get("likely", ())),
        look_at=_merged(finding.look_at, [r["look_at"] for r in holding], usual.get("look_at", ())),
    )


def _merged(
    given: Iterable[str], by_rule: list[list[str]], usual: Iterable[str]
) -> tuple[str, ...]:
    """All of them, in order, each once, not more than MOST."""
    rows = [*given, *(text for texts in by_rule for text in texts), *usual]
    return tuple(dict.fromkeys(rows))[:MOST]


def _applies(
    rule: Table,
    finding: Finding,
    measures: Measures,
    codes: Collection[str],
    missing: Collection[str],
) -> bool:
    return finding.code in rule["codes"] and all(
        _holds(c, finding, measures, codes, missing) for c in rule["when"]
    )


def _holds(
    condition: Table,
    finding: Finding,
    measures: Measures,
    codes: Collection[str],
    missing: Collection[str],
) -> bool:
    """One condition. Raises KeyError for one that is no kind known here."""
    match condition:
        case {"measure": name}:
            return _within(measures.get(name), condition)
        case {"found": code}:
            return list(codes).count(code) >= int(condition.get("times", 1))
        case {"not_found": code}:
            return code not in codes
        case {"logged": name}:
            return name not in missing
        case {"missing": name}:
            return name in missing
        case {"message": word}:
            return word.lower() in finding.message.lower()
        case _:
            raise KeyError(f"schemas/causes.toml: unknown condition {dict(condition)}")


def _within(value: float | None, condition: Table) -> bool:
    if value is None:
        return False
    return bool(
        condition.get("at_least", -float("inf")) <= value <= condition.get("at_most", float("inf"))
    )
