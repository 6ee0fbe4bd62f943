"""Faults put into the code on purpose, one at a time, and whether a near test notices.

python tests/mutations/run.py                    300 faults, drawn evenly from all rooms
python tests/mutations/run.py --room checks      of one room alone
python tests/mutations/run.py --all              every fault there is (many hours)
python tests/mutations/run.py --quick            a handful with quick tests, at most 40 s

Kinds of fault: a comparison turned round or moved by one (`<` to `>=`, `<` to `<=`), a figure made a quarter larger,
a sign, min for max, and for or, `not` taken away. Each goes into a copy in a temporary folder, never into the
checkout; the tests that name the module run there until one fails. A fault that no test notices has survived.
Source of the method: DeMillo, Lipton and Sayward, Hints on test data selection, Computer 11 (1978), 34-41, from memory.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import zip_longest
from pathlib import Path

ROOT = Path(__file__).parents[2]

# room -> (where its code is, where its tests are)
ROOMS = {
    "checks": (
        ("audit/checks/boost", "audit/checks/mixture", "audit/checks/heat", "audit/checks/engine"),
        "tests/checks",
    ),
    "kit": (("audit/checks/kit",), "tests/checks"),
    "sanity": (("audit/sanity", "audit/engine.py"), "tests/sanity"),
    "step": (("audit/archive/step",), "tests/archive"),
    "trend": (("audit/archive/trend",), "tests/archive"),
    "units": (("audit/intake/units",), "tests/intake"),
    "night": (("audit/night",), "tests"),
}
# Tests that a module's own name does not lead to: those that look at it through another one.
NEAR = {
    "boost_trace": ("test_boost_overshoot", "test_boost_delivery"),
    "boost_context": ("test_boost_overshoot", "test_boost_delivery"),
    "boost_duty": ("test_boost_delivery", "test_boost_control"),
    "boost_ceiling": ("test_boost_overshoot",),
    "boost_creep": ("test_boost_overshoot",),
    "boost_swing": ("test_oscillation", "test_boost_overshoot"),
    "boost_uneven": ("test_boost_delivery",),
    "oscillation": ("test_oscillation",),
    "context": ("test_boost_overshoot",),
    "mixture_window": ("test_lean_under_load", "test_banks_and_exhaust"),
    "fuel_rail": ("test_fuel_supply",),
    "banks_differ": ("test_banks_and_exhaust",),
    "exhaust": ("test_banks_and_exhaust",),
    "soak": ("test_heat_soak",),
    "soak_figures": ("test_heat_soak",),
    "charge": ("test_heat_soak",),
    "pace": ("test_heat_soak", "test_boost_delivery"),
    "top_speed": ("test_engine_speed", "test_fuel_cut"),
    "run": ("test_many_sensors", "test_declared"),
    "base": ("test_many_sensors", "test_boost_overshoot", "test_electrical"),
    "registry": ("test_declared",),
    "assemble": ("test_evidence", "test_verdict", "test_with_findings"),
    "one_log": ("test_evidence", "test_with_findings"),
    "worker": ("test_pool",),
    "screen": ("test_with_findings",),
    "remote": ("test_cluster",),
    "evidence": ("test_evidence_of_units",),
    "decide": ("test_infer_units", "test_evidence_of_units"),
    "candidates": ("test_infer_units", "test_last_resorts", "test_broken_sensors"),
    "measured": ("test_infer_units", "test_last_resorts", "test_broken_sensors"),
    "temperature": ("test_infer_units", "test_broken_sensors"),
    "railed": ("test_broken_sensors",),
    "barometric": ("test_sensors", "test_infer_units"),
    "knock": ("test_infer_units", "test_understand_many"),
    "typed": ("cli",),
}
WHOLE = {
    "sanity": ("test_examine",),
    "trend": ("test_trends",),
    "step": ("test_response", "test_plan"),
    "night": ("test_evidence", "test_verdict", "test_with_findings"),
}
LEFT_OUT = {"cluster"}  # its tests start a scheduler each
QUICK = ("electrical", "lubrication", "engine_speed", "verdict", "aggregate", "exhaust")
QUICK_FAULTS, QUICK_S = 10, 40.0
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
            for after in FLIPS.get(type(op), ()):
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
    for place in ROOMS[room][0]:
        path = ROOT / place
        yield from sorted(path.rglob("*.py")) if path.is_dir() else [path]


def near_tests(room: str, stem: str) -> list[str]:
    """The tests that stand nearest to a module: named after it, listed above, or the room's."""
    home = ROOT / ROOMS[room][1]
    names = (f"test_{stem}", *NEAR.get(stem, ()))
    found = [home / name if (home / name).is_dir() else home / f"{name}.py" for name in names]
    there = [str(p.relative_to(ROOT)) for p in found if p.exists()]
    usual = [f"{ROOMS[room][1]}/{name}.py" for name in WHOLE.get(room, ())]
    return list(dict.fromkeys([*there, *usual])) or [ROOMS[room][1]]


class Copy:
    """The project in a temporary folder, where faults are put in and taken out."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for name in ("audit", "schemas", "tests", "docs"):
            left = shutil.ignore_patterns("__pycache__", "browser", "*.pyc")
            shutil.copytree(ROOT / name, folder / name, ignore=left)
        shutil.copy(ROOT / "pyproject.toml", folder)
        (folder / "sample_data").symlink_to(ROOT / "sample_data")
        self.usual: dict[tuple[str, ...], tuple[list[str], float]] = {}

    def run(self, tests: tuple[str, ...], left_out: list[str], limit_s: float) -> tuple[bool, str]:
        """(all passed, what was printed)."""
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "-rf",
            "-p",
            "no:cacheprovider",
            *tests,
        ]
        command += [f"--deselect={name}" for name in left_out]
        env = {**os.environ, "PYTHONPATH": str(self.folder), "PYTHONDONTWRITEBYTECODE": "1"}
        try:
            done = subprocess.run(
                command,
                cwd=self.folder,
                env=env,
                capture_output=True,
                text=True,
                timeout=limit_s,
                check=False,
            )
        except subprocess.TimeoutExpired:
            return False, "took too long"
        return done.returncode == 0, done.stdout

    def sound(self, tests: tuple[str, ...]) -> tuple[list[str], float]:
        """(tests that fail without any fault, so say nothing, s that the others take)."""
        if tests not in self.usual:
            left_out: list[str] = []
            while True:
                start = time.monotonic()
                passed, said = self.run(tests, left_out, 900.0)
                failed = [
                    line.split()[1] for line in said.splitlines() if line.startswith("FAILED ")
                ]
                if passed or not failed:
                    break
                left_out += failed
            if not passed:
                raise SystemExit(
                    f"{' '.join(tests)} cannot be run without any fault:\n{said[-2000:]}"
                )
            self.usual[tests] = left_out, time.monotonic() - start
        return self.usual[tests]

    def noticed(self, fault: Fault, tests: tuple[str, ...]) -> bool:
        left_out, usual_s = self.sound(tests)
        file = self.folder / fault.file
        source = file.read_text(encoding="utf-8")
        try:
            file.write_text(fault.put_into(source), encoding="utf-8")
            passed, _ = self.run(tests, left_out, 3 * usual_s + 10.0)
        finally:
            file.write_text(source, encoding="utf-8")
        return not passed


def drawn(rooms: list[str], most: int | None, seed: int, *, quick: bool) -> dict[str, list[Fault]]:
    """The faults to try, evenly over the rooms, the same for the same seed."""
    rng = random.Random(seed)
    out: dict[str, list[Fault]] = {}
    for room in rooms:
        files = [
            f for f in files_of(room) if f.stem not in LEFT_OUT and (not quick or f.stem in QUICK)
        ]
        every = [fault for file in files for fault in faults_of(file)]
        count = len(every) if most is None else min(len(every), -(-most // len(rooms)))
        out[room] = rng.sample(every, count)
    return out


def tried(
    faults: dict[str, list[Fault]], *, until_s: float | None = None
) -> dict[str, tuple[int, list[Fault]]]:
    """Room -> (how many were tried, those that nobody noticed). until_s: no new fault is begun after it."""
    start = time.monotonic()
    count = dict.fromkeys(faults, 0)
    survived: dict[str, list[Fault]] = {room: [] for room in faults}
    in_turn = [
        (room, f)
        for some in zip_longest(*faults.values())
        for room, f in zip(faults, some, strict=True)
    ]
    with tempfile.TemporaryDirectory() as folder:
        copy = Copy(Path(folder))
        for room, fault in in_turn:  # a room after the other, so that a run cut short has tried all
            if fault is None:
                continue
            if until_s is not None and time.monotonic() - start > until_s:
                break
            count[room] += 1
            if not copy.noticed(fault, tuple(near_tests(room, Path(fault.file).stem))):
                survived[room].append(fault)
                print(f"survived  {fault}", flush=True)
    return {room: (count[room], survived[room]) for room in faults}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--room", action="append", choices=list(ROOMS))
    parser.add_argument("--most", type=int, default=300, help="faults in all")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, help="begin no new fault after so long")
    parser.add_argument("--least", type=float, default=0.0, help="exit 1 under this share, %%")
    parser.add_argument("--count", action="store_true", help="only say how many faults there are")
    said = parser.parse_args()
    rooms = said.room or (["checks", "sanity", "night"] if said.quick else list(ROOMS))
    if said.count:
        for room in rooms:
            print(f"{room:8} {sum(len(faults_of(f)) for f in files_of(room)):5}")
        return 0
    most = None if said.all else QUICK_FAULTS if said.quick else said.most
    until_s = QUICK_S - 8.0 if said.quick else None if said.minutes is None else 60 * said.minutes
    found = tried(drawn(rooms, most, said.seed, quick=said.quick), until_s=until_s)
    total = sum(n for n, _ in found.values())
    missed = sum(len(s) for _, s in found.values())
    for room, (count, survived) in found.items():
        print(
            f"{room:8} {count:4} tried {count - len(survived):4} noticed {len(survived):4} survived"
        )
    print(
        f"in all   {total:4} tried {total - missed:4} noticed ({100 * (total - missed) / max(total, 1):.0f} %)"
    )
    return int(total > 0 and 100 * (total - missed) / total < said.least)


if __name__ == "__main__":
    raise SystemExit(main())
