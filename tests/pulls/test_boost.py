import dataclasses

import numpy as np
import pytest

from audit.model import Barometric, Car
from audit.pulls.boost import ambient_doubt, ambient_pressure
from audit.sanity.examine import examine
from audit.tables import limits
from audit.units import standard_pressure_kpa
from tests.pulls.conftest import build, one_pull

GUESS = Barometric(101.325, "assumed: standard pressure at sea level", 8.0, kind="assumed")


def made(clock, *, baro=None, stopped=None, ambient=99.0, gauge=False):
    """One pull at an ambient pressure; wide open its manifold starts at ambient pressure less 1 kPa."""
    t = clock()
    log = one_pull(t)
    slow = (t > 20.2) & (t < 22.0)  # a second of wide-open running before the turbo builds
    log["manifold_pressure"][slow] = np.interp(t[slow], (20.2, 21.2, 22.0), (97.5, 98.5, 191.0))
    log["manifold_pressure"] = log["manifold_pressure"] + ambient - 99.0
    if baro is not None:
        log["barometric_pressure"] = np.full_like(t, baro)
    if stopped is not None:
        off = t < 4
        log["engine_speed"][off] = 0.0
        log["vehicle_speed"][off] = 0.0
        log["manifold_pressure"][off] = stopped
    made_ = dataclasses.replace(build(log, t), barometric=GUESS)
    if gauge:
        named = {"manifold_pressure": "kPa gauge"}
        channels = tuple(
            dataclasses.replace(c, source_unit=named.get(c.name, "")) for c in made_.channels
        )
        made_ = dataclasses.replace(made_, channels=channels)
    return made_


def decided(log, car=Car()):
    return log.with_barometric(ambient_pressure(log, examine(log, car), car, limits()))


def test_a_sound_channel_comes_first(clock):
    log = decided(made(clock, baro=99.0, stopped=98.0))
    assert (log.barometric.kind, log.barometric.kpa) == ("channel", pytest.approx(99.0))
    assert ambient_doubt(log) is None


def test_a_dead_channel_gives_way_to_the_manifold_at_rest(clock):
    log = decided(made(clock, baro=0.0, stopped=98.0))
    assert log.barometric.kind == "stopped"
    assert log.barometric.kpa == pytest.approx(98.0, abs=0.5)
    assert ambient_doubt(log) is None


def test_then_to_what_intake_measured_by_a_pair_of_sensors(clock):
    pair = Barometric(97.0, "absolute less gauge pressure", 1.0)
    log = dataclasses.replace(made(clock, baro=0.0, ambient=97.0), barometric=pair)
    assert decided(log).barometric == pair


def test_a_pair_of_sensors_that_no_air_explains_disagrees(clock):
    pair = Barometric(87.0, "absolute less gauge pressure", 1.0)
    log = dataclasses.replace(made(clock, baro=0.0, ambient=87.0), barometric=pair)
    finding = ambient_doubt(decided(log, Car(altitude_m=90.0)))
    assert (finding.code, finding.severity) == ("sensor.disagree", "hold")
    assert ambient_doubt(decided(log, Car(altitude_m=1200.0))) is None


def test_then_to_the_altitude_and_its_weather(clock):
    log = decided(made(clock, ambient=90.0), Car(altitude_m=1000.0))
    assert log.barometric.kpa == pytest.approx(89.88, abs=0.01)  # ISO 2533:1975
    assert log.barometric.uncertainty_kpa == pytest.approx(2.0)
    assert ambient_doubt(log) is None


def test_sea_level_is_a_guess_that_holds_and_says_how_to_mend_it(clock):
    log = decided(made(clock, ambient=101.0))
    finding = ambient_doubt(log)
    assert log.barometric.assumed
    assert (finding.code, finding.severity) == ("sensor.ambient_doubt", "hold")
    assert "--altitude" in finding.message


def test_a_gauge_sensor_needs_no_ambient_pressure(clock):
    log = decided(made(clock, gauge=True))
    assert ambient_doubt(log) is None
    assert log.boost_room_kpa == 0.0


def test_two_readings_of_the_same_air_that_differ_are_a_doubt(clock):
    assert "engine stopped" in decided(made(clock, baro=99.0, stopped=90.0)).barometric.contradicted
    assert not decided(made(clock, baro=99.0, stopped=96.0)).barometric.contradicted


def test_home_altitude_on_a_mountain_is_a_doubt_and_boost_is_counted_from_wide_open(clock):
    high = standard_pressure_kpa(2200.0)
    log = decided(made(clock, ambient=high), Car(altitude_m=100.0))
    assert "wide open" in log.barometric.contradicted
    assert log.barometric.kpa == pytest.approx(high, abs=5.0)
    assert ambient_doubt(log).severity == "hold"


def test_the_right_altitude_on_a_mountain_is_none(clock):
    log = decided(made(clock, ambient=standard_pressure_kpa(2200.0)), Car(altitude_m=2200.0))
    assert ambient_doubt(log) is None


def test_an_altitude_that_the_stopped_engine_contradicts_is_a_doubt(clock):
    log = made(clock, stopped=77.5, ambient=77.5)
    assert decided(log, Car(altitude_m=100.0)).barometric.contradicted
    assert not decided(log, Car(altitude_m=2200.0)).barometric.contradicted


def test_two_readings_outvote_an_old_altitude(clock):
    log = made(clock, baro=77.5, stopped=77.5, ambient=77.5)
    assert not decided(log, Car(altitude_m=100.0)).barometric.contradicted
    said_tonight = Car(altitude_m=100.0, altitude_tonight=True)
    assert decided(log, said_tonight).barometric.contradicted
