"""The rising fit against scikit-learn and scipy, and the rising path of the curve against its definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import isotonic_regression, linprog
from sklearn.isotonic import IsotonicRegression

from audit.archive.step.curve import _rising
from audit.archive.step.valve import levels_of
from audit.signal.monotone import isotonic


@pytest.mark.parametrize("seed", range(20))
def test_isotonic_agrees_with_two_libraries(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 60))
    y, weight = rng.normal(0, 5, n) + np.arange(n) * 0.1, rng.uniform(0.1, 4, n)
    ours = isotonic(y, weight)
    assert ours == pytest.approx(isotonic_regression(y, weights=weight).x, abs=1e-9)
    assert ours == pytest.approx(
        IsotonicRegression().fit_transform(np.arange(n), y, sample_weight=weight), abs=1e-9
    )


def test_a_worked_example():
    """Pool adjacent violators by hand; scikit-learn 1.9.1 gives the same."""
    assert isotonic([1, 3, 2, 4, 6, 5, 7]).tolist() == [1, 2.5, 2.5, 4, 5.5, 5.5, 7]


def test_the_levels_of_the_sheet_are_the_librarys_fit():
    """Of pulls at one duty each, the sheet's fitted levels are isotonic regression of them."""
    rng = np.random.default_rng(3)
    duty, boost = np.arange(5.0, 60.0, 5.0), 50 + np.arange(11) * 3.0 + rng.normal(0, 6, 11)
    fitted = [level.fitted for level in levels_of(duty, boost)]
    assert fitted == pytest.approx(IsotonicRegression().fit_transform(duty, boost), abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_the_rising_path_is_the_nearest_in_the_largest_deviation(seed):
    """Against a linear programme (scipy's HiGHS): least t with |x - y| <= t and x rising."""
    y = 10 * np.random.default_rng(seed).normal(0, 3, 12).cumsum() / 10
    n = len(y)
    eye, step = np.eye(n), np.eye(n - 1, n) - np.eye(n - 1, n, 1)
    above = np.hstack([np.vstack([eye, -eye]), -np.ones((2 * n, 1))])
    rows = np.vstack([above, np.hstack([step, np.zeros((n - 1, 1))])])
    least = linprog(
        [*np.zeros(n), 1.0],
        A_ub=rows,
        b_ub=[*y, *-y, *np.zeros(n - 1)],
        bounds=[(None, None)] * n + [(0, None)],
    ).fun
    path = np.concatenate([y, np.zeros(101 - n)])[None, :]
    ours = _rising(path, 0.0, n - 1.0)[0, :n]
    assert (np.diff(ours) >= 0).all() and np.abs(ours - y).max() == pytest.approx(least, abs=1e-7)
