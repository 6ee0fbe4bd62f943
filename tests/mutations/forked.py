"""One pytest that collects once and then forks for each fault: the child changes the code in memory and runs the tests.

A fault inside a function takes the place of the function's code object wherever that is held; one in a constant or a
default that of its value. One in other lines of a module (a class, a decorator) is run in a fresh fork of a process that
has only the heavy libraries: the module is made from the changed source as it is imported. Nothing is written to the
checkout.
"""

from __future__ import annotations

import ast
import functools
import gc
import importlib.abc
import importlib.util
import inspect
import json
import os
import resource
import select
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

import pytest
from faults import ROOT, Fault
from near import Map, Recorder, caches, merged, spent

OPTIONS = ["-p", "no:cacheprovider", "-p", "no:xdist", "--capture=sys", "-q", f"--rootdir={ROOT}"]
LEAST_CPU_S, TIMES_CPU = (
    20.0,
    4.0,
)  # a child that works longer than this beyond its tests' usual time hangs
WAIT_S = 300.0  # a child that waits this long is given up and counts for nothing
STATES = ("noticed", "survived", "hung", "unsure")


@dataclass(frozen=True)
class Answer:
    """What came of one fault: noticed or hung (too much work) count as noticed; by: the test, or why not."""

    fault: Fault
    state: str
    by: str
    tests: int
    seconds: float

    @property
    def seen(self) -> bool:
        return self.state in ("noticed", "hung")


def changed_code(fault: Fault) -> dict[tuple[str, int], CodeType] | None:
    """(qualified name, first line) -> its new code; None if lines outside functions change too."""
    path = ROOT / fault.file
    source = path.read_text(encoding="utf-8")
    before = compile(source, str(path), "exec")
    after = compile(fault.put_into(source), str(path), "exec")
    out: dict[tuple[str, int], CodeType] = {}

    def walk(old: CodeType, new: CodeType) -> bool:
        """False if code outside functions differs."""
        own = [c for c in old.co_consts if not isinstance(c, CodeType)]
        theirs = [c for c in new.co_consts if not isinstance(c, CodeType)]
        same = old.co_code == new.co_code and repr(own) == repr(theirs)
        same = same and old.co_names == new.co_names
        function = bool(old.co_flags & inspect.CO_OPTIMIZED)
        if not same and not function:
            return False
        if function and old != new:
            out[old.co_qualname, old.co_firstlineno] = new
        pairs = zip(
            (c for c in old.co_consts if isinstance(c, CodeType)),
            (c for c in new.co_consts if isinstance(c, CodeType)),
            strict=True,
        )
        return all(walk(a, b) for a, b in pairs)

    try:
        return out if walk(before, after) else None
    except ValueError:
        return None


class Functions:
    """All functions of audit/ that are in memory, by their file, and the caches of functions."""

    def __init__(self) -> None:
        home = str(ROOT / "audit") + "/"
        self.of: dict[str, list[FunctionType]] = {}
        self.caches: list[Any] = []
        for thing in gc.get_objects():
            if isinstance(thing, FunctionType) and thing.__code__.co_filename.startswith(home):
                self.of.setdefault(thing.__code__.co_filename, []).append(thing)
            elif isinstance(thing, functools._lru_cache_wrapper):
                self.caches.append(thing)

    def put(self, fault: Fault, codes: dict[tuple[str, int], CodeType]) -> int:
        """Every function made from the old code gets the new one; how many there were."""
        count = 0
        for function in self.of.get(str(ROOT / fault.file), ()):
            old = function.__code__
            new = codes.get((old.co_qualname, old.co_firstlineno))
            if new is not None and len(new.co_freevars) == len(old.co_freevars):
                function.__code__ = new
                count += 1
        self.forget()
        return count

    def forget(self) -> None:
        """Empties the caches of audit/."""
        for cache in self.caches:
            if str(getattr(cache, "__module__", "")).startswith("audit"):
                cache.cache_clear()


def module_of(file: str) -> str:
    parts = Path(file).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def changed_statement(fault: Fault) -> tuple[CodeType, tuple[str, ...]] | None:
    """A module's own assignment, or function with a default, as it is with the fault; and its names."""
    source = (ROOT / fault.file).read_text(encoding="utf-8")
    tree = ast.parse(fault.put_into(source))
    for node in tree.body:
        if not node.lineno <= fault.line <= (node.end_lineno or node.lineno):
            continue
        if isinstance(node, ast.FunctionDef) and not node.decorator_list:
            names = (node.name,)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            stored = [n for n in ast.walk(node) if isinstance(n, ast.Name)]
            names = tuple(n.id for n in stored if isinstance(n.ctx, ast.Store))
        else:
            return None
        future = [
            n for n in tree.body if isinstance(n, ast.ImportFrom) and n.module == "__future__"
        ]
        body = ast.Module([*future, node], type_ignores=[])
        return compile(body, str(ROOT / fault.file), "exec"), names
    return None


def put_values(fault: Fault, statement: CodeType, names: Sequence[str]) -> int:
    """The values of the changed statement take the place of the old ones, wherever these were imported to; how many.

    What was worked out of them while importing stays as it was: a fault is missed by that, never invented.
    """
    home = sys.modules.get(module_of(fault.file))
    if home is None:
        return 0
    made = dict(vars(home))
    exec(statement, made)  # noqa: S102 - our own code
    count = 0
    for name in names:
        old, new = vars(home)[name], made[name]
        if isinstance(old, FunctionType):
            old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__
            count += 1
            continue
        for module in list(sys.modules.values()):
            held = vars(module) if isinstance(module, ModuleType) else {}
            if held.get(name) is old and str(held.get("__name__", "")).startswith("audit"):
                setattr(module, name, new)
                count += 1
    return count


class Changed(importlib.abc.MetaPathFinder):
    """Makes one module from the changed source when it is imported."""

    def __init__(self, fault: Fault) -> None:
        self.path = ROOT / fault.file
        self.name = module_of(fault.file)
        self.source = fault.put_into(self.path.read_text(encoding="utf-8"))

    def find_spec(
        self, name: str, path: Any, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name != self.name:
            return None
        source, file = self.source, str(self.path)

        class Loader(SourceFileLoader):
            def get_code(self, fullname: str) -> CodeType:
                return compile(source, file, "exec")

        package = [str(self.path.parent)] if self.path.stem == "__init__" else None
        return importlib.util.spec_from_file_location(
            name, file, loader=Loader(name, file), submodule_search_locations=package
        )


def quiet() -> None:
    """A child says nothing on the terminal and keeps its files in a folder of its own."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)


def run_items(
    session: pytest.Session, items: Sequence[pytest.Item], folder: Path
) -> tuple[str, int]:
    """(the first test that failed or "", how many ran)."""
    session.config._tmp_path_factory._basetemp = folder  # type: ignore[attr-defined]
    for count, item in enumerate(items, 1):
        after = items[count] if count < len(items) else None
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        if session.testsfailed:
            return item.nodeid, count
    return "", len(items)


def chosen(near: Map, fault: Fault, most_s: float) -> tuple[list[str], float]:
    """The quickest tests that run the fault, as many as go into most_s, and their usual s."""
    names, total = [], 0.0
    for name, seconds in near.near(fault):
        if names and total + seconds > most_s:
            break
        names.append(name)
        total += seconds
    return names, total


class Children:
    """At most so many forks at a time, each with a job; their answers as they come."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self.folder = Path(tempfile.mkdtemp(prefix="faults-"))
        self.number = 0
        self.open: dict[int, tuple[int, Fault, int, float]] = {}  # pipe -> pid, fault, tests, start

    def start(
        self, fault: Fault, job: Callable[[Path], tuple[str, int]], tests: int, cpu_s: float
    ) -> None:
        self.number += 1
        folder = self.folder / str(self.number)
        ours, theirs = os.pipe()
        pid = os.fork()
        if pid == 0:
            try:
                os.setsid()
                os.close(ours)
                quiet()
                folder.mkdir()
                limit = int(TIMES_CPU * cpu_s + LEAST_CPU_S + time.process_time())
                resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
                by, count = job(folder)
                os.write(theirs, json.dumps([by, count]).encode())
            except BaseException:
                text = traceback.format_exc()[-1500:]
                os.write(theirs, json.dumps(["!" + text, 0]).encode())
            finally:
                os._exit(0)
        os.close(theirs)
        self.open[ours] = pid, fault, tests, time.monotonic()

    def answers(self) -> Iterator[Answer]:
        """Waits until one is done, or one has waited too long."""
        ready, _, _ = select.select(list(self.open), [], [], 1.0)
        now = time.monotonic()
        late = [pipe for pipe, told in self.open.items() if now - told[3] > WAIT_S]
        for pipe in {*ready, *late}:
            pid, fault, tests, start = self.open.pop(pipe)
            said = b""
            if pipe in ready:
                while piece := os.read(pipe, 65536):
                    said += piece
            else:
                os.killpg(pid, signal.SIGKILL)
            os.close(pipe)
            _, status = os.waitpid(pid, 0)
            took = now - start
            if said:
                by, count = json.loads(said)
                state = "survived" if not by else "unsure" if by.startswith("!") else "noticed"
                yield Answer(fault, state, by, count, took)
            elif (
                os.WIFSIGNALED(status)
                and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)
                and pipe in ready
            ):
                yield Answer(fault, "hung", "too much work", tests, took)
            elif pipe in ready:
                yield Answer(fault, "noticed", f"the process died ({status})", tests, took)
            else:
                yield Answer(fault, "unsure", f"still waiting after {WAIT_S:.0f} s", tests, took)

    def run(self, jobs: Iterator[Callable[[Children], Answer | None]]) -> Iterator[Answer]:
        for job in jobs:
            while len(self.open) >= self.workers:
                yield from self.answers()
            if (known := job(self)) is not None:
                yield known
        while self.open:
            yield from self.answers()
        shutil.rmtree(self.folder, ignore_errors=True)


def threads() -> int:
    """Of this process, where the system tells."""
    tasks = Path("/proc/self/task")
    return len(list(tasks.iterdir())) if tasks.exists() else 0


class Loop:
    """A pytest plugin: in place of running the tests, `work(session)`."""

    def __init__(self, work: Callable[[pytest.Session], None]) -> None:
        self.work = work
        self.threads = threads()

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            raise SystemExit("the tests cannot be collected: run pytest to see why")
        if threads() > self.threads:  # polars' own, which a fork would wait for in vain
            raise SystemExit("a test module makes a log as it is imported: make it in a function")
        self.work(session)
        return True


def heavy() -> None:
    """The libraries that every child needs, loaded once; none of them may start a thread of its own."""
    for name in ("numpy", "polars", "scipy.optimize", "scipy.signal", "scipy.stats"):
        importlib.import_module(name)


def in_one_pytest(
    tests: Sequence[str], work: Callable[[pytest.Session], None], *others: object
) -> None:
    os.chdir(ROOT)
    code = pytest.main([*OPTIONS, *tests], plugins=[Loop(work), *others])
    if code not in (0, 1, 5):
        raise SystemExit(f"pytest ended with {code}: run it to see why")


class Order:
    """A pytest plugin: these tests, in this order, and no others."""

    def __init__(self, names: Sequence[str]) -> None:
        self.place = {name: n for n, name in enumerate(names)}

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = sorted(
            (item for item in items if item.nodeid in self.place),
            key=lambda item: self.place[item.nodeid],
        )


def in_this_session(
    session: pytest.Session,
    by_name: Mapping[str, pytest.Item],
    functions: Functions,
    *,
    near: Map,
    most_s: float,
    fault: Fault,
) -> Callable[[Children], Answer | None]:
    """The job of a fault inside a function."""

    def job(children: Children) -> Answer | None:
        codes = changed_code(fault)
        statement = changed_statement(fault) if codes is None else None
        names, usual_s = chosen(near, fault, most_s)
        items = [by_name[name] for name in names if name in by_name]
        if not items or (not codes and statement is None):
            return Answer(fault, "survived", "no test runs it", 0, 0.0)

        def child(folder: Path) -> tuple[str, int]:
            if statement is not None:
                put = put_values(fault, *statement)
                functions.forget()
            else:
                put = functions.put(fault, codes or {})
            return run_items(session, items, folder) if put else ("!nothing holds it", 0)

        children.start(fault, child, len(items), usual_s)
        return None

    return job


def in_a_fresh_one(near: Map, most_s: float, fault: Fault) -> Callable[[Children], Answer | None]:
    """The job of a fault in a module's own lines: everything is imported anew."""

    def job(children: Children) -> Answer | None:
        names, usual_s = chosen(near, fault, most_s)
        if not names:
            return Answer(fault, "survived", "no test runs it", 0, 0.0)

        def child(folder: Path) -> tuple[str, int]:
            sys.meta_path.insert(0, Changed(fault))
            said: list[tuple[str, int]] = []

            def work(session: pytest.Session) -> None:
                said.append(run_items(session, session.items, folder))

            files = list(dict.fromkeys(name.split("::")[0] for name in names))
            in_one_pytest(files, work, Order(names))
            return said[0] if said else ("cannot be imported", 0)

        children.start(fault, child, len(names), usual_s)
        return None

    return job


def draw_map(session: pytest.Session, near: Map, say: Callable[[str], None]) -> None:
    """Runs, in a fork, the tests that the map does not know as they are, and notes what each runs."""
    new = [item for item in session.items if not near.current(item.nodeid)]
    if not new:
        return
    say(f"{len(new)} tests are run once, to see which lines each of them runs")
    path = Path(tempfile.mkstemp(prefix="map-", suffix=".json")[1])
    pid = os.fork()
    if pid == 0:
        try:
            quiet()
            record(session, new, near, path)
        except BaseException:
            Path(f"{path}.error").write_text(traceback.format_exc())
        finally:
            os._exit(0)
    os.waitpid(pid, 0)
    error = Path(f"{path}.error")
    if error.exists():
        raise SystemExit(error.read_text())
    made = Map.read(path)
    near.tests, near.texts = made.tests, made.texts
    path.unlink()


def record(session: pytest.Session, items: Sequence[pytest.Item], near: Map, path: Path) -> None:
    recorder = Recorder()
    shared: dict[Any, dict[str, set[int]]] = {}

    class Shared:
        @pytest.hookimpl(hookwrapper=True)
        def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Iterator[None]:
            """What a fixture of many tests runs is run by each of them."""
            if fixturedef.scope == "function":
                yield
                return
            before = recorder.taken()
            yield
            mine = recorder.taken()
            shared[fixturedef] = merged(shared.get(fixturedef, {}), mine)
            self.kept = merged(self.kept, before, mine)

        kept: dict[str, set[int]] = {}

    plugin, kept = Shared(), caches()
    session.config.pluginmanager.register(plugin)
    folder = Path(tempfile.mkdtemp(prefix="map-"))
    session.config._tmp_path_factory._basetemp = folder  # type: ignore[attr-defined]
    for count, item in enumerate(items, 1):
        after = items[count] if count < len(items) else None
        failed = session.testsfailed
        for cache in kept:
            cache.cache_clear()
        plugin.kept = {}
        begin = spent()
        recorder.on()
        try:
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
        finally:
            recorder.off()
        took = spent() - begin
        ran = merged(plugin.kept, recorder.taken())
        for definitions in getattr(item, "_fixtureinfo").name2fixturedefs.values():
            for definition in definitions:
                ran = merged(ran, shared.get(definition, {}))
        near.add(item.nodeid, took, session.testsfailed == failed, ran)
        if count % 100 == 0:
            near.write(path)
    near.write(path)
    shutil.rmtree(folder, ignore_errors=True)
