"""Faults put into the code on purpose, one at a time, and whether a near test notices.

python tests/mutations/run.py                    300 faults, drawn evenly from all rooms
python tests/mutations/run.py --room checks      of one room alone
python tests/mutations/run.py --all              every fault there is
python tests/mutations/run.py --quick            a few with quick tests, at most 40 s
python tests/mutations/run.py --again out.json   the survivors of an earlier run (--out out.json) once more

A fault goes into the code in memory, never into the checkout: one process collects the tests and forks for each fault,
the child runs the tests that run the faulty line, the quickest first, until one fails. A fault that no test notices has
survived. Among them are controls, places where nothing was changed: none of them may be noticed.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator
from dataclasses import asdict, replace
from itertools import zip_longest
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS"):
    os.environ[_name] = "1"
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

import pytest
from faults import ROOMS, ROOT, Fault, drawn, faults_of, files_of
from forked import (
    Answer,
    Children,
    Functions,
    changed_code,
    changed_statement,
    draw_map,
    heavy,
    in_a_fresh_one,
    in_one_pytest,
    in_this_session,
)
from near import Map

# The tests that a fault is tried against: those of the normal run that look at these rooms and start no browser,
# server or cluster.
TESTS = (
    "tests/checks",
    "tests/sanity",
    *(
        f"tests/intake/test_{name}.py"
        for name in (
            "infer_units",
            "last_resorts",
            "broken_sensors",
            "evidence_of_units",
            "sensors",
            "dimensionless",
            "unit_arithmetic",
        )
    ),
    *(
        f"tests/archive/test_{name}.py"
        for name in (
            "plan",
            "refusals_lifted",
            "response",
            "response_bounds",
            "response_curve",
            "response_landing",
            "response_sheet",
            "response_valve",
            "step_arithmetic",
            "trend_arithmetic",
            "trends",
            "journal_rescreen_fleet",
        )
    ),
    "tests/scenes",
    "tests/families",
    "tests/test_addresses.py",
    "tests/test_decision.py",
    "tests/test_evidence.py",
    "tests/test_night_rules.py",
    "tests/test_verdict.py",
    "tests/test_with_findings.py",
)
NOT_THESE = ("checks/test_new_check",)  # it runs copies of the project
QUICK_TESTS = (
    "tests/checks/test_electrical.py",
    "tests/checks/test_lubrication.py",
    "tests/checks/test_engine_speed.py",
    "tests/sanity/test_aggregate.py",
    "tests/test_verdict.py",
)
QUICK = ("electrical", "lubrication", "engine_speed", "aggregate", "verdict")
QUICK_FAULTS, QUICK_S = 60, 40.0
CONTROL_EACH = 20  # after so many faults one place where nothing is changed
MOST_S = 45.0  # the tests of one fault, as long as they usually take without it


def say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def with_controls(faults: list[Fault]) -> Iterator[Fault]:
    for count, fault in enumerate(faults):
        if count % CONTROL_EACH == CONTROL_EACH // 2:
            yield replace(fault, after=fault.before)
        yield fault


def is_control(fault: Fault) -> bool:
    return fault.after == fault.before


class Run:
    """All faults of one run, tried; what came of them, as it comes, in a file."""

    def __init__(
        self, faults: list[Fault], tests: list[str], map_file: Path, said: argparse.Namespace
    ) -> None:
        self.faults, self.tests, self.map_file, self.said = faults, tests, map_file, said
        self.until = time.monotonic() + 60 * said.minutes if said.minutes else None
        self.file = Path(tempfile.mkstemp(prefix="answers-", suffix=".jsonl")[1])

    def keep(self, answer: Answer) -> None:
        with self.file.open("a", encoding="utf-8") as out:
            out.write(json.dumps(asdict(answer)) + "\n")
        if is_control(answer.fault):
            if answer.seen:
                say(f"NOTHING WAS CHANGED at {answer.fault}, yet {answer.by} failed")
        elif not answer.seen or self.said.verbose:
            say(
                f"{answer.state:9} {answer.fault}   [{answer.by or f'{answer.tests} tests'}, {answer.seconds:.1f} s]"
            )

    def in_time(self, faults: list[Fault]) -> Iterator[Fault]:
        for fault in faults:
            if self.until is not None and time.monotonic() > self.until:
                return
            yield fault

    def answers(self) -> list[Answer]:
        heavy()
        every = list(with_controls(self.faults))
        inside = [
            f for f in every if is_control(f) or changed_code(f) is not None or changed_statement(f)
        ]
        outside = [f for f in every if f not in inside]
        pid = (
            os.fork()
        )  # what follows imports audit/; the faults outside functions want a process that has not
        if pid == 0:
            code = 1
            try:
                in_one_pytest(self.tests, lambda session: self.inside(session, inside))
                code = 0
            except BaseException:
                traceback.print_exc()
            finally:
                sys.stdout.flush()
                sys.stderr.flush()
                os._exit(code)
        if os.waitpid(pid, 0)[1]:
            raise SystemExit("the run was broken off")
        near = Map.read(self.map_file)
        children = Children(self.said.workers)
        jobs = (in_a_fresh_one(near, self.said.most_s, f) for f in self.in_time(outside))
        for answer in children.run(jobs):
            self.keep(answer)
        lines = self.file.read_text(encoding="utf-8").splitlines()
        self.file.unlink()
        told = [json.loads(line) for line in lines]
        return [Answer(**{**t, "fault": Fault(**t["fault"])}) for t in told]

    def inside(self, session: pytest.Session, faults: list[Fault]) -> None:
        near = Map.read(self.map_file)
        if not self.said.known:
            draw_map(session, near, say)
            near.write(self.map_file)
        children = Children(self.said.workers)
        by_name, functions = {item.nodeid: item for item in session.items}, Functions()
        known = {"near": near, "most_s": self.said.most_s}
        jobs = (
            in_this_session(session, by_name, functions, fault=f, **known)
            for f in self.in_time(faults)
        )
        for answer in children.run(jobs):
            self.keep(answer)


def room_of(fault: Fault) -> str:
    path = ROOT / fault.file
    return next(room for room in ROOMS if path in set(files_of(room)))


def told(answers: list[Answer], seconds: float) -> float:
    """Prints the figures by room; the share noticed, %."""
    controls = [a for a in answers if is_control(a.fault)]
    tried = [a for a in answers if not is_control(a.fault)]
    by_room: dict[str, list[Answer]] = {}
    for answer in tried:
        by_room.setdefault(room_of(answer.fault), []).append(answer)
    for room in ROOMS:
        if some := by_room.get(room):
            seen = sum(a.seen for a in some)
            print(f"{room:8} {len(some):4} tried {seen:4} noticed {len(some) - seen:4} survived")
    seen = sum(a.seen for a in tried)
    share = 100 * seen / max(len(tried), 1)
    hung = sum(a.state == "hung" for a in tried)
    print(
        f"in all   {len(tried):4} tried {seen:4} noticed ({share:.0f} %; {hung} by work without end), "
        f"{seconds / max(len(tried), 1):.1f} s each; {len(controls)} places left as they were, "
        f"{sum(a.seen for a in controls)} noticed"
    )
    return share


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--room", action="append", choices=list(ROOMS))
    parser.add_argument("--most", type=int, default=300, help="faults in all")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", help="only files of this name")
    parser.add_argument("--again", type=Path, help="the survivors of this file of --out")
    parser.add_argument("--out", type=Path, help="what came of each fault, as JSON")
    parser.add_argument("--map", type=Path, help="which test runs what: kept here from run to run")
    parser.add_argument(
        "--known", action="store_true", help="by the tests of the map alone, as it is"
    )
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--minutes", type=float, help="begin no new fault after so long")
    parser.add_argument("--most-s", type=float, default=MOST_S, help="s of tests for one fault")
    parser.add_argument("--least", type=float, default=0.0, help="exit 1 under this share, %%")
    parser.add_argument("--count", action="store_true", help="only say how many faults there are")
    parser.add_argument("--verbose", "-v", action="store_true", help="say who noticed, too")
    said = parser.parse_args()
    rooms = said.room or (["checks", "sanity", "night"] if said.quick else list(ROOMS))
    if said.count:
        for room in rooms:
            print(f"{room:8} {sum(len(faults_of(f)) for f in files_of(room)):5}")
        return 0
    start = time.monotonic()
    only = QUICK if said.quick else tuple(said.only or ())
    most = None if said.all else QUICK_FAULTS if said.quick else said.most
    if said.again:
        kept = json.loads(said.again.read_text(encoding="utf-8"))
        faults = [moved(Fault(**a["fault"])) for a in kept if a["state"] not in ("noticed", "hung")]
        faults = [
            f for f in faults if not is_control(f) and (not only or Path(f.file).stem in only)
        ]
    else:
        by_room = drawn(rooms, most, said.seed, only=only).values()  # in turn, for a run cut short
        faults = [f for some in zip_longest(*by_room) for f in some if f is not None]
    if said.quick and not said.minutes:
        said.minutes = (QUICK_S - 8.0) / 60
    tests = list(QUICK_TESTS) if said.quick else list(TESTS)
    tests += [f"--ignore={ROOT}/tests/{name}.py" for name in NOT_THESE]
    if said.known:
        tests = sorted({name.split("::")[0] for name in Map.read(said.map).tests})
    with tempfile.TemporaryDirectory() as folder:
        map_file = said.map or Path(folder) / "map.json"
        answers = Run(faults, tests, map_file, said).answers()
    if said.out:
        said.out.write_text(json.dumps([asdict(a) for a in answers], indent=1), encoding="utf-8")
    return int(told(answers, time.monotonic() - start) < said.least)


def moved(fault: Fault) -> Fault:
    """The same fault where the file's text has moved since: the nearest one of its kind."""
    same = [
        f
        for f in faults_of(ROOT / fault.file)
        if (f.before, f.after) == (fault.before, fault.after)
    ]
    return min(same, key=lambda f: abs(f.start - fault.start), default=fault)


if __name__ == "__main__":
    raise SystemExit(main())
