import numpy as np

from audit.model import GOOD, MISSING, NOT_EVALUATED, SUSPECT
from audit.sanity.tests.spikes import rate_of_change, spike

T = np.arange(40) * 0.05


def hits(value, **kw):
    return np.flatnonzero(
        spike(T[: len(value)], np.asarray(value, float), **kw) == SUSPECT
    ).tolist()


def lifted(*rows, by=30.0):
    v = np.full(40, 100.0)
    v[list(rows)] += by
    return v


def test_one_sample_and_two_samples_off_are_spikes_three_are_not():
    assert hits(lifted(12), least=25) == [12]
    assert hits(lifted(12, 13), least=25) == [12, 13]
    assert hits(lifted(12, 13, 14), least=25) == []
    assert hits(lifted(2, 3)[:6], least=25) == [2, 3]  # the fewest samples that tell


def test_a_spike_at_the_limit_passes_and_just_over_does_not():
    assert hits(lifted(12, by=25.0), least=25) == []
    assert hits(lifted(12, by=25.1), least=25) == [12]


def test_down_counts_as_up():
    assert hits(lifted(20, by=-40.0), least=25) == [20]


def test_a_step_is_no_spike():
    assert hits(np.r_[np.full(20, 40.0), np.full(20, 180.0)], least=25) == []


def test_a_swing_is_no_row_of_spikes():
    assert hits(150 + 30 * np.sin(2 * np.pi * 6.5 * T), least=25) == []


def test_noise_as_loud_as_the_limit_is_no_row_of_spikes():
    noisy = 100 + np.random.default_rng(1).normal(0, 20, 40)
    assert len(hits(noisy, least=25)) <= 1


def test_the_ends_and_short_series_are_not_evaluated():
    assert spike(T[:6], np.full(6, 1.0), least=1).tolist() == [2, 2, 1, 1, 2, 2]
    assert set(spike(T[:4], np.full(4, 1.0), least=1)) == {NOT_EVALUATED}


def test_a_blank_stays_missing():
    v = lifted()
    v[10] = np.nan
    assert spike(T, v, least=25)[10] == MISSING


def test_the_rate_at_the_limit_passes_and_beyond_it_the_later_sample_is_suspect():
    t, v = np.array([0.0, 0.1, 0.2, 0.3]), np.array([0.0, 0.0, 1.0, 2.01])
    assert rate_of_change(t, v, per_s=10.05).tolist() == [NOT_EVALUATED, GOOD, GOOD, SUSPECT]


def test_noise_and_resolution_are_allowed_for():
    t, v = np.array([0.0, 0.1, 0.2]), np.array([0.0, 1.5, 1.5])
    assert SUSPECT in rate_of_change(t, v, per_s=10)
    assert SUSPECT not in rate_of_change(t, v, per_s=10, slack=0.6)


def test_a_jittering_clock_makes_no_fast_sensor():
    t = np.array([0.0, 0.1, 0.2, 0.2001, 0.3, 0.4])
    assert SUSPECT not in rate_of_change(t, np.array([0.0, 0.4, 0.8, 1.2, 1.6, 2.0]), per_s=10)
