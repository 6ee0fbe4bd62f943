"""Levels, scales, outliers, lines: what a few wild samples cannot move."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.signal.arrays import median_of_finite
from audit.signal.lines import theil_sen
from audit.signal.monotone import isotonic
from audit.signal.robust import noise_sigma, resolution
from audit.signal.smoothing import smooth

numbers = st.lists(st.integers(-1000, 1000).map(float), min_size=3, max_size=40)
rng = np.random.default_rng


def test_blanks_do_not_count():
    assert median_of_finite([1, np.nan, 3, np.nan, 2]) == 2


@given(numbers, st.integers(-50, 50))
def test_a_lines_slope_follows_an_added_line(values, slope):
    t, y = np.arange(len(values)) * 0.1, np.array(values)
    assert theil_sen(t, y + slope * t).slope == pytest.approx(
        theil_sen(t, y).slope + slope, abs=1e-6
    )


def test_a_third_of_wild_samples_does_not_tilt_the_line():
    t = np.linspace(0, 10, 60)
    y = 3 + 2 * t
    y[::4] += 500
    assert theil_sen(t, y).slope == pytest.approx(2, abs=0.2)


def test_two_points_are_too_few_for_a_line():
    assert theil_sen([0, 1], [0, 1]) is None
    assert theil_sen([1, 1, 1], [0, 1, 2]) is None


@pytest.mark.parametrize(
    "shape",
    [
        lambda t: 0 * t,
        lambda t: 30 * t,
        lambda t: 100 * np.clip(t, 0, 1) ** 2,
        lambda t: 5 * np.sin(2 * np.pi * 1.0 * t),
    ],
)
def test_noise_is_seen_through_any_slow_signal(shape):
    t = np.arange(0, 10, 0.05) + rng(1).uniform(-0.01, 0.01, 200)
    y = shape(t) + rng(2).normal(0, 0.8, t.size)
    assert noise_sigma(t, y) == pytest.approx(0.8, rel=0.25)


def test_held_values_do_not_hide_the_noise():
    t = np.arange(0, 20, 0.05)
    y = np.repeat(rng(3).normal(50, 2, t.size // 5), 5)
    assert noise_sigma(t, y) == pytest.approx(2, rel=0.35)


def test_quantised_noise_is_seen_and_a_quantised_ramp_is_quiet():
    t = np.arange(0, 20, 0.05)
    assert noise_sigma(t, np.round(rng(4).normal(50, 1, t.size))) == pytest.approx(
        np.sqrt(1 + 1 / 12), rel=0.2
    )
    assert noise_sigma(t, np.round(0.5 * t)) < 0.3


def test_three_samples_tell_no_noise():
    assert noise_sigma([0, 1, 2], [1, 2, 1]) is None


def test_resolution_is_the_step_of_the_data():
    assert resolution(np.round(rng(5).normal(50, 5, 200) / 0.5) * 0.5) == pytest.approx(0.5)
    assert resolution(rng(5).normal(50, 5, 200)) < 0.05
    assert resolution([7, 7, 7]) == 0


@pytest.mark.parametrize("window", [0.0, 0.3, 2.0, 50.0])
def test_smoothing_leaves_a_line_alone_up_to_its_ends(window):
    t = np.sort(rng(6).uniform(0, 10, 80))
    assert smooth(t, 4 + 3 * t, window) == pytest.approx(4 + 3 * t, abs=1e-6)


def test_smoothing_quiets_noise_and_keeps_blanks():
    t = np.arange(0, 10, 0.05)
    y = rng(7).normal(0, 1, t.size)
    y[3] = np.nan
    calm = smooth(t, y, 1.0)
    assert np.isnan(calm[3])
    assert np.nanstd(calm) < 0.35


@given(numbers)
def test_the_monotone_fit_never_falls_and_keeps_the_mean(values):
    fit = isotonic(values)
    assert (np.diff(fit) >= -1e-9).all()
    assert fit.mean() == pytest.approx(np.mean(values), abs=1e-6)
    assert isotonic(fit) == pytest.approx(fit)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="one weight"):
        isotonic([1, 2], [1])
    with pytest.raises(ValueError, match="one length"):
        noise_sigma([1, 2], [1])
    with pytest.raises(ValueError, match="strictly increasing"):
        theil = noise_sigma([0, 1, 1, 2], [1, 2, 3, 4])
        assert theil is None
    with pytest.raises(ValueError, match="window_s"):
        smooth([0, 1, 2], [1, 2, 3], -1)
