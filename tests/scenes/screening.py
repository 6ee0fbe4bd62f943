"""Screens a folder in this process, as the command does, and tells what came of it."""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from audit.cli.screen import command

RANK = ("note", "watch", "hold", "stop")


@dataclass(frozen=True)
class Outcome:
    """verdict: or 'crash'; codes: code -> its worst severity; pulls: how many were found."""

    verdict: str
    reasons: tuple[str, ...] = ()
    codes: dict[str, str] = field(default_factory=dict)
    pulls: int = 0


def screen(folder: Path, args: tuple[str, ...] = ()) -> Outcome:
    """Screen all that is in a folder. args: options; {folder} stands for the folder."""
    told = [arg.replace("{folder}", str(folder)) for arg in args]
    with tempfile.TemporaryDirectory(prefix="scene_") as name:
        out = Path(name) / "night.json"
        result = CliRunner().invoke(
            command, [str(folder), "--json", str(out), "--workers", "1", *told]
        )
        if not out.exists():
            return Outcome("crash", (f"exit {result.exit_code}: {result.output[-300:]}",))
        document = json.loads(out.read_text())
    failed = [log["error"] for log in document["logs"] if "program failed" in (log["error"] or "")]
    if failed or document["verdict"] not in ("clear", "hold", "stop"):
        return Outcome("crash", tuple(failed))
    pulls = [pull for log in document["logs"] for pull in log["pulls"]]
    return Outcome(
        document["verdict"], tuple(document["reasons"]), _codes(document, pulls), len(pulls)
    )


def _codes(document: dict[str, Any], pulls: list[dict[str, Any]]) -> dict[str, str]:
    worst: dict[str, str] = {}
    for part in (document, *document["logs"], *pulls):
        for finding in part["findings"]:
            code, severity = finding["code"], finding["severity"]
            if RANK.index(severity) > RANK.index(worst.get(code, "note")) or code not in worst:
                worst[code] = severity
    return worst
