import numpy as np
import pytest

from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT
from audit.sanity.aggregate import of_channel, of_test, worst_of


def test_of_samples_the_worst_counts_and_a_pass_outweighs_not_evaluated():
    a, b = np.array([1, 2, 2, 3, 1, 9], np.uint8), np.array([2, 2, 1, 4, 3, 9], np.uint8)
    assert worst_of([a, b]).tolist() == [1, 2, 1, 4, 3, 9]


@pytest.mark.parametrize(
    ("tests", "flag"),
    [
        ([1, 2, 4, 3], FAIL),
        ([1, 3, 2], SUSPECT),
        ([2, 1], GOOD),
        ([2, 2], NOT_EVALUATED),
        ([9], MISSING),
        ([], MISSING),
    ],
)
def test_of_tests_the_first_of_fail_suspect_good_not_evaluated(tests, flag):
    assert of_channel(tests) == flag


def test_a_lone_failed_sample_makes_a_channel_suspect_and_a_real_part_fails_it():
    flags = np.ones(1000, np.uint8)
    flags[5] = FAIL
    assert of_test(flags) == SUSPECT
    flags[:20] = FAIL
    assert of_test(flags) == FAIL


def test_a_test_that_could_not_run_is_not_passed():
    assert of_test(np.full(5, NOT_EVALUATED, np.uint8)) == NOT_EVALUATED


def test_suspect_samples_however_many_fail_no_channel():
    flags = np.ones(1000, np.uint8)
    flags[:400] = SUSPECT
    assert of_test(flags) == SUSPECT
