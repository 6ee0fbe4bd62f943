"""Robust statistics and the monotone fit against handbook examples, scipy and scikit-learn."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from sklearn.isotonic import IsotonicRegression

from audit.signal.robust import hampel, isotonic, mad_sigma, median, modified_z, theil_sen

SHORT = [101, 102, 101, 103, 102, 160, 102, 101, 100, 102, 101]
values = st.lists(st.floats(-1e3, 1e3), min_size=4, max_size=60)


def test_modified_z_labels_the_outlier_alone():
    """0.6745 (x - median)/MAD, above 3.5: NIST/SEMATECH e-Handbook 1.3.5.17; figures computed by hand."""
    z = modified_z(SHORT)
    assert median(SHORT) == 102
    assert z[[5, 8, 3]] == pytest.approx([39.121, -1.349, 0.6745], abs=1e-3)
    assert np.flatnonzero(np.abs(z) > 3.5).tolist() == [5]


def test_the_plain_z_would_hardly_see_it():
    """The plain z of n values cannot exceed (n - 1)/sqrt(n): 3.015 at 11 (same page)."""
    assert np.max(stats.zscore(SHORT, ddof=1)) == pytest.approx(3.012, abs=1e-3)


@given(values)
def test_mad_is_scipys(y):
    """scipy.stats.median_abs_deviation, scale normal (1.482602 against the usual 1.4826)."""
    assert mad_sigma(y) == pytest.approx(
        stats.median_abs_deviation(y, scale="normal"), rel=1e-5, abs=1e-12
    )


@settings(deadline=None)
@given(st.lists(st.integers(-100, 100), min_size=4, max_size=60))
def test_theil_sen_is_scipys(y):
    """scipy.stats.theilslopes, 95 %, separate intercept; ties and all."""
    t = np.cumsum(0.05 + 0.01 * (np.arange(len(y)) % 3))
    ours, theirs = theil_sen(t, y), stats.theilslopes(y, t, 0.95)
    assert (ours.slope, ours.intercept) == pytest.approx((theirs.slope, theirs.intercept), abs=1e-9)
    assert (ours.low, ours.high) == pytest.approx((theirs.low_slope, theirs.high_slope), abs=1e-6)


def test_hampel_takes_index_5_alone():
    """3 samples each side, 3 x 1.4826 MAD: window median 106, sigma 2.9652 (worked by hand)."""
    y = [100, 101, 102, 103, 104, 140, 106, 107, 108, 109, 110]
    assert np.flatnonzero(hampel(np.arange(11.0), y, 6, 3, 0)).tolist() == [5]


def test_hampel_without_a_floor_flags_a_quantised_step():
    y = [50, 50, 50, 50, 51, 50, 50, 50]
    assert np.flatnonzero(hampel(np.arange(8.0), y, 6, 3, 0)).tolist() == [4]
    assert not hampel(np.arange(8.0), y, 6, 3, 1).any()


@pytest.mark.parametrize(
    ("y", "weights", "fit"),
    [
        ([1, 3, 2, 4, 6, 5, 7], None, [1, 2.5, 2.5, 4, 5.5, 5.5, 7]),
        ([62, 69, 67, 83, 96.5, 95], None, [62, 68, 68, 83, 95.75, 95.75]),
        ([62, 69, 67, 83, 96.5, 95], [3, 4, 2, 5, 5, 1], [62, 68.3333, 68.3333, 83, 96.25, 96.25]),
        ([4, 3, 2, 1], None, [2.5] * 4),
        ([1, 2, 2, 5], None, [1, 2, 2, 5]),
    ],
)
def test_monotone_fit_of_worked_examples(y, weights, fit):
    """Pool adjacent violators: Barlow et al. (1972, from memory); scikit-learn and scipy agree."""
    assert isotonic(y, weights) == pytest.approx(fit, abs=1e-4)


def test_falling_fit():
    """scipy.optimize.isotonic_regression, increasing=False."""
    assert isotonic([3, 1, 2], increasing=False).tolist() == [3, 1.5, 1.5]


@given(st.lists(st.tuples(st.floats(-100, 100), st.floats(0.1, 10)), min_size=1, max_size=40))
def test_monotone_fit_is_scikit_learns_and_scipys(pairs):
    y, w = np.array(pairs).T
    ours = isotonic(y, w)
    assert ours == pytest.approx(
        IsotonicRegression().fit_transform(np.arange(y.size), y, sample_weight=w), abs=1e-6
    )
    assert ours == pytest.approx(optimize.isotonic_regression(y, weights=w).x, abs=1e-6)
