"""A hundred made files, and two hundred mutated ones; the long runs are generated/run.py and fuzz.py."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE / "generated")]

from cases import make  # noqa: E402
from fuzz import one  # noqa: E402
from judge import judge  # noqa: E402

FILES, MUTATED = 100, 200


@pytest.fixture(scope="module")
def judged():
    return {seed: judge(make(seed)) for seed in range(FILES)}


def test_made_files_come_out_with_every_channel_unit_and_clock_right(judged):
    wrong = {seed: [f for f in faults if f.tellable] for seed, (faults, _) in judged.items()}
    assert {seed: faults for seed, faults in wrong.items() if faults} == {}


def test_what_nothing_tells_is_never_read_silently_wrong(judged):
    assert [f for faults, _ in judged.values() for f in faults if not f.announced] == []


def test_a_unit_that_can_be_told_is_hardly_ever_doubted(judged):
    doubted = [d for _, doubts in judged.values() for d in doubts]
    assert len(doubted) <= 4, doubted


def test_mutated_files_never_crash():
    crashed = [r for r in map(one, range(MUTATED)) if r[1].startswith("CRASH")]
    assert crashed == []
