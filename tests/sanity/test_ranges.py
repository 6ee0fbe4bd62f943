import numpy as np

from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT
from audit.sanity.tests.ranges import gross_range, pinned, rail


def flags(values, **spans):
    return gross_range(np.array(values, dtype=float), **spans).tolist()


def test_a_value_at_a_bound_passes_it_and_just_beyond_does_not():
    assert flags([0, 10, 90, 100], fail_span=(0, 100), suspect_span=(10, 90)) == [
        SUSPECT,
        GOOD,
        GOOD,
        SUSPECT,
    ]
    assert flags([-0.01, 9.99, 90.01, 100.01], fail_span=(0, 100), suspect_span=(10, 90)) == [
        FAIL,
        SUSPECT,
        SUSPECT,
        FAIL,
    ]


def test_a_blank_is_missing_and_without_a_usual_span_nothing_is_suspect():
    assert flags([np.nan, 95], fail_span=(0, 100)) == [MISSING, GOOD]


def test_a_value_that_passes_through_a_rail_is_not_pinned():
    t = np.arange(10) * 0.1
    assert not pinned(t, np.linspace(250, 259, 10), at=255.0, within=0.5, least_s=0.3).any()


def test_pinned_needs_its_time_and_three_samples():
    t, v = np.arange(10) * 0.1, np.r_[[1.0] * 3, [255.0] * 4, [1.0] * 3]
    assert pinned(t, v, at=255.0, within=0.1, least_s=0.3).sum() == 4
    assert not pinned(t, v, at=255.0, within=0.1, least_s=0.31).any()


def test_a_rail_fails_only_where_it_stands():
    t, v = np.arange(10) * 0.1, np.r_[[20.0] * 5, [215.0] * 5]
    assert rail(t, v, rails=(-40.0, 215.0), within=0.6).tolist() == [GOOD] * 5 + [FAIL] * 5


def test_two_samples_are_too_few_to_judge():
    assert (
        rail(np.array([0.0, 1.0]), np.array([1.0, 1.0]), rails=(5.0,), within=0.1).tolist()
        == [NOT_EVALUATED] * 2
    )
