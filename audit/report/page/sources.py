"""What the verdict stands on: sensors and how they were read, what was not judged, the logs, what
was assumed.
"""

from __future__ import annotations

from typing import Any

from audit.model import LogAudit, Night
from audit.report.display import figure, localise
from audit.report.names import clipped, short_name
from audit.report.page.marks import pull_ids
from audit.report.page.panels import channel_name
from audit.report.words import plain_check

FLAG_SAYS = {1: "pass", 2: "not tested", 3: "suspect", 4: "fail", 9: "missing"}
UNIT_FROM = {
    "header": "from the header",
    "units row": "from the units row",
    "cells": "from the cells",
    "car file": "from the car file",
    "physics": "from its values",
    "format": "from the file's format",
}


def sensors(night: Night) -> list[dict[str, Any]]:
    """A table of channels, how each was read, its flag and the tests that it did not pass: one for
    logs that are alike.
    """
    out: list[dict[str, Any]] = []
    for audit in night.logs:
        if audit.log is None:
            continue
        mine = _log_sensors(audit, us=night.us_units)
        same = next((one for one in out if {**one, "file": ""} == {**mine, "file": ""}), None)
        if same is None:
            out.append(mine)
        else:
            same["file"] += f", {mine['file']}"
    return out


def _log_sensors(audit: LogAudit, *, us: bool) -> dict[str, Any]:
    assert audit.log is not None
    rows = []
    sanity = audit.sanity
    for c in audit.log.channels:
        if c.name == "time":
            continue
        flag = sanity.flags.get(c.name, 2) if sanity is not None and c.known else 2
        tests = sanity.tests.get(c.name, {}) if sanity is not None else {}
        bad = [f"{plain_check(t)} {FLAG_SAYS.get(f, f)}" for t, f in tests.items() if f in (3, 4)]
        rows.append(
            {
                "channel": channel_name(c.name) if c.known else "not used",
                "source": c.source,
                "unit": c.source_unit,
                "why": c.unit_why
                if c.unit_why not in ("", c.unit_from)
                else UNIT_FROM.get(c.unit_from, c.unit_from),
                "rate": f"{c.rate_hz:.3g}",
                "flag": FLAG_SAYS.get(flag, str(flag)) if c.known else "–",
                "state": {3: "watch", 4: "fail", 9: "fail"}.get(flag, "pass")
                if c.known
                else "none",
                "bad": ", ".join(bad),
                "known": c.known,
            }
        )
    rows.sort(key=lambda r: (not r["known"], {"fail": 0, "watch": 1}.get(str(r["state"]), 2)))
    baro = audit.log.barometric
    doubted = [str(r["channel"]) for r in rows if r["state"] in ("watch", "fail")]
    believed = f"{sum(bool(r['known']) for r in rows)} channels, all believed"
    return {
        "doubted": bool(doubted),
        "says": f"not all believed: {', '.join(doubted)}" if doubted else believed,
        "file": clipped(short_name(audit.path)),
        "rows": rows,
        "barometric": f"{figure(baro.kpa, 'kPa', us=us)}, {baro.source}",
    }


def not_judged(night: Night) -> list[dict[str, str]]:
    """What was not judged by reason and place: several checks that share both stand together."""
    rows: dict[tuple[str, str], list[str]] = {}
    total = 0
    for name, _, pull in pull_ids(night):
        total += 1
        for check, result in pull.checks.items():
            if result.status == "not_evaluated":
                rows.setdefault((check, result.why), []).append(name.rpartition("-")[2])
    for check, result in night.checks.items():
        if result.status == "not_evaluated" and not any(c == check for c, _ in rows):
            rows[(check, result.why)] = []
    together: dict[tuple[str, str], list[str]] = {}
    for (check, why), where in rows.items():
        said = (
            ""
            if not where or len(where) == total
            else f"pull{'s' if len(where) > 1 else ''} {', '.join(where)}"
        )
        together.setdefault((why, said), []).append(plain_check(check))
    return [
        {"check": ", ".join(checks), "why": localise(why, us=night.us_units), "where": where}
        for (why, where), checks in together.items()
    ]


def logs(night: Night) -> list[dict[str, str]]:
    """A row a log."""
    return [
        {
            "file": short_name(a.path),
            "rows": str(a.rows) if a.status == "read" else "–",
            "duration": f"{a.duration_s:.0f} s" if a.status == "read" else "–",
            "rate": f"{a.rate_hz:.3g} Hz" if a.status == "read" else "–",
            "pulls": str(len(a.pulls)) if a.status == "read" else "–",
            "sha256": a.sha256[:16],
            "status": a.status,
            "clock": a.log.clock if a.log is not None else "",
        }
        for a in night.logs
    ]


def assumed(night: Night) -> list[str]:
    """What was taken for granted, a sentence each."""
    said = [f"The car file {short_name(night.car.path)} was used."] if night.car.path else []
    said += [f"Assumed: {'; '.join(night.assumed)}."] if night.assumed else []
    return [localise(text, us=night.us_units) for text in said]
