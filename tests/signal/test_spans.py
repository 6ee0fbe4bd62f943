"""Spans of masks, time above a level, values across gaps."""

import numpy as np
import pytest

from audit.signal.spans import duration_above, interp_believed, runs


def test_runs_have_starts_and_stops():
    starts, stops = runs([1, 1, 0, 0, 1, 0, 1])
    assert starts.tolist() == [0, 4, 6]
    assert stops.tolist() == [2, 5, 7]
    assert [a.size for a in runs([])] == [0, 0]


def test_time_above_counts_a_lone_sample_once_and_a_gap_not_at_all():
    t = np.array([0, 0.1, 0.2, 0.3, 0.4, 10.4, 10.5])
    assert duration_above(t, [0, 0, 1, 0, 0, 0, 0]) == pytest.approx((0.1, 0.1))
    total, longest = duration_above(t, [1, 1, 0, 0, 1, 1, 0])
    assert total < 1
    assert longest < 0.6
    assert duration_above(t, np.zeros(7)) == (0, 0)


def test_no_value_is_invented_across_a_gap():
    got = interp_believed([0.5, 1.5, 5, 9, 10, 11], [0, 1, 2, 9, 10], [0, 10, 20, 90, 100], 2)
    assert got[[0, 1, 3, 4]] == pytest.approx([5, 15, 90, 100])
    assert np.isnan(got[[2, 5]]).all()
