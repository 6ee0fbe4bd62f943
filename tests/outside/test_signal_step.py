"""Step response, missed peaks and first-order lag against closed forms and general-purpose libraries.

Second order: Ogata, Modern Control Engineering, transient response (from memory): overshoot exp(-pi z / sqrt(1 - z²)),
peak at pi / (wn sqrt(1 - z²)); the numbers computed with control 0.10.2 step_info on a fine grid and by
root-finding. Terms: IEEE Std 181-2011 (from memory).
"""

import control
import numpy as np
import pytest

from audit.signal.lag import cooling_fit, first_order, first_order_gain, first_order_reached
from audit.signal.peak import peak_bound, peak_interval_error
from audit.signal.step import step_response

# (z, wn): overshoot %, peak s, rise 10-90 s
OGATA = [((0.2, 10), 52.662, 0.3206, 0.1204), ((0.3, 10), 37.2326, 0.32933, 0.13213),
         ((0.4, 8), 25.383, 0.4284, 0.1830), ((0.5, 8), 16.3034, 0.45345, 0.20470),
         ((0.6, 12), 9.478, 0.3273, 0.1545), ((0.7, 12), 4.5988, 0.36659, 0.17718)]


def second_order(t, z, wn):
    wd = wn * np.sqrt(1 - z * z)
    return 1 - np.exp(-z * wn * t) * (np.cos(wd * t) + z * wn / wd * np.sin(wd * t))


@pytest.mark.parametrize(("system", "overshoot", "peak_s", "rise_s"), OGATA)
def test_second_order_on_a_fine_clock_matches_the_table(system, overshoot, peak_s, rise_s):
    t = np.arange(0, 5, 0.002)
    step = step_response(t, second_order(t, *system), base=0)
    assert step.overshoot_pct_of_step == pytest.approx(overshoot, abs=0.6)
    assert step.peak_s == pytest.approx(peak_s, abs=0.003)
    assert step.rise_s == pytest.approx(rise_s, rel=0.02)
    assert step.settled_level == pytest.approx(1, abs=0.004)


@pytest.mark.parametrize(("system", "overshoot", "peak_s", "rise_s"), OGATA)
def test_second_order_at_20_hz_is_within_an_interval_and_the_missed_peak(system, overshoot, peak_s, rise_s):
    t = np.arange(0, 5, 0.05)
    step = step_response(t, second_order(t, *system), base=0)
    z, wn = system
    half_period = np.pi / (wn * np.sqrt(1 - z * z))
    missed = overshoot * peak_interval_error(0.05, half_period) * 2  # the hump leaves its level at a slope
    assert overshoot - missed - 1.5 < step.overshoot_pct_of_step < overshoot + 1.5
    assert abs(step.peak_s - peak_s) <= 0.05
    assert abs(step.rise_s - rise_s) <= 0.1


@pytest.mark.parametrize("system", [(0.3, 10), (0.5, 8), (0.7, 12)])
def test_the_same_as_step_info_given_its_time_grid(system):
    """control.step_info with T given: on its own grid its rise is 12 % out."""
    z, wn = system
    t = np.linspace(0, 5, 5001)
    info = control.step_info(control.tf([wn**2], [1, 2 * z * wn, wn**2]), T=t)
    step = step_response(t, second_order(t, z, wn), base=0)
    assert step.overshoot_pct_of_step == pytest.approx(info["Overshoot"], abs=0.6)
    assert step.peak_s == pytest.approx(info["PeakTime"], abs=0.003)
    assert step.rise_s == pytest.approx(info["RiseTime"], rel=0.02)
    # IEEE counts settling from the 50 % instant, step_info from time 0
    half = float(np.interp(0.5, second_order(t[:400], z, wn), t[:400])) if z > 0.6 else t[np.argmax(second_order(t, z, wn) > 0.5)]
    assert step.settling_s == pytest.approx(info["SettlingTime"] - half, abs=0.06)


def test_first_order_step_has_no_overshoot_and_rises_in_ln_9_tau():
    """First order, tau 0.5: 10 % at 0.05268 s, rise 1.09861 s (closed form)."""
    t = np.arange(0, 6, 0.05)
    step = step_response(t, -np.expm1(-t / 0.5), base=0)
    assert step.overshoot < 0.005
    assert step.rise_s == pytest.approx(1.09861, rel=0.02)
    assert step.transition_start_s == pytest.approx(0.05268, abs=0.01)


def test_overshoot_of_the_step_is_not_that_of_the_level():
    """IEEE Std 181: 20 to 100 with a peak of 108 is 10 % of the step of 80, and 8 % of the level."""
    t = np.arange(0, 6, 0.02)
    y = 20 + 80 * np.clip(t / 1.5, 0, 1) + np.where((t > 1.5) & (t < 1.7), 8 * np.sin(np.pi * (t - 1.5) / 0.2), 0)
    step = step_response(t, y, base=20)
    assert step.overshoot_pct_of_step == pytest.approx(10, abs=0.4)
    assert step.overshoot_pct_of_level == pytest.approx(8, abs=0.35)


@pytest.mark.parametrize(("share", "worst"), [(0.1, 1.231), (0.2, 4.894), (0.25, 7.612), (1 / 3, 13.397),
                                              (0.5, 29.289), (1, 100)])
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


@pytest.mark.parametrize(("multiple", "percent"), [(1, 63.212), (2, 86.466), (3, 95.021), (4, 98.168), (5, 99.326)])
def test_first_order_reaches(multiple, percent):
    """1 - exp(-t/tau): arithmetic."""
    assert 100 * first_order_reached(multiple * 0.3, 0.3) == pytest.approx(percent, abs=0.001)


@pytest.mark.parametrize(("hz", "tau", "gain", "phase"), [(1, 0.1, 0.8467, 32.14), (5, 0.1, 0.3033, 72.34),
                                                         (2, 0.15, 0.4686, 62.05)])
def test_first_order_gain_and_phase(hz, tau, gain, phase):
    """1/sqrt(1 + (2 pi f tau)²) and atan: arithmetic; and the simulated sensor does the same."""
    assert first_order_gain(hz, tau) == pytest.approx((gain, phase), abs=0.006)
    t = np.arange(0, 6, 0.0005)
    late = first_order(t, np.sin(2 * np.pi * hz * t), tau)
    assert late[t > 3].max() == pytest.approx(gain, abs=0.001)


def test_a_ramp_lags_by_rate_times_tau():
    """20 °C/s with tau 0.5 s reads 10 °C low in the end: arithmetic."""
    t = np.cumsum(np.random.default_rng(1).uniform(0.02, 0.2, 200))
    assert 20 * t[-1] - first_order(t, 20 * t, 0.5)[-1] == pytest.approx(10, abs=1e-3)


def test_first_order_agrees_with_a_control_library():
    """control.forced_response of 1 / (tau s + 1), straight lines between samples."""
    t = np.arange(0, 5, 0.02)
    u = np.sin(3 * t) + (t > 2)
    u[0] = 0
    theirs = control.forced_response(control.tf([1], [0.3, 1]), T=t, U=u).outputs
    assert first_order(t, u, 0.3) == pytest.approx(theirs, abs=1e-6)


@pytest.mark.parametrize("ambient", [25.0, None])
def test_newton_cooling_is_found_from_the_table(ambient):
    """65 to 25 °C, tau 120 s: 49.261 at 60 s, 39.715 at 120, 30.413 at 240, 26.991 at 360 (closed form)."""
    found = cooling_fit([0, 60, 120, 240, 360], [65, 49.261, 39.715, 30.413, 26.991], ambient)
    assert found.tau_s == pytest.approx(120, rel=0.003)
    assert found.ambient == pytest.approx(25, abs=0.05)
    assert found.start == pytest.approx(65, abs=0.05)
    assert found.r2 > 0.9999
