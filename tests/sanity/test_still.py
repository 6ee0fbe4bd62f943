import numpy as np

from audit.sanity.tests.still import still_runs

T = np.arange(12) * 0.5


def test_a_run_as_long_as_the_limit_is_found_whole_and_a_shorter_one_is_not():
    v = np.array([1, 2, 3, 3, 3, 3, 3, 4, 5, 6, 7, 8.0])
    assert still_runs(T, v, for_s=2.0) == [(2, 7)]
    assert still_runs(T, v, for_s=2.1) == []


def test_too_few_samples_are_no_run():
    assert still_runs(T[:4], np.ones(4), for_s=0.1) == []
    assert still_runs(T[:3], np.ones(3), for_s=0.1, least_count=3) == [(0, 3)]


def test_within_allows_a_creeping_value():
    v = np.cumsum(np.full(12, 0.01))
    assert still_runs(T, v, for_s=2.0) == []
    assert still_runs(T, v, for_s=2.0, within=0.011) == [(0, 12)]
