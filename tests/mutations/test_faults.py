"""The run of faults itself: that it finds them, puts them where they belong, and picks the tests that run them."""

from __future__ import annotations

import ast
from dataclasses import replace

import numpy as np
import pytest
from faults import ROOMS, ROOT, Fault, Finder, drawn, faults_of, files_of
from forked import Changed, Functions, changed_code, chosen
from near import Map, Recorder, places, readers_of, statement

from audit.archive.trend.charts import cusum

CHARTS = "audit/archive/trend/charts.py"


def after(source: str) -> set[str]:
    finder = Finder("made.py", source)
    finder.visit(ast.parse(source))
    return {fault.put_into(source) for fault in finder.found}


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ("a < b", {"a >= b"}),
        ("len(a) < b", {"len(a) >= b", "len(a) <= b"}),
        ("a >= 3", {"a < 3", "a > 3", "a >= 4"}),
        ("x.size == b", {"x.size != b"}),
        ("a - b", {"a + b"}),
        ("-a", {"a"}),
        ("a and b", {"a or b"}),
        ("max(a, b)", {"min(a, b)"}),
        ("y.min()", {"y.max()"}),
        ("LEAST = 4.0", {"LEAST = 5"}),
        ("not (a)", {" (a)"}),
        ("f'{a - b} < {c:.1f}'", set()),
        ("x: dict[str, 5] = y[3]", set()),
        ("é = 'é' if a > b else c", {"é = 'é' if a <= b else c"}),
    ],
)
def test_each_kind_of_fault_goes_where_it_belongs(source, wrong):
    assert after(source) == wrong


@pytest.mark.parametrize("room", ROOMS)
def test_every_room_has_faults_to_try_each_of_them_python(room):
    faults = [fault for file in files_of(room) for fault in faults_of(file)]
    assert len(faults) >= 40
    for fault in faults[:: max(1, len(faults) // 20)]:
        source = (ROOT / fault.file).read_text(encoding="utf-8")
        assert source[fault.start : fault.stop] == fault.before
        ast.parse(fault.put_into(source))


def test_the_same_seed_draws_the_same_faults_evenly_over_the_rooms():
    one, again, other = (drawn(list(ROOMS), 70, seed) for seed in (7, 7, 8))
    assert one == again != other
    assert {len(some) for some in one.values()} == {10}
    assert {
        f.file.rsplit("/", 1)[1] for f in drawn(["sanity"], None, 1, only=("aggregate",))["sanity"]
    } == {"aggregate.py"}


def fault_in(file: str, before: str, text: str) -> Fault:
    """The fault in the first line that holds the text."""
    lines = (ROOT / file).read_text(encoding="utf-8").splitlines()
    line = next(i for i, row in enumerate(lines, 1) if text in row)
    return next(f for f in faults_of(ROOT / file) if f.line == line and f.before == before)


def test_a_fault_in_a_function_takes_the_place_of_its_code():
    fault = fault_in(CHARTS, "-", "s + x[..., i] - k")
    codes = changed_code(fault)
    assert codes is not None and {name for name, _ in codes} == {"cusum"}
    sound, x = cusum.__code__, np.array([3.0])
    try:
        assert Functions().put(fault, codes) == 1
        assert cusum(x, k=0.5).tolist() != [2.5]
    finally:
        cusum.__code__ = sound
    assert cusum(x, k=0.5).tolist() == [2.5]


def test_a_fault_in_a_modules_own_lines_is_made_as_it_is_imported():
    file = "audit/archive/trend/alarm.py"
    fault = fault_in(file, "1.3", "LATE_SHARE = 1.3")
    assert changed_code(fault) is None
    spec = Changed(fault).find_spec("audit.archive.trend.alarm", None)
    assert spec is not None and spec.loader is not None
    made = {"__name__": "changed"}
    code = spec.loader.get_code("audit.archive.trend.alarm")
    constants = [c for c in code.co_consts if isinstance(c, float)]
    assert 1.625 in constants and 1.3 not in constants and made
    assert Changed(fault).find_spec("audit.archive.trend.charts", None) is None


def test_a_control_changes_nothing():
    fault = fault_in(CHARTS, "-", "s + x[..., i] - k")
    same = replace(fault, after=fault.before)
    assert changed_code(same) == {}


def test_the_tests_that_run_a_line_are_near_it_the_quickest_first():
    fault = fault_in(CHARTS, "-", "s + x[..., i] - k")
    near, name = Map(), "tests/mutations/test_faults.py::{}".format
    there = {CHARTS: {fault.line}}
    near.add(name("slow"), 2.0, True, there)
    near.add(name("quick"), 1.0, True, there)
    near.add(name("fails"), 0.1, False, there)
    near.add(name("elsewhere"), 0.1, True, {CHARTS: {1, 2}})
    near.add(name("other"), 0.1, True, {"audit/archive/trend/alarm.py": {30}})
    assert near.near(fault) == [(name("quick"), 1.0), (name("slow"), 2.0)]
    assert chosen(near, fault, 2.0) == ([name("quick")], 1.0)
    assert chosen(near, fault, 3.0) == ([name("quick"), name("slow")], 3.0)
    assert chosen(near, fault, 0.5)[0] == [name("quick")]  # one at least
    near.texts[CHARTS] = dict.fromkeys(near.texts[CHARTS], "another text")
    assert [n for n, _ in near.near(fault)] == [name("quick"), name("slow")]


def test_a_map_is_kept_and_a_test_of_a_changed_file_is_run_again(tmp_path):
    near, name = Map(), "tests/mutations/test_faults.py::one"
    near.add(name, 1.0, True, {CHARTS: {20}})
    near.write(tmp_path / "map.json")
    again = Map.read(tmp_path / "map.json")
    assert (
        again.tests == near.tests and again.current(name) and not again.current("tests/x.py::one")
    )
    again.tests[name]["state"] = "older"
    assert not again.current(name)
    assert Map.read(tmp_path / "none.json").tests == {}


def test_the_recorder_notes_the_lines_of_a_function():
    recorder = Recorder()
    recorder.on()
    try:
        cusum(np.zeros(2), k=0.5)
    finally:
        recorder.off()
    ran = recorder.taken()
    (place,) = [p for p in places(CHARTS) if p.name == "cusum"]
    assert set(ran) == {CHARTS} and all(place.first <= line <= place.last for line in ran[CHARTS])
    assert len(ran[CHARTS]) >= 3 and recorder.taken() == {}


def test_statements_and_the_readers_of_a_constant():
    lines = (ROOT / CHARTS).read_text(encoding="utf-8").splitlines()
    row = next(i for i, text in enumerate(lines, 1) if "for i in range" in text)
    assert statement(CHARTS, row) == (row, row)
    alarm = "audit/archive/trend/alarm.py"
    rows = (ROOT / alarm).read_text(encoding="utf-8").splitlines()
    at = next(i for i, text in enumerate(rows, 1) if text.startswith("BACK_NIGHTS"))
    assert readers_of(alarm, at, at) == ("find_shifts",)
