"""The assignment is the best one."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from audit.intake.names.assign import best_assignment


@pytest.mark.parametrize("seed", range(40))
def test_the_sum_is_that_of_the_reference_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shape = rng.integers(1, 30, 2)
    score = rng.random(shape) * (rng.random(shape) < rng.uniform(0.1, 1.0))
    if seed % 3 == 0:
        score = np.round(score, 1)  # ties
    rows, columns = linear_sum_assignment(score, maximize=True)
    pairs = best_assignment(score)
    assert sum(score[r, c] for r, c in pairs) == pytest.approx(score[rows, columns].sum())
    assert len({r for r, _ in pairs}) == len({c for _, c in pairs}) == len(pairs)


def test_first_come_is_not_first_served() -> None:
    score = np.array([[0.9, 0.8], [0.85, 0.0]])  # row 0 gives way: 0.8 + 0.85 beats 0.9
    assert sorted(best_assignment(score)) == [(0, 1), (1, 0)]


def test_a_zero_is_no_assignment() -> None:
    assert best_assignment(np.zeros((3, 2))) == []
    assert best_assignment(np.zeros((0, 0))) == []
    assert best_assignment(np.array([[0.0, 0.4], [0.0, 0.5]])) == [(1, 1)]
