"""Nothing that the sensor tests say of the sweeps has moved; see tests/sheet.py."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from tests.sanity.sheets import SHEETS
from tests.sheet import Sweep, columns, kept_in, moved, params

KEPT = cache(kept_in)


@pytest.mark.parametrize(("file", "sweep"), params(SHEETS))
def test_what_is_said_of_each_step_is_what_was_said(file: Path, sweep: Sweep) -> None:
    assert moved(KEPT(file)[sweep.name], columns(sweep), sweep.steps) == []


@pytest.mark.parametrize("file", SHEETS, ids=lambda path: path.stem)
def test_no_sweep_is_left_over(file: Path) -> None:
    assert list(KEPT(file)) == [sweep.name for sweep in SHEETS[file]()]
