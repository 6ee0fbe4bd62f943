"""Where a series steps against the general-purpose package ruptures, cost l2."""

import numpy as np
import pytest

from audit.archive.trend.charts import step_at

ruptures = pytest.importorskip("ruptures")


@pytest.mark.parametrize("seed", range(25))
def test_the_same_step_as_an_exact_reference(seed):
    rng = np.random.default_rng(seed)
    x = np.concatenate([rng.normal(m, 1.0, rng.integers(6, 50)) for m in rng.normal(0, 2, 2)])
    reference = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(x).predict(n_bkps=1)
    assert step_at(x, 1, len(x) - 1) == reference[0]


def test_a_step_is_looked_for_between_its_bounds():
    x = np.concatenate([np.zeros(40), np.full(20, 4.0)])
    assert step_at(x, 1, 59) == step_at(x, 40, 59) == step_at(x, 1, 40) == 40
    assert step_at(x, 45, 50) == 45
