"""The kit's own short cuts against the general-purpose functions they stand in for."""

import numpy as np
import pytest

from audit.signal.arrays import block_means, line_through, median_sorted, parabola, quantile
from audit.signal.held import WIDE, held_above, held_below, stretches
from audit.signal.lines import median_line, theil_sen
from audit.signal.turns import turns

SIZES = (1, 2, 3, 8, 31, 255, 256, 257, 900)


@pytest.mark.parametrize("n", SIZES)
def test_the_median_is_numpys(n):
    y = np.random.default_rng(n).normal(size=n).round(1)
    assert median_sorted(y) == np.median(y)


@pytest.mark.parametrize("n", SIZES)
@pytest.mark.parametrize("share", [0.0, 0.03, 0.35, 0.5, 0.75, 0.95, 1.0])
def test_the_quantile_is_numpys(n, share):
    y = np.random.default_rng(n).normal(size=n)
    assert quantile(y, share) == pytest.approx(np.quantile(y, share), rel=1e-14, abs=1e-14)
    assert np.isnan(quantile(y[:0], share))


def test_line_and_parabola_are_polyfits():
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(100, 104, 40))
    y = rng.normal(150, 5, 40)
    assert line_through(x, y) == pytest.approx(
        np.polyval(np.polyfit(x - 100, y, 1), x - 100), abs=1e-9
    )
    at = np.linspace(100, 104, 9)
    assert parabola(x, y, at) == pytest.approx(
        np.polyval(np.polyfit(x - 100, y, 2), at - 100), abs=1e-9
    )


def test_the_last_block_may_be_shorter():
    t = np.arange(10.0)
    a, b, count = block_means(t, 2 * t, 4)
    assert count.tolist() == [3, 3, 3, 1]
    assert a.tolist() == [1, 4, 7, 9] and b.tolist() == [2, 8, 14, 18]


@pytest.mark.parametrize("x", [np.arange(20.0), np.repeat(np.arange(5.0), 4)])
def test_a_line_without_bounds_is_the_same_line(x):
    y = np.random.default_rng(5).normal(size=x.size) + 0.3 * x
    bare, full = median_line(x, y), theil_sen(x, y)
    assert (bare.slope, bare.intercept) == (full.slope, full.intercept)


def test_two_places_make_no_line():
    assert median_line([0, 0, 1, 1], [1, 2, 3, 4]) is None
    assert median_line([0, 0, 1, 2], [1, 2, 3, 4]) is not None


@pytest.mark.parametrize("for_s", [0.3, 0.1 * WIDE, 0.1 * (WIDE + 2), 9.0])
def test_the_level_held_is_the_largest_of_the_moving_minima(for_s):
    rng = np.random.default_rng(7)
    t, y = np.arange(200) * 0.1, rng.normal(size=200)
    k = round(for_s / 0.1)
    lows = np.lib.stride_tricks.sliding_window_view(y, k).min(axis=1)
    assert held_above(t, y, for_s).level == lows.max()


def test_several_signals_may_share_their_stretches():
    rng = np.random.default_rng(8)
    t = np.cumsum(rng.uniform(0.05, 0.2, 80))
    shared = stretches(t, 0.5)
    for y in rng.normal(size=(3, 80)):
        assert shared.above(y) == held_above(t, y, 0.5)
        assert shared.below(y) == held_below(t, y, 0.5)


def test_turning_vectors_are_sines_and_cosines():
    u = np.linspace(0, 5, 50)
    f = 0.5 + 0.25 * np.arange(400)
    assert turns(u, 0.5, 0.25, 400) == pytest.approx(np.exp(2j * np.pi * f[:, None] * u), abs=1e-9)
