import numpy as np
import pytest

from audit.sanity.tests.noise import noise_and_step


@pytest.mark.parametrize("sigma", [0.2, 2.0])
def test_white_noise_on_a_moving_signal_is_found_within_ten_percent(sigma):
    t = np.arange(8000) * 0.02
    y = 150 + 60 * np.sin(0.5 * t) + np.random.default_rng(3).normal(0, sigma, len(t))
    found, _ = noise_and_step(t, y)
    assert found == pytest.approx(sigma, rel=0.1)


def test_spikes_do_not_raise_it():
    t = np.arange(4000) * 0.02
    y = np.random.default_rng(3).normal(0, 1.0, len(t))
    y[::50] += 80
    assert noise_and_step(t, y)[0] == pytest.approx(1.0, rel=0.15)


def test_the_resolution_is_seen_and_stands_in_for_noise():
    t = np.arange(3000) * 0.1
    y = np.round(30 + 5 * np.sin(0.02 * t))
    sigma, step = noise_and_step(t, y)
    assert step == pytest.approx(1.0)
    assert sigma >= 1 / 12**0.5 - 1e-9


def test_seven_samples_tell_nothing():
    assert noise_and_step(np.arange(7.0), np.arange(7.0)) == (None, 0.0)
