"""Faults that can be put into the code: where they stand, and what stands there instead.

A comparison turned round (`<` to `>=`), one of counts moved by one too (`<` to `<=`), a figure made a quarter larger, a
sign, min for max, and for or, `not` taken away. A comparison of two measured figures is not moved by one: no log stands
exactly on its edge, so that nothing can tell the two apart. Source of the method: DeMillo, Lipton and Sayward, Hints on test data selection,
Computer 11 (1978), 34-41, from memory.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]

# room -> where its code is
ROOMS = {
    "checks": (
        "audit/checks/boost",
        "audit/checks/mixture",
        "audit/checks/heat",
        "audit/checks/engine",
    ),
    "kit": ("audit/checks/kit",),
    "sanity": ("audit/sanity", "audit/engine.py"),
    "step": ("audit/archive/step",),
    "trend": ("audit/archive/trend",),
    "units": ("audit/intake/units",),
    "night": ("audit/night",),
}
LEFT_OUT = {"cluster"}  # its tests start a scheduler each
FLIPS = {
    ast.Lt: (">=", "<="),
    ast.LtE: (">", "<"),
    ast.Gt: ("<=", ">="),
    ast.GtE: ("<", ">"),
    ast.Eq: ("!=",),
    ast.NotEq: ("==",),
}
SIGNS = {ast.Add: "-", ast.Sub: "+", ast.Mult: "/", ast.Div: "*"}
OTHER = {
    "min": "max",
    "max": "min",
    "minimum": "maximum",
    "maximum": "minimum",
    "any": "all",
    "all": "any",
}


COUNTS = {"len", "sum", "count", "count_nonzero", "size", "height", "rows", "n_unique"}


def _counted(node: ast.expr) -> bool:
    """Whether an expression is a count, on whose edge a value can stand; a measured figure never does."""
    if isinstance(node, ast.Constant):
        return type(node.value) is int
    if isinstance(node, ast.Call):
        node = node.func
    name = node.attr if isinstance(node, ast.Attribute) else getattr(node, "id", "")
    return name in COUNTS


@dataclass(frozen=True)
class Fault:
    """A stretch of a file's source, and what stands there instead."""

    file: str
    line: int
    start: int
    stop: int
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.before} -> {self.after}"

    def put_into(self, source: str) -> str:
        return source[: self.start] + self.after + source[self.stop :]


class Finder(ast.NodeVisitor):
    """Walks a file's code, texts and types left out, and notes every fault that can be put there."""

    def __init__(self, file: str, source: str) -> None:
        self.file, self.source, self.found = file, source, []
        self.starts = [0]
        for line in source.encode().split(b"\n"):
            self.starts.append(self.starts[-1] + len(line) + 1)
        self.bytes = source.encode()

    def at(self, line: int, column: int) -> int:
        return len(self.bytes[: self.starts[line - 1] + column].decode())

    def note(self, node: ast.AST, start: int, stop: int, after: str) -> None:
        before = self.source[start:stop]
        self.found.append(Fault(self.file, node.lineno, start, stop, before, after))

    def between(self, left: ast.AST, right: ast.AST, symbol: str, after: str) -> None:
        """An operator between two parts of an expression."""
        low, high = (
            self.at(left.end_lineno, left.end_col_offset),
            self.at(right.lineno, right.col_offset),
        )
        where = self.source.find(symbol, low, high)
        if where >= 0 and "#" not in self.source[low:where]:
            self.note(right, where, where + len(symbol), after)

    def visit_JoinedStr(self, node: ast.JoinedStr) -> None:
        """What is only said has no faults of this kind."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        for default in (*node.args.defaults, *(d for d in node.args.kw_defaults if d is not None)):
            self.visit(default)
        for statement in node.body:
            self.visit(statement)

    def visit_Subscript(self, node: ast.Subscript) -> None:
        self.visit(node.value)  # rows and slices: a wrong one mostly crashes

    def visit_Compare(self, node: ast.Compare) -> None:
        signs = {
            ast.Lt: "<",
            ast.LtE: "<=",
            ast.Gt: ">",
            ast.GtE: ">=",
            ast.Eq: "==",
            ast.NotEq: "!=",
        }
        left = node.left
        for op, right in zip(node.ops, node.comparators, strict=True):
            turned, *moved = FLIPS.get(type(op), ("",))
            if turned:
                self.between(left, right, signs[type(op)], turned)
            for after in moved if _counted(left) or _counted(right) else ():
                self.between(left, right, signs[type(op)], after)
            left = right
        self.generic_visit(node)

    def visit_BoolOp(self, node: ast.BoolOp) -> None:
        words = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
        for left, right in zip(node.values, node.values[1:], strict=False):
            self.between(left, right, *words)
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        symbols = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}
        if type(node.op) in SIGNS:
            self.between(node.left, node.right, symbols[type(node.op)], SIGNS[type(node.op)])
        self.generic_visit(node)

    def visit_UnaryOp(self, node: ast.UnaryOp) -> None:
        words = {ast.USub: "-", ast.Not: "not", ast.Invert: "~"}
        start = self.at(node.lineno, node.col_offset)
        if (word := words.get(type(node.op))) is not None:
            self.note(node, start, start + len(word), "")
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        named = node.func
        name = named.attr if isinstance(named, ast.Attribute) else getattr(named, "id", "")
        if name in OTHER:
            stop = self.at(named.end_lineno, named.end_col_offset)
            self.note(node, stop - len(name), stop, OTHER[name])
        self.generic_visit(node)

    def visit_Constant(self, node: ast.Constant) -> None:
        value = node.value
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            return
        if value in (0, 1, 2) and isinstance(value, int):
            return  # counts and columns: mostly no figure of the trade
        start, stop = (
            self.at(node.lineno, node.col_offset),
            self.at(node.end_lineno, node.end_col_offset),
        )
        larger = value + max(1, value // 4) if isinstance(value, int) else value * 1.25 or 0.25
        self.note(node, start, stop, f"{larger:.6g}" if isinstance(larger, float) else str(larger))


def faults_of(file: Path) -> list[Fault]:
    source = file.read_text(encoding="utf-8")
    finder = Finder(str(file.relative_to(ROOT)), source)
    finder.visit(ast.parse(source))
    return finder.found


def files_of(room: str) -> Iterator[Path]:
    for place in ROOMS[room]:
        path = ROOT / place
        yield from sorted(path.rglob("*.py")) if path.is_dir() else [path]


def drawn(
    rooms: list[str], most: int | None, seed: int, *, only: tuple[str, ...] = ()
) -> dict[str, list[Fault]]:
    """room -> the faults to try, evenly over the rooms, the same for the same seed. only: stems of files."""
    rng = random.Random(seed)
    out: dict[str, list[Fault]] = {}
    for room in rooms:
        files = [
            f for f in files_of(room) if f.stem not in LEFT_OUT and (not only or f.stem in only)
        ]
        every = [fault for file in files for fault in faults_of(file)]
        count = len(every) if most is None else min(len(every), -(-most // len(rooms)))
        out[room] = rng.sample(every, count)
    return out
