"""A rise to a plateau: overshoot is no creep, creep is no overshoot, and a rise cut short has not settled."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from audit.signal.step import peak_bound, peak_interval_error, plateau, plateau_slope, step_response

RATES = [8, 10, 20, 50, 100]


def clock(seconds, rate, seed=0):
    t = np.arange(0, seconds, 1 / rate)
    return t + np.random.default_rng(seed).uniform(-0.2, 0.2, t.size) / rate


def spool(t, until, level=100.0, power=2.0):
    return level * np.clip(t / until, 0, 1) ** power


def bump(t, at, height, decay):
    u = np.clip(t - at, 0, None)
    return np.where(t > at, height * np.minimum(u / 0.1, 1) * np.exp(-np.clip(u - 0.1, 0, None) / decay), 0)


def read(y, seed=1, sigma=0.4, step=0.1):
    return np.round((y + np.random.default_rng(seed).normal(0, sigma, y.size)) / step) * step


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize(("until", "seconds"), [(1.5, 4), (3, 6), (8, 11)])
def test_a_spool_curve_has_no_overshoot(rate, until, seconds):
    t = clock(seconds, rate)
    step = step_response(t, read(spool(t, until)), base=0)
    assert step.settled
    assert step.overshoot < 2
    assert step.settled_level == pytest.approx(100, abs=1)
    assert step.settled_from_s == pytest.approx(until, abs=0.05 * until + 2 / rate)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("slope", [-6, 0, 6])
def test_neither_creep_nor_fade_is_overshoot(rate, slope):
    t = clock(6, rate)
    y = spool(t, 2.5) + slope * np.clip(t - 2.5, 0, None)
    step = step_response(t, read(y), base=0)
    assert step.settled
    assert step.overshoot < 2
    assert step.slope_per_s == pytest.approx(slope, abs=1)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("slope", [-6, 0, 6])
@pytest.mark.parametrize("decay", [0.15, 0.3])
def test_overshoot_is_measured_from_the_sloping_plateau(rate, slope, decay):
    t = clock(6, rate)
    extra = bump(t, 2, 16, decay)
    y = spool(t, 2) + extra + slope * np.clip(t - 2, 0, None)
    step = step_response(t, read(y), base=0)
    assert step.overshoot == pytest.approx(extra.max(), abs=3)
    assert step.peak_s == pytest.approx(t[np.argmax(extra)], abs=2.1 / rate + 0.05)


def test_percent_of_step_and_percent_of_level_differ_by_the_start():
    t = clock(6, 50)
    y = 20 + spool(t, 1.5, 80) + bump(t, 1.5, 8, 0.2)
    step = step_response(t, y, base=20)
    assert step.overshoot_pct_of_step == pytest.approx(100 * step.overshoot / (step.level_at_peak - 20))
    assert step.overshoot_pct_of_level == pytest.approx(100 * step.overshoot / step.level_at_peak)
    assert step.overshoot_pct_of_step == pytest.approx(1.25 * step.overshoot_pct_of_level, rel=0.01)


@pytest.mark.parametrize("rate", RATES)
def test_a_short_spike_at_the_knee_counts(rate):
    t = np.arange(0, 5, 1 / rate)
    extra = np.where((t > 1.95) & (t < 2.35), 14 * np.sin(np.pi * (t - 1.95) / 0.4), 0)
    step = step_response(t, read(spool(t, 2) + extra), base=0)
    assert step.overshoot == pytest.approx(extra.max(), abs=2.5)


@pytest.mark.parametrize("hz", [1, 2])
@pytest.mark.parametrize("rate", [20, 50])
def test_a_steady_swing_leaves_the_level_right(rate, hz):
    t = clock(6, rate)
    y = spool(t, 2) + np.where(t > 2, 6 * np.sin(2 * np.pi * hz * (t - 2)), 0)
    step = step_response(t, read(y), base=0)
    assert step.settled
    assert step.settled_level == pytest.approx(100, abs=1.5)


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("shape", [lambda t: spool(t, 4.2), lambda t: 25 * t, lambda t: 100 * -np.expm1(-t / 4)])
def test_a_rise_cut_short_has_not_settled(rate, shape):
    t = clock(4, rate)
    step = step_response(t, read(shape(t), sigma=0.1), base=0)
    assert not step.settled
    assert step.settling_s is None


def test_a_target_stands_in_where_nothing_settles():
    t = clock(4, 20)
    assert step_response(t, spool(t, 4.2), base=0, target=120).settled_level == 120


def test_noise_alone_is_no_overshoot():
    t = clock(6, 50)
    for seed in range(10):
        assert step_response(t, read(spool(t, 2), seed, sigma=1.5), base=0).overshoot < 2.5


def test_without_a_base_the_rest_before_the_rise_is_the_start():
    t = clock(6, 20)
    y = 30 + 70 * -np.expm1(-np.clip(t - 1.5, 0, None) / 0.4)
    step = step_response(t, read(y))
    assert step.start_level == pytest.approx(30, abs=1)
    assert step.rise_s == pytest.approx(0.4 * np.log(9), abs=0.1)


def test_a_level_line_is_at_rest():
    t = clock(4, 20)
    step = step_response(t, np.full(t.size, 100.0))
    assert step.settled
    assert step.overshoot == 0
    assert step.rise_s is None


@settings(max_examples=25, deadline=None)
@given(st.floats(0.1, 50), st.floats(-200, 200))
def test_the_response_scales_and_shifts_with_the_signal(factor, offset):
    t = clock(6, 20)
    y = spool(t, 2) + bump(t, 2, 16, 0.3) + np.random.default_rng(3).normal(0, 0.4, t.size)
    a, b = step_response(t, y, base=0), step_response(t, factor * y + offset, base=offset)
    assert b.overshoot == pytest.approx(factor * a.overshoot, rel=0.02)
    assert b.settled_level - offset == pytest.approx(factor * a.settled_level, rel=0.005)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.one_of(st.floats(-1e4, 1e4), st.just(float("nan"))), min_size=0, max_size=60))
def test_any_signal_gives_finite_numbers_or_nothing(values):
    step = step_response(np.arange(len(values)) * 0.1, values)
    if step is not None:
        assert np.isfinite([step.start_level, step.settled_level, step.peak, step.overshoot, step.highest]).all()
        assert step.overshoot >= 0


def test_five_samples_are_too_few():
    assert step_response(np.arange(5), np.arange(5)) is None


def test_the_plateau_has_its_slope_and_its_level():
    t = clock(6, 20)
    found = plateau(t, read(spool(t, 2) + 5 * np.clip(t - 2, 0, None)))
    assert found.slope_per_s == pytest.approx(5, abs=0.5)
    assert found.level == pytest.approx(110, abs=1)
    assert found.residual_sigma < 1
    assert plateau(t, spool(t, 6.5)) is None


def test_slope_against_engine_speed_brackets_the_truth():
    krpm = np.linspace(4, 7, 60)
    line = plateau_slope(krpm, read(100 + 6 * krpm))
    assert line.low < 6 < line.high
    assert line.slope == pytest.approx(6, abs=0.3)


@given(st.floats(0, 1), st.floats(0.3, 2))
def test_the_bound_holds_the_true_peak_of_a_concave_hump(phase, width):
    t = np.arange(-4, 5) * 0.25 * width / 2 + phase * 0.25 * width / 2
    assert peak_bound(t, 10 - (t / width) ** 2 * 8) >= 10 - 1e-9


def test_no_interval_misses_nothing():
    assert peak_interval_error(0, 1) == 0
    with pytest.raises(ValueError, match="width"):
        peak_interval_error(0.1, 0)


@pytest.mark.parametrize("rate", RATES)
def test_a_window_that_ends_in_the_release_reads_the_same(rate):
    t = clock(4, rate)
    y = np.where(t > 3.75, 60, spool(t, 2))
    step = step_response(t, read(y), base=0)
    assert step.settled
    assert step.overshoot < 2
    assert step.settled_level == pytest.approx(100, abs=1)


@pytest.mark.parametrize("rate", RATES)
def test_a_window_that_opens_on_the_overshoot_still_shows_it(rate):
    t = clock(4, rate)
    step = step_response(t, read(100 + 15 * np.exp(-t / 0.3)), base=0)
    assert step.overshoot == pytest.approx(15, abs=2)
    assert step.rise_s is None
