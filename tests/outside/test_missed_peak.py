"""What samples can miss of a peak: a half sine, by arithmetic and by brute force."""

import numpy as np
import pytest

from audit.signal.peak import peak_bound, peak_interval_error


@pytest.mark.parametrize(
    ("share", "worst"),
    [(0.1, 1.231), (0.2, 4.894), (0.25, 7.612), (1 / 3, 13.397), (0.5, 29.289), (1, 100)],
)
def test_worst_miss_of_a_half_sine(share, worst):
    """1 - cos(pi dt / 2T): arithmetic, confirmed here by brute force over the phase."""
    assert 100 * peak_interval_error(share, 1) == pytest.approx(worst, abs=0.001)
    phases = np.linspace(0, share, 2001)
    seen = [np.sin(np.pi * np.arange(p, 1, share)).max(initial=0) for p in phases]
    assert 100 * (1 - min(seen)) == pytest.approx(worst, abs=0.2)


@pytest.mark.parametrize("phase", np.linspace(0, 0.099, 10))
def test_the_bound_covers_the_peak_of_a_sampled_half_sine(phase):
    t = np.arange(phase, 1, 0.1)
    y = np.sin(np.pi * t)
    assert peak_bound(t, y) >= 1 - 1e-9
    assert peak_bound(t, y) < 1.06
