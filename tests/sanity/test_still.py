import numpy as np

from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED
from audit.sanity.tests.still import flat_line, still_runs

T = np.arange(12) * 0.5


def test_a_run_as_long_as_the_limit_fails_a_shorter_one_passes():
    v = np.array([1, 2, 3, 3, 3, 3, 3, 4, 5, 6, 7, 8.0])
    assert flat_line(T, v, for_s=2.0).tolist() == [1, 1, 4, 4, 4, 4, 4, 1, 1, 1, 1, 1]
    assert FAIL not in flat_line(T, v, for_s=2.1)


def test_too_little_data_is_not_evaluated():
    assert set(flat_line(T[:2], np.array([1.0, 1.0]), for_s=0.1)) == {NOT_EVALUATED}
    assert set(flat_line(T, np.ones(12), for_s=60.0)) == {NOT_EVALUATED}


def test_blanks_stay_missing_and_do_not_break_a_run():
    v = np.array([3.0, 3, np.nan, 3, 3, 3, 1, 2, 1, 2, 1, 2])
    assert (
        flat_line(T, v, for_s=2.5).tolist() == [FAIL, FAIL, MISSING, FAIL, FAIL, FAIL] + [GOOD] * 6
    )


def test_within_allows_a_creeping_value():
    v = np.cumsum(np.full(12, 0.01))
    assert still_runs(T, v, for_s=2.0) == []
    assert still_runs(T, v, for_s=2.0, within=0.011) == [(0, 12)]
