"""What samples can miss of a peak: a half sine, by arithmetic."""

import numpy as np
import pytest

from audit.signal.peak import peak_bound


@pytest.mark.parametrize("phase", np.linspace(0, 0.099, 10))
def test_the_bound_covers_the_peak_of_a_sampled_half_sine(phase):
    t = np.arange(phase, 1, 0.1)
    y = np.sin(np.pi * t)
    assert peak_bound(t, y) >= 1 - 1e-9
    assert peak_bound(t, y) < 1.06
