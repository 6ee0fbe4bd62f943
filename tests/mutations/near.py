"""Which tests run which lines of the code, and how long each takes: written down once, then looked up.

A map is kept in a file from run to run (`--map`). A test file that has changed is run again; a function that has changed
since is matched by its name alone.
"""

from __future__ import annotations

import ast
import functools
import gc
import hashlib
import json
import os
import re
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

from faults import ROOT, Fault

CALLS = 6  # of one function in one test: the next ones seldom run other lines
Lines = dict[str, set[int]]  # file -> lines that ran


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


@dataclass(frozen=True)
class Place:
    """The outermost function around a line: its name in the file, its first and last line, its text's hash."""

    name: str
    first: int
    last: int
    text: str


def places(file: str) -> list[Place]:
    return _places(file, digest(ROOT / file))


@functools.cache
def _places(file: str, _state: str) -> list[Place]:
    source = (ROOT / file).read_text(encoding="utf-8")
    lines = source.splitlines()

    def walk(body: list[ast.stmt], before: str) -> Iterator[Place]:
        for node in body:
            if isinstance(node, ast.ClassDef):
                yield from walk(node.body, f"{before}{node.name}.")
            elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                first = min([node.lineno, *(d.lineno for d in node.decorator_list)])
                text = "\n".join(lines[first - 1 : node.end_lineno])
                short = hashlib.sha256(text.encode()).hexdigest()[:12]
                yield Place(before + node.name, first, node.end_lineno or first, short)

    return list(walk(ast.parse(source).body, ""))


def statement(file: str, line: int) -> tuple[int, int]:
    """First and last line of the innermost simple statement, or of the head of the compound one, around a line."""
    around = [(a, b) for a, b in _statements(file, digest(ROOT / file)) if a <= line <= b]
    return min(around, key=lambda ends: ends[1] - ends[0], default=(line, line))


@functools.cache
def _statements(file: str, _state: str) -> list[tuple[int, int]]:
    """First and last line of each simple statement and of each head of a compound one."""
    found = []
    for node in ast.walk(ast.parse((ROOT / file).read_text(encoding="utf-8"))):
        if isinstance(node, ast.stmt):
            inner = getattr(node, "body", None)
            last = node.end_lineno or node.lineno
            if isinstance(inner, list) and inner:
                last = max(node.lineno, inner[0].lineno - 1)
            found.append((node.lineno, last))
    return found


def readers_of(file: str, first: int, last: int) -> tuple[str, ...]:
    """The functions of a file that read what the module's own lines first to last give a name to."""
    source = (ROOT / file).read_text(encoding="utf-8")
    lines = source.splitlines()
    given = [
        target.id
        for node in ast.parse(source).body
        if first <= node.lineno <= last and isinstance(node, ast.Assign | ast.AnnAssign)
        for target in ast.walk(node)
        if isinstance(target, ast.Name) and isinstance(target.ctx, ast.Store)
    ]
    if not given:
        return ()
    word = re.compile(r"\b(" + "|".join(given) + r")\b")
    return tuple(
        place.name
        for place in places(file)
        if word.search("\n".join(lines[place.first - 1 : place.last]))
    )


@dataclass
class Map:
    """What each test ran: test -> seconds, whether it passed, file -> function -> lines from its first."""

    tests: dict[str, dict[str, Any]] = field(default_factory=dict)
    texts: dict[str, dict[str, str]] = field(default_factory=dict)  # file -> function -> hash

    @classmethod
    def read(cls, path: Path) -> Map:
        if not path.exists():
            return cls()
        kept = json.loads(path.read_text(encoding="utf-8"))
        return cls(kept["tests"], kept["texts"])

    def write(self, path: Path) -> None:
        text = json.dumps({"tests": self.tests, "texts": self.texts})
        path.write_text(text, encoding="utf-8")

    def current(self, nodeid: str) -> bool:
        """Whether the test is the one that was run."""
        told = self.tests.get(nodeid)
        file = ROOT / nodeid.split("::", maxsplit=1)[0]
        return told is not None and file.exists() and told["state"] == digest(file)

    def add(self, nodeid: str, seconds: float, passed: bool, ran: Lines) -> None:
        out: dict[str, dict[str, list[int]]] = {}
        for file, lines in ran.items():
            told = self.texts.setdefault(file, {})
            for place in places(file):
                inside = [n - place.first for n in lines if place.first <= n <= place.last]
                if inside:
                    out.setdefault(file, {})[place.name] = sorted(inside)
                    told[place.name] = place.text
        state = digest(ROOT / nodeid.split("::", maxsplit=1)[0])
        self.tests[nodeid] = {"state": state, "s": round(seconds, 4), "passed": passed, "ran": out}

    def near(self, fault: Fault) -> list[tuple[str, float]]:
        """(test, s) of those that run the fault, the quickest first; of a module's own lines: those that run it at all."""
        around = [p for p in places(fault.file) if p.first <= fault.line <= p.last]
        first, last = statement(fault.file, fault.line)
        readers = () if around else readers_of(fault.file, first, last)
        found = []
        for nodeid, told in self.tests.items():
            here = told["ran"].get(fault.file)
            if not here or not told["passed"]:
                continue
            if around and not self._runs(fault.file, around[0], here, first, last):
                continue
            if readers and not any(name in here for name in readers):
                continue
            found.append((nodeid, told["s"]))
        return sorted(found, key=lambda pair: pair[1])

    def _runs(
        self, file: str, place: Place, here: dict[str, list[int]], first: int, last: int
    ) -> bool:
        lines = here.get(place.name)
        if lines is None:
            return False
        if self.texts.get(file, {}).get(place.name) != place.text:
            return True  # another text than was run: its name has to do
        head = first - place.first <= 0  # a default of the function's own
        return head or any(first <= place.first + n <= last for n in lines)


class Recorder:
    """Notes the lines of audit/ that run while it is on, of the first CALLS calls of a function in each test."""

    def __init__(self) -> None:
        self.home = str(ROOT / "audit") + "/"
        self.sets: dict[CodeType, set[int] | None] = {}
        self.calls: dict[CodeType, int] = {}

    def taken(self) -> Lines:
        """What ran since the last time."""
        out: Lines = defaultdict(set)
        for code, lines in self.sets.items():
            if lines:
                out[str(Path(code.co_filename).relative_to(ROOT))] |= lines
                lines.clear()
        self.calls.clear()
        return dict(out)

    def __call__(self, frame: FrameType, event: str, arg: object) -> Any:
        code = frame.f_code
        try:
            lines = self.sets[code]
        except KeyError:
            lines = set() if code.co_filename.startswith(self.home) else None
            self.sets[code] = lines
        if lines is None:
            return None
        calls = self.calls.get(code, 0)
        if calls == CALLS:
            return None
        self.calls[code] = calls + 1
        lines.add(frame.f_lineno)

        def inside(frame: FrameType, event: str, arg: object) -> Any:
            lines.add(frame.f_lineno)
            return inside

        return inside

    def on(self) -> None:
        sys.settrace(self)

    def off(self) -> None:
        sys.settrace(None)


def caches() -> list[Any]:
    """The caches of functions in the rooms, to be emptied so that each test works all out itself."""
    rooms = ("checks", "sanity", "engine", "archive", "intake.units", "night")
    names = tuple(f"audit.{room}" for room in rooms)
    return [
        thing
        for thing in gc.get_objects()
        if isinstance(thing, functools._lru_cache_wrapper)
        and str(getattr(thing, "__module__", "")).startswith(names)
    ]


def merged(*several: Lines) -> Lines:
    out: Lines = defaultdict(set)
    for lines in several:
        for file, numbers in lines.items():
            out[file] |= numbers
    return dict(out)


def spent() -> float:
    """s of work so far, ours and that of the processes that were waited for."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system
