"""Imports run only downwards in the house; late imports count too."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[1]
OPEN = {"errors", "units", "model", "__init__"}
MAY = {
    "model": set(),
    "units": set(),
    "errors": set(),
    "tables": set(),
    "signal": set(),
    "amounts": {"tables"},
    "carfile": {"amounts", "tables"},
    "discover": set(),
    "files": set(),
    "intake": {"tables", "files", "signal"},
    "sanity": {"tables", "signal"},
    "pulls": {"signal", "tables", "sanity"},
    "checks": {"signal", "tables"},
    "night": {"carfile", "discover", "tables", "intake", "sanity", "pulls", "checks"},
    "channels": {"carfile", "checks", "discover", "intake", "sanity"},
    "archive": {"signal", "tables", "files", "intake", "sanity", "night", "carfile"},
    "request": {"carfile", "discover", "archive", "night"},
    "report": {"tables", "channels", "files", "signal"},
    "service": {
        "sanity",
        "request",
        "archive",
        "night",
        "report",
        "carfile",
        "discover",
        "files",
        "tables",
        "signal",
    },
    "cli": {"*"},
    "__main__": {"cli"},
}


def house(path: Path) -> str:
    parts = path.relative_to(ROOT / "audit").parts
    return parts[0].removesuffix(".py")


def imports() -> list[tuple[str, int, str, str]]:
    found = []
    for file in sorted((ROOT / "audit").rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("audit"):
                names = (
                    [node.module]
                    if node.module != "audit"
                    else [f"audit.{a.name}" for a in node.names]
                )
            elif isinstance(node, ast.Import):
                names = [a.name for a in node.names if a.name.startswith("audit")]
            else:
                continue
            for name in names:
                room = name.split(".")[1] if "." in name else "__init__"
                found.append((str(file.relative_to(ROOT)), node.lineno, house(file), room))
    return found


def test_imports_run_downwards():
    wrong = [
        f"{file}:{line}: {a} may not import {b}"
        for file, line, a, b in imports()
        if a not in (b, "__init__")
        and b not in OPEN
        and not b.startswith("__")
        and "*" not in MAY[a]
        and b not in MAY[a]
    ]
    assert wrong == []


def test_every_room_stands_in_the_table():
    assert {house(f) for f in (ROOT / "audit").rglob("*.py")} - {"__init__"} <= set(MAY)
