import dataclasses

import numpy as np
import pytest

from audit.model import Barometric, Car
from audit.pulls.boost import best_barometric
from audit.sanity.examine import examine
from tests.pulls.conftest import build, one_pull


def log_with(clock, baro, *, stopped=False):
    t = clock()
    log = one_pull(t) | {"barometric_pressure": baro(t)}
    if stopped:
        off = t < 4
        log["engine_speed"][off] = 0.0
        log["vehicle_speed"][off] = 0.0
        log["manifold_pressure"][off] = 98.0
    log_ = build(log, t)
    level = float(np.median(log["barometric_pressure"]))
    return dataclasses.replace(log_, barometric=Barometric(level, "barometric channel", 0.5))


def best(log, car=Car()):
    return best_barometric(log, examine(log, car), car)


def test_a_sound_channel_is_kept(clock):
    log = log_with(clock, lambda t: np.full_like(t, 99.0))
    assert best(log) is log.barometric


def test_a_dead_channel_gives_way_to_the_manifold_at_rest(clock):
    found = best(log_with(clock, np.zeros_like, stopped=True))
    assert found.kpa == pytest.approx(98.0, abs=0.5)
    assert "engine stopped" in found.source


def test_then_to_the_altitude_and_then_to_the_standard(clock):
    dead = log_with(clock, np.zeros_like)
    assert best(dead, Car(altitude_m=1000.0)).kpa == pytest.approx(89.88, abs=0.01)
    assert best(dead).kpa == pytest.approx(101.325)
    assert best(dead).uncertainty_kpa > best(dead, Car(altitude_m=1000.0)).uncertainty_kpa


def test_an_estimate_that_is_not_the_channel_is_kept(clock):
    log = log_with(clock, np.zeros_like)
    log = dataclasses.replace(
        log, barometric=Barometric(97.0, "manifold pressure with the engine stopped", 1.0)
    )
    assert best(log) is log.barometric
