"""Sensors against each other: what must last, and how far two may differ."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from audit.model import Car
from audit.sanity.between import REST_KPA, WEATHER_KPA, _ambient_pressure
from audit.signal.spans import lasting


def test_a_contradiction_lasts_for_samples_and_for_seconds():
    """Two samples far apart are none, nor are many within a moment."""
    slow, quick = np.arange(0.0, 8.0, 2.0), np.arange(0.0, 1.0, 0.05)
    two = np.array([False, True, True, False])
    spans = lambda t, mask: [x.tolist() for x in lasting(t, mask, for_s=1.0, least=3)]
    assert spans(slow, two) == [[], []]
    assert spans(quick, (quick > 0.3) & (quick < 0.6)) == [[], []]
    assert spans(slow, np.ones(4, dtype=bool)) == [[0], [4]]


def test_an_altitude_leaves_room_for_the_weather():
    """Standard atmosphere at sea level 101.3 kPa (ISO 2533); weather moves it by more than a sensor errs."""
    log = SimpleNamespace(has=lambda name: False)
    kpa, _, room = _ambient_pressure(log, Car(altitude_m=0.0), np.ones(4, dtype=bool))
    assert kpa == pytest.approx(101.3, abs=0.1)
    assert room == REST_KPA + WEATHER_KPA > REST_KPA
