"""What the checks say of a pull or of a night, figure by figure, for the sheets. See tests/sheet.py."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from audit.checks.boost.context import with_context
from audit.checks.kit.base import Across, Judged, Measured
from audit.checks.kit.registry import all_checks
from audit.checks.kit.run import obstacle
from audit.model import Pull
from audit.tables import limits
from tests.sheet import Figures, of_finding, rounded


def of_measured(check: Any, pull: Pull) -> Figures:
    table = limits()
    measured: Measured = check.measure(pull, table)
    blocked, unable = obstacle(check, pull), measured.unable
    out: Figures = {name: rounded(value) for name, value in measured.values.items()}
    out |= {f"room {name}": rounded(value) for name, value in measured.room.items() if value}
    out["cannot"] = blocked[0] if blocked else unable[0] if unable else ""
    judged: Judged = check.judge(measured, table)
    out["score"] = rounded(judged.score)
    out |= {f.code: of_finding(f, pull.start_s) for f in judged.findings}
    return {name: value for name, value in out.items() if value not in (None, "")}


def of_across(across: Across) -> Figures:
    out: Figures = {"score": rounded(across.score)}
    out["cannot"] = across.unable[0] if across.unable else ""
    for finding, rows in across.findings:
        out[finding.code] = f"{of_finding(finding)} of {' '.join(map(str, rows))}"
    return {name: value for name, value in out.items() if value not in (None, "")}


def by(*names: str) -> list[Any]:
    """The check modules of these names, all for none."""
    every = all_checks()
    return [c for c in every if not names or c.__name__.rsplit(".", 1)[1] in names]


def said_of(make: Callable[[float], Pull], *names: str) -> Callable[[float], Figures]:
    """What the checks of these names say of the pull of a step."""

    def told(x: float) -> Figures:
        pull, out = with_context(make(x)), {}
        for check in by(*names):
            short = check.__name__.rsplit(".", 1)[1]
            out |= {f"{short}: {k}": v for k, v in of_measured(check, pull).items()}
        return out

    return told
