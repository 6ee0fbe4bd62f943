"""Nothing that the checks say of the sweeps has moved; see tests/sheet.py."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from tests.checks.sheets import SHEETS
from tests.sheet import Sweep, columns, kept_in, moved, packed, params, unpacked

KEPT = cache(kept_in)


@pytest.mark.parametrize(("file", "sweep"), params(SHEETS))
def test_what_is_said_of_each_step_is_what_was_said(file: Path, sweep: Sweep) -> None:
    assert moved(KEPT(file)[sweep.name], columns(sweep), sweep.steps) == []


@pytest.mark.parametrize("file", SHEETS, ids=lambda path: path.stem)
def test_no_sweep_is_left_over(file: Path) -> None:
    assert list(KEPT(file)) == [sweep.name for sweep in SHEETS[file]()]


def test_a_sheet_tells_what_moved_and_where() -> None:
    column = [None, None, 1.5, "hold 3", "hold 3", 2.0]
    text = packed(column)
    assert text == "- x2; 1.5; hold 3 x2; 2"
    assert unpacked(text) == ["-", "-", "1.5", "hold 3", "hold 3", "2"]
    kept, steps = {"a": "1 x2", "b": "hold 2.000; 3"}, [10.0, 20.0]
    assert moved(kept, {"a": "1.0001 x2", "b": "hold 2.0001; 3"}, steps) == []
    assert moved(kept, {"a": "1; 1.01", "b": "watch 2.0; 3"}, steps) == [
        "a at 20: 1 was kept, it is 1.01",
        "b at 10: hold 2.000 was kept, it is watch 2.0",
    ]
    assert len(moved(kept, {"a": "1 x2"}, steps)) == 2
