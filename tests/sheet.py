"""What was said of logs in which one thing grows step by step, kept to see that nothing moves.

A sweep crosses every level that the code has for that thing in steps of a tenth or two, so that a level moved by a
quarter, a sign or a side turned round shows at one of its steps. What was said of each step stands in a sheet, a file of
the folders kept/: a figure that moves is seen, and is named. A sheet says that nothing moved, not that it is right: for
that see tests/checks/test_characteristic_figures.py and tests/outside. Where a check or a sensor test is changed on
purpose,

    python -m tests.sheet [NAME ...]

writes the sheets anew; read their difference before it is kept.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

import pytest

from audit.model import Finding

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


def kept_in(path: Path) -> dict[str, dict[str, str]]:
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def write(path: Path, sweeps: Iterable[Sweep]) -> None:
    path.parent.mkdir(exist_ok=True)
    text = json.dumps({sweep.name: columns(sweep) for sweep in sweeps}, indent=1)
    path.write_text(text + "\n", encoding="utf-8")


def params(sheets: Mapping[Path, Callable[[], Sequence[Sweep]]]) -> list[Any]:
    """Every sweep of the sheets, for a test of its own."""
    return [
        pytest.param(path, sweep, id=f"{path.stem}-{sweep.name}")
        for path, make in sheets.items()
        for sweep in make()
    ]


def main(names: Sequence[str]) -> None:
    from tests.checks.sheets import SHEETS as of_checks
    from tests.sanity.sheets import SHEETS as of_sanity

    for path, make in (of_checks | of_sanity).items():
        if not names or path.stem in names:
            write(path, make())


if __name__ == "__main__":
    main(sys.argv[1:])
