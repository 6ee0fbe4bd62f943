"""Lag, recovery, true update rates, spans."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.signal.lag import cooling_fit, first_order, shift, transport_lag
from audit.signal.rate import effective_rate, updates
from audit.signal.spans import crossing, duration_above, interp_believed, runs


def clock(seconds, rate, seed=0):
    t = np.arange(0, seconds, 1 / rate)
    return t + np.random.default_rng(seed).uniform(-0.2, 0.2, t.size) / rate


@pytest.mark.parametrize("late", [0.0, 0.15, 0.4])
@pytest.mark.parametrize("rate", [10, 20, 50])
def test_a_late_channel_shows_its_lag(rate, late):
    t = clock(20, rate)
    cause = lambda s: 50 * (np.sin(0.9 * s) > 0.2) + 10 * np.sin(2.3 * s)  # noqa: E731
    found = transport_lag(t, cause(t), -0.01 * cause(t - late), least_s=-0.5, most_s=1.0)
    assert found.lag_s == pytest.approx(late, abs=0.6 / rate)
    assert found.correlation < -0.9
    assert found.confidence > 0.5


def test_two_strangers_share_no_lag():
    r = np.random.default_rng(5)
    t = clock(20, 20)
    found = transport_lag(t, r.normal(0, 1, t.size), r.normal(0, 1, t.size), least_s=0, most_s=1)
    assert found.confidence < 0.2


def test_too_short_a_log_tells_no_lag():
    t = np.arange(6) * 0.1
    assert transport_lag(t, t, t, least_s=0, most_s=0.2) is None
    with pytest.raises(ValueError, match="most_s"):
        transport_lag(t, t, t, least_s=1, most_s=0.2)


def test_a_shift_undoes_a_lag_and_invents_nothing():
    t = np.arange(0, 5, 0.1)
    back = shift(t, 3 * (t - 0.35), 0.35)
    assert back[:40] == pytest.approx(3 * t[:40])
    assert np.isnan(back[-1])


@given(st.floats(0.01, 5))
def test_a_first_order_sensor_stays_within_what_it_reads(tau):
    y = np.random.default_rng(1).uniform(0, 10, 60)
    z = first_order(clock(3, 20), y, tau)
    assert z.min() >= 0
    assert z.max() <= 10


def test_a_recovery_gives_back_tau_with_noise_and_whole_degrees():
    t = np.arange(0, 300, 1.0)
    y = np.round(25 + 40 * np.exp(-t / 120) + np.random.default_rng(2).normal(0, 0.3, t.size))
    assert cooling_fit(t, y).tau_s == pytest.approx(120, rel=0.1)
    assert cooling_fit(t, y, 25).tau_s == pytest.approx(120, rel=0.03)


def test_what_does_not_recover_has_no_tau():
    t = np.arange(0, 60, 1.0)
    assert cooling_fit(t, np.full(60, 40.0)) is None
    assert cooling_fit(t, 40 + 0.1 * t) is None
    assert cooling_fit([0, 1, 2], [3, 2, 1]) is None


def moving(t):
    return 100 + 40 * np.sin(0.7 * t) + 15 * np.sin(2.9 * t)


@pytest.mark.parametrize("rows", [10, 20, 50])
@pytest.mark.parametrize("true", [1, 2, 4])
def test_a_held_channel_shows_its_true_rate(rows, true):
    t = clock(40, rows)
    y = np.round(moving(np.floor(t * true + 1e-6) / true), 1)
    found = effective_rate(t, y)
    assert found.held
    assert found.rate_hz == pytest.approx(true, rel=0.1)
    marked = updates(t, y)
    assert marked.sum() == pytest.approx(40 * true, rel=0.1)


def test_a_blank_channel_shows_its_true_rate():
    t = np.arange(0, 20, 0.05)
    y = np.where(np.arange(t.size) % 5 == 0, moving(t), np.nan)
    found = effective_rate(t, y)
    assert not found.held
    assert found.rate_hz == pytest.approx(4)
    assert updates(t, y).sum() == np.isfinite(y).sum()


@pytest.mark.parametrize("y", [
    lambda t: np.round(80 + 6 * -np.expm1(-t / 30)),
    lambda t: np.round(80 + 0.05 * t),
    lambda t: np.round(60 + 25 * np.sin(0.05 * t)),
    lambda t: np.full(t.size, 14.0),
], ids=["warming", "creeping", "swinging", "still"])
def test_a_slow_quantised_signal_is_no_slow_sensor(y):
    t = clock(60, 20)
    found = effective_rate(t, y(t))
    assert not found.held
    assert found.rate_hz == pytest.approx(20, rel=0.1)
    assert found.confidence < 0.5


def test_a_fast_channel_is_not_held():
    t = clock(20, 20)
    assert not effective_rate(t, np.round(moving(t))).held
    assert effective_rate(t, moving(t)).confidence > 0.8
    assert effective_rate([0, 1, 2], [1, 2, 3]) is None


def test_runs_have_starts_and_stops():
    starts, stops = runs([1, 1, 0, 0, 1, 0, 1])
    assert starts.tolist() == [0, 4, 6]
    assert stops.tolist() == [2, 5, 7]
    assert [a.size for a in runs([])] == [0, 0]


def test_time_above_counts_a_lone_sample_once_and_a_gap_not_at_all():
    t = np.array([0, 0.1, 0.2, 0.3, 0.4, 10.4, 10.5])
    assert duration_above(t, [0, 0, 1, 0, 0, 0, 0]) == pytest.approx((0.1, 0.1))
    total, longest = duration_above(t, [1, 1, 0, 0, 1, 1, 0])
    assert total < 1
    assert longest < 0.6
    assert duration_above(t, np.zeros(7)) == (0, 0)


def test_a_crossing_lies_between_its_samples():
    assert crossing([0, 1, 2], [0, 4, 8], 6) == 1.5
    assert crossing([0, 1, 2], [8, 4, 0], 6, rising=False) == 0.5
    assert crossing([0, 1, 2], [0, 4, 8], 9) is None
    assert crossing([0, 1], [7, 8], 6) is None


def test_no_value_is_invented_across_a_gap():
    got = interp_believed([0.5, 1.5, 5, 9, 10, 11], [0, 1, 2, 9, 10], [0, 10, 20, 90, 100], 2)
    assert got[[0, 1, 3, 4]] == pytest.approx([5, 15, 90, 100])
    assert np.isnan(got[[2, 5]]).all()
