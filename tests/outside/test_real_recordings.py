"""Real recordings read without a word from anyone, every standard parameter named, judged honestly.

Source: carOBD data set (github.com/eron93br/carOBD, folder obdiidata), made for 'Detecting Anomalies in the Engine
Coolant Sensor Using One-Class Classifiers' (IEEE, document 8891367). Parameters: SAE J1979.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from audit.cli.main import cli
from audit.intake import read_logs
from audit.model import Car, Log

DATA = Path(__file__).parent / "data"
FILES = ("drive1_excerpt.csv", "idle1_excerpt.csv")
NAMED = {  # the standard's parameters that are channels of ours, and what the recording holds, by eye
    "ENGINE_RPM ()": ("engine_speed", 0, 3000),
    "VEHICLE_SPEED ()": ("vehicle_speed", 0, 60),
    "THROTTLE ()": ("throttle_position", 10, 50),
    "COOLANT_TEMPERATURE ()": ("coolant_temp", 20, 95),
    "LONG_TERM_FUEL_TRIM_BANK_1 ()": ("long_term_fuel_trim", -15, 15),
    "SHORT_TERM_FUEL_TRIM_BANK_1 ()": ("short_term_fuel_trim", -15, 15),
    "INTAKE_MANIFOLD_PRESSURE ()": ("manifold_pressure", 15, 103),
    "PEDAL_D ()": ("pedal_position", 10, 45),
    "FUEL_AIR_COMMANDED_EQUIV_RATIO ()": ("lambda_target", 0, 2),
    "ABSOLUTE_BAROMETRIC_PRESSURE ()": ("barometric_pressure", 98, 104),
    "INTAKE_AIR_TEMP ()": ("intake_air_temp", 15, 60),
    "TIMING_ADVANCE ()": ("ignition_timing", -30, 45),
    "CONTROL_MODULE_VOLTAGE ()": ("battery_voltage", 10, 15),
}


def log_of(name: str) -> Log:
    (log,) = read_logs(DATA / name, car=Car())
    assert isinstance(log, Log)
    return log


@pytest.mark.parametrize("name", FILES)
def test_every_standard_parameter_is_named_and_in_its_unit(name):
    log = log_of(name)
    found = {c.source: c.name for c in log.channels if c.known and c.name != "time"}
    assert found == {source: channel for source, (channel, _, _) in NAMED.items()}
    for channel, low, high in NAMED.values():
        values = log.values(channel)
        assert low <= values[values == values].min()
        assert values[values == values].max() <= high
    assert [
        c.name for c in log.channels if c.doubtful and c.name != "vehicle_speed"
    ] == []  # km/h or mph: nothing tells


@pytest.mark.parametrize("name", FILES)
def test_it_is_held_for_what_it_is_slow_and_without_a_pull(name):
    result = CliRunner().invoke(cli, ["screen", str(DATA / name), "--json", "-"])
    night = json.loads(result.stdout)
    assert (result.exit_code, night["verdict"]) == (10, "hold")
    assert night["logs"][0]["pulls"] == []
    said = " ".join(night["reasons"])
    assert "times a second" in said
    assert "No wide-open pull" in said
    codes = {f["code"] for f in night["logs"][0]["findings"] if f["severity"] != "note"}
    # sensor.range: the commanded equivalence ratio reads 0 while the engine is stopped.
    assert codes <= {"sensor.slow", "sensor.missing", "sensor.clock", "sensor.gap", "sensor.range"}


def test_polled_values_are_judged_at_their_own_rate():
    """Rows come several a second, new values about twice in three seconds."""
    log = log_of("drive1_excerpt.csv")
    assert log.rate_hz >= 1.5
    for channel in ("manifold_pressure", "engine_speed", "intake_air_temp"):
        assert 0.4 <= log.by_name[channel].rate_hz <= 1.2
        assert log.by_name[channel].held
