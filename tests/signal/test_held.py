"""The level held for a while, on even and uneven clocks."""

from __future__ import annotations

import numpy as np
import pytest

from audit.signal.held import held_above, held_below, without_singles


def test_the_level_is_the_lowest_sample_of_the_highest_stretch() -> None:
    t = np.arange(10) / 10
    y = np.array([0, 0, 5, 4, 6, 0, 9, 0, 0, 0.0])
    found = held_above(t, y, 0.3)
    assert found is not None
    assert (found.level, found.start_s, found.end_s) == (4, pytest.approx(0.2), pytest.approx(0.4))


def test_a_lone_sample_raises_nothing() -> None:
    y = np.zeros(50)
    y[20] = 9
    found = held_above(np.arange(50) / 100, y, 0.01)
    assert found is not None
    assert found.level == 0


def test_the_stretch_goes_on_as_long_as_the_level_holds() -> None:
    y = np.r_[np.zeros(10), np.full(20, 3.0), np.zeros(10)]
    found = held_above(np.arange(40) / 10, y, 0.5)
    assert found is not None
    assert (found.start_s, found.end_s) == (pytest.approx(1.0), pytest.approx(2.9))


def test_both_sides_of_the_duration() -> None:
    t = np.arange(40) / 20
    for count, level in ((5, 0.0), (6, 1.0)):
        y = np.zeros(40)
        y[10 : 10 + count] = 1
        found = held_above(t, y, 0.3)
        assert found is not None
        assert found.level == level


def test_nothing_is_held_across_a_gap() -> None:
    t = np.array([0, 0.1, 0.2, 3.0, 3.1, 3.2])
    found = held_above(t, [0, 0, 5, 5, 0, 0], 0.2)
    assert found is not None
    assert found.level == 0


@pytest.mark.parametrize("seed", range(20))
def test_it_agrees_with_a_plain_search(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.cumsum(rng.uniform(0.05, 0.12, 60))
    y = rng.normal(size=60)
    interval = np.median(np.diff(t))
    best = max(
        y[i:j].min()
        for i in range(60)
        for j in range(i + 2, 61)
        if t[j - 1] - t[i] >= 0.4 - 1.02 * interval
    )
    found = held_above(t, y, 0.4)
    assert found is not None
    assert found.level == best


def test_below_is_above_upside_down() -> None:
    found = held_below(np.arange(6) / 10, [3, 1, 1, 1, 3, 0.0], 0.3)
    assert found is not None
    assert found.level == 1


def test_too_few_samples_hold_nothing() -> None:
    assert held_above([0.0], [1.0], 0.3) is None
    assert held_above([], [], 0.3) is None


def test_one_sample_may_do_when_asked() -> None:
    found = held_above([0.0, 1.0], [1.0, 2.0], 0.3, least=1)
    assert found is not None
    assert found.level == 2


def test_no_sample_is_an_error() -> None:
    with pytest.raises(ValueError, match="least"):
        held_above([0.0], [1.0], 0.3, least=0)


def test_singles_go_and_ramps_stay() -> None:
    assert without_singles([1, 1, 9, 1, 1]).tolist() == [1, 1, 1, 1, 1]
    assert without_singles([1, 2, 3, 4, 5]).tolist() == [1, 2, 3, 4, 5]
    assert without_singles([0, 0, 5, 5, 5]).tolist() == [0, 0, 5, 5, 5]
    assert without_singles([1, 1, 1, 1, 9]).tolist() == [1, 1, 1, 1, 1]
