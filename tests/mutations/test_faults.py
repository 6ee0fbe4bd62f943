"""The run of faults itself: that it finds them, puts them where they belong, and sees a test fail."""

from __future__ import annotations

import ast

import pytest
from run import ROOMS, ROOT, Finder, faults_of, files_of, near_tests


def after(source: str) -> set[str]:
    finder = Finder("made.py", source)
    finder.visit(ast.parse(source))
    return {fault.put_into(source) for fault in finder.found}


@pytest.mark.parametrize(
    ("source", "wrong"),
    [
        ("a < b", {"a >= b", "a <= b"}),
        ("a - b", {"a + b"}),
        ("-a", {"a"}),
        ("a and b", {"a or b"}),
        ("max(a, b)", {"min(a, b)"}),
        ("y.min()", {"y.max()"}),
        ("LEAST = 4.0", {"LEAST = 5"}),
        ("not (a)", {" (a)"}),
        ("f'{a - b} < {c:.1f}'", set()),
        ("x: dict[str, 5] = y[3]", set()),
        ("é = 'é' if a > b else c", {"é = 'é' if a <= b else c", "é = 'é' if a >= b else c"}),
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


@pytest.mark.parametrize("room", ROOMS)
def test_every_module_has_near_tests_that_are_there(room):
    for file in files_of(room):
        assert all((ROOT / test).exists() for test in near_tests(room, file.stem))
