"""Change points against the general-purpose package ruptures, cost l2."""

import numpy as np
import pytest

from audit.archive.trend.charts import change_points

ruptures = pytest.importorskip("ruptures")


@pytest.mark.parametrize("seed", range(25))
def test_the_same_segmentation_as_an_exact_reference(seed):
    rng = np.random.default_rng(seed)
    levels = rng.normal(0, 3, rng.integers(1, 5))
    x = np.concatenate([rng.normal(level, 1.0, rng.integers(6, 50)) for level in levels])
    penalty = float(rng.uniform(4, 20))
    reference = ruptures.Pelt(model="l2", min_size=3, jump=1).fit(x).predict(pen=penalty)
    assert change_points(x, penalty=penalty, least=3) == reference[:-1]


def test_a_step_is_found_on_its_night():
    x = np.concatenate(
        [np.random.default_rng(3).normal(0, 1, 40), np.random.default_rng(4).normal(4, 1, 20)]
    )
    assert change_points(x, penalty=3 * np.log(60)) == [40]


@pytest.mark.parametrize("n", [0, 1, 5])
def test_too_few_values_have_no_change(n):
    assert change_points(np.zeros(n), penalty=1.0) == []


def test_a_still_series_has_no_change():
    assert change_points(np.full(50, 7.0), penalty=1.0) == []
