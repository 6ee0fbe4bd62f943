"""The robust line and the monotone fit against worked examples, scipy and scikit-learn."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats
from sklearn.isotonic import IsotonicRegression

from audit.signal.lines import theil_sen
from audit.signal.monotone import isotonic


@settings(deadline=None)
@given(st.lists(st.integers(-100, 100), min_size=4, max_size=60))
def test_theil_sen_is_scipys(y):
    """scipy.stats.theilslopes, 95 %, separate intercept; ties and all."""
    t = np.cumsum(0.05 + 0.01 * (np.arange(len(y)) % 3))
    ours, theirs = theil_sen(t, y), stats.theilslopes(y, t, 0.95)
    assert (ours.slope, ours.intercept) == pytest.approx((theirs.slope, theirs.intercept), abs=1e-9)
    assert (ours.low, ours.high) == pytest.approx((theirs.low_slope, theirs.high_slope), abs=1e-6)


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


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-100, 100), st.floats(0.1, 10)), min_size=1, max_size=40))
def test_monotone_fit_is_scikit_learns_and_scipys(pairs):
    y, w = np.array(pairs).T
    ours = isotonic(y, w)
    assert ours == pytest.approx(
        IsotonicRegression().fit_transform(np.arange(y.size), y, sample_weight=w), abs=1e-6
    )
    assert ours == pytest.approx(optimize.isotonic_regression(y, weights=w).x, abs=1e-6)
