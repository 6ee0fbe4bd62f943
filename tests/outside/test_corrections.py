"""The night-by-night regression against statsmodels, the slope against its definition and scipy."""

import numpy as np
import pytest

from audit.archive.trend import corrections
from audit.archive.trend.charts import slope_of
from audit.archive.trend.corrections import Nights, correct

statsmodels = pytest.importorskip("statsmodels.api")


def corrected(x, y):
    """One value a night, nothing known before; the values as they would be with x = (1, 0, ...)."""
    n, p = x.shape
    rows = [(x[i : i + 1], y[i : i + 1]) for i in range(n)]
    before = np.zeros(p), np.full(p, 1e6), 1.0
    return correct(Nights(("",) * n, rows, *before, np.eye(p)[0], np.zeros(n)))


def data(seed, n=80, p=4):
    rng = np.random.default_rng(seed)
    x = np.column_stack([np.ones(n), rng.normal(size=(n, p - 1))])
    beta = rng.normal(0, 2, p)
    return x, x @ beta + rng.normal(0, 1, n), beta, rng


@pytest.mark.parametrize("seed", range(5))
def test_prediction_errors_are_those_of_recursive_least_squares(monkeypatch, seed):
    monkeypatch.setattr(corrections, "HUBER", 1e9)
    monkeypatch.setattr(corrections, "GUARD", 1e9)
    x, y, _, _ = data(seed)
    got = corrected(x, y)
    fitted = statsmodels.RecursiveLS(y, x).fit()
    assert got.coefficients == pytest.approx(fitted.params, abs=1e-6)
    expected = fitted.filter_results.forecasts_error[0]
    assert got.residual[10:] == pytest.approx(expected[10:], abs=1e-5)


@pytest.mark.parametrize("seed", range(5))
def test_coefficients_are_near_a_robust_fit_with_strange_nights(seed):
    x, y, beta, rng = data(seed, n=150)
    strange = rng.random(150) < 0.08
    y = y + np.where(strange, rng.choice([-12, 12], 150), 0.0)
    got = corrected(x, y)
    robust = statsmodels.RLM(y, x, M=statsmodels.robust.norms.HuberT()).fit().params
    assert got.coefficients == pytest.approx(robust, abs=0.35)
    assert np.abs(got.coefficients - beta).max() < 0.5


@pytest.mark.parametrize("seed", range(5))
def test_scores_of_a_still_process_are_standard_normal(seed):
    from scipy.stats import kstest

    x, y, _, _ = data(seed, n=400)
    got = corrected(x, y)
    assert kstest(got.score[10:], "norm").pvalue > 0.001


@pytest.mark.parametrize("seed", range(5))
def test_a_slope_is_the_median_of_all_pairs(seed):
    """Sen, J. Am. Stat. Assoc. 63 (1968): the estimate by its definition."""
    y = np.random.default_rng(seed).normal(0, 1, 25) + 0.3 * np.arange(25)
    i, j = np.triu_indices(25, 1)
    slope = slope_of(y)
    assert slope.per_night == pytest.approx(np.median((y[j] - y[i]) / (j - i)))
    assert slope.low < 0.3 < slope.high


def test_the_slopes_interval_holds_the_truth_as_often_as_it_says():
    rng = np.random.default_rng(0)
    held = [
        (s := slope_of(rng.normal(0, 1, 30) + 0.1 * np.arange(30))).low <= 0.1 <= s.high
        for _ in range(400)
    ]
    assert 0.92 <= np.mean(held) <= 0.98
