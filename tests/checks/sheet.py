"""What the checks said of pulls in which one thing grows step by step, kept to see that nothing moves.

A sweep (sweeps.py, nights.py) crosses every level that a check has for that thing in steps of a tenth or two, so that a
level moved by a quarter, a sign or a side turned round shows at one of its steps. What was said of each step stands in
sheets/: a figure that moves is seen, and is named. A sheet says that nothing moved, not that it is right: for that see
test_characteristic_figures.py and tests/outside. Where a check is changed on purpose,

    python -m tests.checks.sheet

writes the sheets anew; read their difference before it is kept.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from audit.checks.boost.context import with_context
from audit.checks.kit.base import Across, Judged, Measured
from audit.checks.kit.registry import all_checks
from audit.checks.kit.run import obstacle
from audit.model import Finding, Pull
from audit.tables import limits

FOLDER = Path(__file__).parent / "kept"
DIGITS = 5
NEAR = 2e-4  # share of a figure; another machine's arithmetic differs by far less
Figures = dict[str, Any]  # name -> number, text or None


@dataclass(frozen=True)
class Sweep:
    """name; its steps; what was made and said at a step."""

    name: str
    steps: Sequence[float]
    told: Callable[[float], Figures]


def rounded(value: Any) -> Any:
    if isinstance(value, bool | str) or value is None:
        return value
    return float(f"{float(value):.{DIGITS}g}")


def of_finding(finding: Finding, start_s: float = 0.0) -> str:
    """Severity, limit, from and to (s from the pull's start), value, and every figure of the sentence."""
    ends = (finding.start_s, finding.end_s)
    seen = [None if s is None else s - start_s for s in ends]
    parts: list[Any] = [finding.severity, finding.channel, finding.limit, *seen, finding.value]
    words = finding.message.translate(str.maketrans(dict.fromkeys("(),;:%", " "))).split()
    numbers = [word.strip(".") for word in words]
    parts += [n for n in numbers if n.lstrip("+-").replace(".", "", 1).isdigit()]
    return " ".join(str(rounded(p)) if not isinstance(p, str) else p for p in parts)


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


def columns(sweep: Sweep) -> dict[str, str]:
    """Figure -> what it was at each step, '-' for nothing, 'x3' after what stood for three steps."""
    rows = [sweep.told(x) for x in sweep.steps]
    names = sorted({name for row in rows for name in row})
    return {name: packed([row.get(name) for row in rows]) for name in names}


def packed(column: Sequence[Any]) -> str:
    told = ["-" if v is None else v if isinstance(v, str) else f"{v:.{DIGITS}g}" for v in column]
    runs = [(text, len(list(same))) for text, same in groupby(told)]
    return "; ".join(f"{text} x{n}" if n > 1 else text for text, n in runs)


def unpacked(text: str) -> list[str]:
    out = []
    for part in text.split("; "):
        value, _, times = part.rpartition(" x")
        known = bool(value) and times.isdigit()
        out += [value] * int(times) if known else [part]
    return out


def moved(kept: dict[str, str], now: dict[str, str], steps: Sequence[float]) -> list[str]:
    """What differs, figure by figure and step by step."""
    out, nothing = [], f"- x{len(steps)}"
    for name in sorted(kept.keys() | now.keys()):
        was, is_ = (unpacked(sheet.get(name, nothing)) for sheet in (kept, now))
        out += [
            f"{name} at {x:.4g}: {a} was kept, it is {b}"
            for x, a, b in zip(steps, was, is_, strict=True)
            if a != b and not all(map(near, *_padded(a.split(), b.split())))
        ]
    return out


def near(a: str, b: str) -> bool:
    """Whether two words are the same, or two figures as near as another machine may have them."""
    try:
        x, y = float(a), float(b)
    except ValueError:
        return a == b
    return abs(x - y) <= NEAR * max(abs(x), abs(y)) + 1e-9


def _padded(a: list[str], b: list[str]) -> tuple[list[str], list[str]]:
    longest = max(len(a), len(b))
    return a + [""] * (longest - len(a)), b + [""] * (longest - len(b))


def kept_in(file: str) -> dict[str, dict[str, str]]:
    path = FOLDER / f"{file}.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def write(file: str, sweeps: Iterable[Sweep]) -> None:
    FOLDER.mkdir(exist_ok=True)
    text = json.dumps({sweep.name: columns(sweep) for sweep in sweeps}, indent=1)
    (FOLDER / f"{file}.json").write_text(text + "\n", encoding="utf-8")
