"""Imports run only downwards in the house and inside its rooms; late imports count too."""

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
    "declared": {"tables"},
    "amounts": {"tables"},
    "carfile": {"amounts", "tables"},
    "discover": {"tables"},
    "files": {"tables"},
    "database": {"files"},
    "intake": {"tables", "files", "signal", "declared"},
    "engine": {"signal"},
    "sanity": {"tables", "signal", "engine", "declared"},
    "pulls": {"signal", "tables", "engine"},
    "checks": {"signal", "tables", "engine", "declared"},
    "night": {"carfile", "discover", "tables", "signal", "intake", "sanity", "pulls", "checks"},
    "channels": {"carfile", "checks", "discover", "intake", "sanity", "signal"},
    "archive": {"signal", "tables", "files", "database", "intake", "sanity", "night", "carfile"},
    "request": {"carfile", "discover", "archive", "night"},
    "report": {"tables", "channels", "files", "signal", "declared"},
    "service": {
        "database",
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

# Inside a room: which sub-rooms each may import. Files that stand in the room itself tie its sub-rooms
# together from above or hold what they share from below; that no circle runs through them is tested by file.
INSIDE = {
    "intake": {
        "bytes": set(),
        "names": set(),
        "text": {"bytes", "names"},
        "clock": {"text"},
        "units": {"names"},
    },
    "sanity": {"tests": set()},
    "checks": {
        "kit": set(),
        "engine": {"kit"},
        "boost": {"kit", "engine"},
        "heat": {"kit", "engine"},
        "mixture": {"kit", "engine"},
    },
    "archive": {"store": set(), "trend": {"store"}, "step": {"store", "trend"}},
    "report": {"page": set()},
    "service": {"watch": set(), "web": set()},
}


def module_of(file: Path) -> str:
    parts = file.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


FILES = {module_of(f): f for f in sorted((ROOT / "audit").rglob("*.py"))}


def imported(node: ast.AST) -> list[str]:
    """The modules of the house that a statement imports: a name of a package is its file where there is one."""
    if isinstance(node, ast.Import):
        return [a.name for a in node.names if a.name.split(".")[0] == "audit"]
    if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "audit":
        named = [f"{node.module}.{a.name}" for a in node.names]
        return [name if name in FILES else str(node.module) for name in named]
    return []


def imports() -> list[tuple[str, int, str, str]]:
    """(file, line, module that imports, module imported), at the head of a file or inside a function."""
    return [
        (str(file.relative_to(ROOT)), node.lineno, module, name)
        for module, file in FILES.items()
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        for name in dict.fromkeys(imported(node))
    ]


def room(module: str) -> str:
    return module.split(".")[1] if "." in module else "__init__"


def sub_room(module: str) -> str | None:
    """The sub-room that a module stands in, None for a file of the room itself."""
    parts = module.split(".")
    inner = len(parts) > 3 or (len(parts) == 3 and FILES[module].name == "__init__.py")
    return parts[2] if inner else None


def circles(edges: dict[str, set[str]]) -> list[list[str]]:
    """Every set of two or more names that all reach each other."""
    reach = {a: set(bs) for a, bs in edges.items()}
    for through in edges:  # Warshall's closure
        for bs in reach.values():
            if through in bs:
                bs.update(reach[through])
    ringed = {tuple(sorted(b for b in bs if a in reach.get(b, ()))) for a, bs in reach.items()}
    return sorted(list(ring) for ring in ringed if len(ring) > 1)


def test_imports_run_downwards():
    wrong = [
        f"{file}:{line}: {room(a)} may not import {room(b)}"
        for file, line, a, b in imports()
        if room(a) not in (room(b), "__init__")
        and room(b) not in OPEN
        and "*" not in MAY[room(a)]
        and room(b) not in MAY[room(a)]
    ]
    assert wrong == []


def test_imports_run_downwards_inside_the_rooms():
    wrong = [
        f"{file}:{line}: {sub_room(a)} may not import {sub_room(b)}"
        for file, line, a, b in imports()
        if room(a) == room(b)
        and (inner := sub_room(a)) is not None
        and (other := sub_room(b)) not in (None, inner)
        and other not in INSIDE[room(a)].get(inner, set())
    ]
    assert wrong == []


def test_no_file_imports_itself_by_a_circle():
    edges: dict[str, set[str]] = {name: set() for name in FILES}
    for _, _, a, b in imports():
        edges[a].add(b)
    assert circles(edges) == []


def test_the_tables_themselves_have_no_circle():
    for table in (MAY, *INSIDE.values()):
        assert circles({a: set(bs) for a, bs in table.items()}) == []


def test_every_room_stands_in_the_table():
    assert {room(m) for m in FILES} - {"__init__"} <= set(MAY)
    inner = {(room(m), s) for m in FILES if (s := sub_room(m)) is not None}
    assert inner == {(a, s) for a, table in INSIDE.items() for s in table}


def test_a_circle_is_found_by_what_goes_round():
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": {"a"}}) == [["b", "c"]]
    assert circles({"a": {"b"}, "b": {"c"}, "c": set()}) == []
