"""Oscillation against scipy's spectra, the logarithmic decrement and the sampling theorem."""

import numpy as np
import pytest
from scipy import signal

from audit.signal.oscillation import oscillation


def test_even_clock_agrees_with_welch():
    """150 + 4 sin(2 pi 5.5 t), 50 Hz, 4 s: scipy welch (hann, spectrum) gives 5.5 Hz, power 8.0: 8.0 peak to peak."""
    t = np.arange(200) / 50
    y = 150 + 4 * np.sin(2 * np.pi * 5.5 * t)
    f, p = signal.welch(y, 50, nperseg=200, window="hann", scaling="spectrum")
    found = oscillation(t, y)
    assert found.found
    assert found.hz == pytest.approx(f[np.argmax(p)], abs=0.03)
    assert found.amplitude_pp == pytest.approx(2 * np.sqrt(2 * p.max()), rel=0.04)


@pytest.mark.parametrize("hz", [5.6, 5.625])
def test_off_the_bin_it_reads_the_true_size(hz):
    """welch reads up to 15 % low here (3.604 and 3.395 for 4): the truth is 8 peak to peak."""
    t = np.arange(200) / 50
    found = oscillation(t, 150 + 4 * np.sin(2 * np.pi * hz * t))
    assert found.hz == pytest.approx(hz, abs=0.03)
    assert found.amplitude_pp == pytest.approx(8, rel=0.04)


def test_uneven_clock_agrees_with_lombscargle():
    """t = 0.04 i + 0.012 sin i, 4 sin(2 pi 5.5 t): scipy lombscargle gives 5.50 Hz, amplitude 3.996."""
    i = np.arange(100)
    t = 0.04 * i + 0.012 * np.sin(i)
    y = 4 * np.sin(2 * np.pi * 5.5 * t)
    f = np.arange(0.5, 15, 0.01)
    p = signal.lombscargle(t, y, 2 * np.pi * f)
    found = oscillation(t, y, highest_hz=10)
    assert found.hz == pytest.approx(f[np.argmax(p)], abs=0.03)
    assert found.amplitude_pp == pytest.approx(2 * np.sqrt(4 * p.max() / 100), rel=0.05)


@pytest.mark.parametrize("damping", [0.02, 0.05, 0.08])
def test_damping_is_that_of_the_log_decrement(damping):
    """d = ln(x0/x1), z = d / sqrt(4 pi² + d²): Rao, Mechanical Vibrations, ch. 2 (from memory)."""
    t = np.arange(0, 1.5, 1 / 200)
    y = (
        10
        * np.exp(-damping * 2 * np.pi * 6 * t / np.sqrt(1 - damping**2))
        * np.cos(2 * np.pi * 6 * t)
    )
    top, _ = signal.find_peaks(y)
    d = np.log(y[top[0]] / y[top[4]]) / 4
    found = oscillation(t, y)
    assert found.found
    assert found.hz == pytest.approx(6, abs=0.15)
    assert found.damping == pytest.approx(d / np.sqrt(4 * np.pi**2 + d * d), abs=0.012)


def test_a_folded_swing_shows_at_the_folded_frequency():
    """12 Hz read ten times a second: |12 - 10| = 2 Hz by the sampling theorem (from memory)."""
    t = np.arange(80) / 10
    assert oscillation(t, np.sin(2 * np.pi * 12 * t)).hz == pytest.approx(2, abs=0.05)
