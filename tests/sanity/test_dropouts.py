import numpy as np

from audit.model import FAIL, NOT_EVALUATED
from audit.sanity.tests.dropouts import blanks, dropout

T = np.arange(20) * 0.1


def fall(level=150.0, rows=range(5, 9), to=0.0):
    v = np.full(20, level)
    v[list(rows)] = to
    return v


def test_a_leap_to_zero_and_back_is_a_dropout():
    assert np.flatnonzero(
        dropout(T, fall(), to=(0.0,), within=1e-6, least=25) == FAIL
    ).tolist() == [5, 6, 7, 8]


def test_the_edges_must_be_higher_than_the_limit():
    assert FAIL not in dropout(T, fall(level=25.0), to=(0.0,), within=1e-6, least=25)
    assert FAIL in dropout(T, fall(level=25.1), to=(0.0,), within=1e-6, least=25)


def test_a_ramp_down_to_zero_and_a_pass_through_it_are_none():
    assert FAIL not in dropout(
        T, np.abs(np.linspace(-100, 100, 20)).round(), to=(0.0,), within=6.0, least=25
    )
    through = np.r_[np.full(10, -60.0), [0.0], np.full(9, 60.0)]
    assert FAIL not in dropout(T, through, to=(0.0,), within=1e-6, least=25)


def test_a_fall_that_lasts_is_no_dropout():
    assert FAIL not in dropout(
        T, fall(rows=range(5, 15)), to=(0.0,), within=1e-6, least=25, longest_s=0.9
    )


def test_two_samples_are_not_evaluated():
    assert set(dropout(T[:2], np.zeros(2), to=(0.0,), within=0.1, least=1)) == {NOT_EVALUATED}


def test_blanks_are_told_by_the_channels_own_rate():
    t = np.r_[np.arange(0, 5, 0.5), np.arange(9, 12, 0.5)]
    assert blanks(t, until_s=11.5, least_s=0.5) == [(4.5, 9.0)]
    assert blanks(np.arange(0, 12, 2.0), until_s=11.0, least_s=0.5) == []


def test_a_channel_that_dies_is_blank_to_the_end():
    assert blanks(np.arange(0, 5, 0.5), until_s=20.0, least_s=0.5) == [(4.5, 20.0)]
