"""Recovery between pulls against Newton's law of cooling.

65 °C in 25 °C air with a time constant of 120 s: 49.261 °C after 60 s, 39.715 after 120, 30.413 after 240, 26.991
after 360. Arithmetic of exp(-t / 120), worked by hand; the law: any heat transfer handbook (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest

from audit.signal.cooling import cooling_time

TABLE = ((0.0, 65.0), (60.0, 49.261), (120.0, 39.715), (240.0, 30.413), (360.0, 26.991))


def test_the_table_gives_its_time_constant() -> None:
    t, y = np.array(TABLE).T
    assert cooling_time(t, y, 25.0) == pytest.approx(120.0, rel=1e-4)


@pytest.mark.parametrize("seed", range(10))
def test_whole_degrees_and_noise_give_it_within_a_tenth(seed: int) -> None:
    t = np.arange(0, 240, 1.0)
    y = np.round(25 + 40 * np.exp(-t / 120) + np.random.default_rng(seed).normal(0, 0.3, t.size))
    assert cooling_time(t, y, 25.0) == pytest.approx(120.0, rel=0.1)


def test_what_does_not_cool_has_no_time_constant() -> None:
    t = np.arange(10.0)
    assert cooling_time(t, 30 + t, 25.0) is None
    assert cooling_time(t[:3], [60, 50, 45.0], 25.0) is None
