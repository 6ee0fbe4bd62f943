"""Each channel's own rate: blanks, held values, slow quantised ones."""

from __future__ import annotations

import numpy as np
import pytest

from audit.intake.rates import channel_rate, median_step, together

HZ = 50.0
T = np.arange(3000) / HZ


def held(every: int, *, jitter: int = 0, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    fresh = rng.normal(0.9, 0.05, 3000)
    at = (
        np.cumsum(every + rng.integers(-jitter, jitter + 1, 3000 // every + 5))
        if jitter
        else np.arange(0, 3000, every)
    )
    return fresh[
        at[np.clip(np.searchsorted(at, np.arange(3000), side="right") - 1, 0, None)].clip(0, 2999)
    ]


@pytest.mark.parametrize("every", [2, 5, 10, 50])
def test_a_held_value_counts_once(every: int) -> None:
    rate = channel_rate(T, held(every), row_step_s=1 / HZ)
    assert rate.held and rate.hz == pytest.approx(HZ / every, rel=0.03)


def test_an_uneven_poll_is_still_held() -> None:
    rate = channel_rate(T, held(10, jitter=3), row_step_s=1 / HZ)
    assert rate.held and rate.hz == pytest.approx(5.0, rel=0.2)


def test_a_noisy_channel_is_read_each_row() -> None:
    rate = channel_rate(T, np.random.default_rng(1).normal(0, 1, 3000), row_step_s=1 / HZ)
    assert not rate.held and rate.hz == pytest.approx(HZ)


def test_a_quantised_coolant_that_creeps_is_not_held() -> None:
    coolant = np.round(80 + 10 * (1 - np.exp(-T / 20)) + 0.2 * np.sin(T))
    assert not channel_rate(T, coolant, row_step_s=1 / HZ).held


def test_a_parked_throttle_is_not_held() -> None:
    throttle = np.clip(60 * np.sin(T / 3), 0, None).round(1)
    assert not channel_rate(T, throttle, row_step_s=1 / HZ).held


@pytest.mark.parametrize("every", [2, 5, 25])
def test_blank_cells_are_no_samples(every: int) -> None:
    value = np.where(
        np.arange(3000) % every == 0, np.random.default_rng(2).normal(0, 1, 3000), np.nan
    )
    rate = channel_rate(T, value, row_step_s=1 / HZ)
    assert not rate.held and rate.hz == pytest.approx(HZ / every, rel=0.01)


def test_nothing_has_no_rate() -> None:
    assert channel_rate(T, np.full(3000, np.nan), row_step_s=1 / HZ).hz == 0.0
    assert median_step(np.zeros(1)) == 0.0


def test_a_still_column_in_a_polled_file_is_polled_like_the_rest() -> None:
    values = [held(10, seed=s) for s in range(4)] + [np.full(3000, 88.0)]
    rates = together(
        T, values, [channel_rate(T, v, row_step_s=1 / HZ) for v in values], row_step_s=1 / HZ
    )
    assert rates[-1].held and rates[-1].hz == pytest.approx(5.0, rel=0.03)


def test_a_still_column_beside_quick_ones_keeps_the_row_rate() -> None:
    quick = np.random.default_rng(3).normal(0, 1, (4, 3000))
    values = [*quick, held(10), np.full(3000, 88.0)]
    rates = together(
        T, values, [channel_rate(T, v, row_step_s=1 / HZ) for v in values], row_step_s=1 / HZ
    )
    assert not rates[-1].held and rates[-1].hz == pytest.approx(HZ)


def test_a_duty_set_by_hand_is_read_in_every_row() -> None:
    t = np.arange(0.0, 300.0, 0.02)
    duty = np.zeros(len(t))
    for start, last in ((36.0, 2.2), (107.0, 2.4), (164.0, 1.9), (231.0, 2.1)):
        duty[(t >= start) & (t < start + last)] = 10.0
    assert channel_rate(t, duty, row_step_s=0.02).hz == pytest.approx(50.0)
