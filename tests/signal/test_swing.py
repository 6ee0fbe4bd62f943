"""A swing is periodic: no knee, no single overshoot, no wander, no noise, no folded pulsation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.signal.oscillation import aliased_pulsation, oscillation


def clock(seconds, rate, seed=0):
    t = np.arange(0, seconds, 1 / rate)
    return t + np.random.default_rng(seed).uniform(-0.2, 0.2, t.size) / rate


def noise(t, sigma=0.5, seed=1):
    return np.random.default_rng(seed).normal(0, sigma, t.size)


def spool(t, until):
    return 100 * np.clip(t / until, 0, 1) ** 2


@pytest.mark.parametrize("rate", [10, 20, 50, 100])
@pytest.mark.parametrize("seconds", [2.5, 4, 6])
def test_a_swing_is_found_with_its_size_and_frequency(rate, seconds):
    t = clock(seconds, rate)
    found = oscillation(t, 100 + 5 * t + 4 * np.sin(2 * np.pi * 2 * t + 1) + noise(t))
    assert found.found
    assert found.hz == pytest.approx(2, abs=0.3 / seconds)
    assert found.amplitude_pp == pytest.approx(8, rel=0.15)
    assert found.cycles >= 2.5


@pytest.mark.parametrize("rate", [20, 50])
def test_a_swing_on_top_of_a_rise_is_found(rate):
    t = clock(6, rate)
    found = oscillation(
        t, spool(t, 2) + np.where(t > 2, 4 * np.sin(2 * np.pi * 3 * t), 0) + noise(t)
    )
    assert found.found
    assert found.amplitude_pp == pytest.approx(8, rel=0.15)
    assert found.from_s > 1


def test_a_swing_of_twice_the_noise_is_found_and_less_is_measured_honestly():
    t = clock(5, 20)
    assert (
        sum(
            oscillation(t, 2 * np.sin(2 * np.pi * 1.5 * t) + noise(t, 1, s)).found
            for s in range(20)
        )
        >= 19
    )
    assert sum(oscillation(t, noise(t, 1, s)).found for s in range(100)) <= 5
    assert np.median([oscillation(t, noise(t, 1, s)).swing_pp for s in range(100)]) < 0.5


@pytest.mark.parametrize("rate", [10, 20, 50])
@pytest.mark.parametrize(
    "shape",
    [
        lambda t: spool(t, 2.5),
        lambda t: spool(t, 2) + np.where(t > 2, 15 * np.exp(-np.clip(t - 2, 0, None) / 0.3), 0),
        lambda t: 100 + 8 * t - 2 * t * t,
        lambda t: 5 * np.sin(2 * np.pi * 1.5 * t / 5),
        lambda t: np.where(t < 1, 50 + 50 * t, 100 + 6 * (t - 1)),
    ],
    ids=["knee", "single overshoot", "creep and fade", "wander", "knee and creep"],
)
def test_what_is_no_swing_is_not_found(rate, shape):
    t = clock(5, rate)
    assert sum(oscillation(t, shape(t) + noise(t, 0.5, s)).found for s in range(10)) <= 1


def test_two_cycles_are_a_wander_and_four_a_swing():
    t = clock(4, 20)
    assert not oscillation(t, 5 * np.sin(2 * np.pi * 2 / 4 * t) + noise(t, 0.2)).found
    assert oscillation(t, 5 * np.sin(2 * np.pi * 4 / 4 * t) + noise(t, 0.2)).found


def test_it_says_how_fast_it_could_see():
    t = np.arange(0, 5, 0.1)
    assert oscillation(t, noise(t)).visible_to_hz == pytest.approx(2.5)
    assert oscillation(t, noise(t), highest_hz=4).visible_to_hz == 4
    assert not oscillation(t, 5 * np.sin(2 * np.pi * 4 * t)).found


def test_nothing_to_see():
    assert oscillation(np.arange(11), np.arange(11)) is None
    still = oscillation(np.arange(40) * 0.1, np.full(40, 5.0))
    assert not still.found
    assert still.swing_pp == 0


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 50), st.floats(-200, 200))
def test_the_swing_scales_with_the_signal(factor, offset):
    t = clock(4, 20)
    y = 4 * np.sin(2 * np.pi * 2 * t) + noise(t)
    a, b = oscillation(t, y), oscillation(t, factor * y + offset)
    assert b.hz == pytest.approx(a.hz)
    assert b.amplitude_pp == pytest.approx(factor * a.amplitude_pp, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-1e4, 1e4), st.just(float("nan"))), min_size=0, max_size=60))
def test_any_signal_gives_a_finite_swing_or_nothing(values):
    found = oscillation(np.arange(len(values)) * 0.1, values)
    assert found is None or (np.isfinite(found.swing_pp) and np.isfinite(found.snr))


def firing(t, rpm):
    hz = rpm / 30
    return np.sin(2 * np.pi * np.concatenate(([0], np.cumsum(np.diff(t) * (hz[1:] + hz[:-1]) / 2))))


@pytest.mark.parametrize("rate", [10, 20, 50])
def test_folded_pulsation_is_told_from_a_swing_of_its_own(rate):
    t = clock(4, rate)
    rpm = 3000 + 700 * t
    level = 100 + 5 * t + noise(t)
    assert aliased_pulsation(t, level + 3 * firing(t, rpm), np.round(rpm / 10) * 10)
    assert not aliased_pulsation(t, level + 4 * np.sin(2 * np.pi * 1.8 * t), rpm)
    assert not aliased_pulsation(t, level, rpm)


def test_at_a_steady_engine_speed_it_cannot_be_told():
    t = clock(4, 20)
    rpm = np.full(t.size, 3150.0)
    assert not aliased_pulsation(t, 3 * firing(t, rpm) + noise(t), rpm)


def test_a_true_swing_stays_found_when_engine_speed_is_given():
    t = clock(4, 20)
    assert oscillation(t, 4 * np.sin(2 * np.pi * 1.8 * t) + noise(t), rpm=3000 + 700 * t).found


@pytest.mark.parametrize("share", [0.3, 0.45, 0.7, 1.0])
def test_a_swing_that_fills_part_of_the_window_keeps_its_size(share):
    """What is quiet around it makes its tops look wild, but they come every period."""
    t = np.arange(0.0, 10.0, 0.04)
    there = np.abs(t - 5.0) <= 5.0 * share
    y = 80.0 + np.where(there, 10.0 * np.sin(2 * np.pi * 2.6 * t), 0.0)
    found = oscillation(t, y + np.random.default_rng(3).normal(0.0, 0.3, t.size))
    assert found.found
    assert found.amplitude_pp == pytest.approx(20.0, rel=0.1)
