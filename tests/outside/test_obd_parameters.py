"""Standard diagnostic parameters (SAE J1979 / ISO 15031-5, service 01; formulas from stored public PID tables).

Bytes are decoded by the standard's formulas and must come out as the right channel in canonical units
under the parameters' own names. The real recordings are excerpts of the carOBD data set
(github.com/eron93br/carOBD, folder obdiidata), made for 'Detecting Anomalies in the Engine Coolant Sensor
Using One-Class Classifiers' (IEEE, document 8891367).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from audit.intake.understand import understand
from audit.model import Car, Log
from audit.tables import channel_rows

sys.path.insert(0, str(Path(__file__).parents[1] / "intake"))
from made import Made, drive, raw_log  # noqa: E402

EXCERPTS = Path(__file__).parent / "data"
PIDS = {  # name as the standard's tables have it -> (channel, decode of byte A or of 256 A + B)
    "Engine coolant temperature": ("coolant_temp", lambda a: a - 40.0, 1),
    "Short term fuel trim - Bank 1": ("short_term_fuel_trim", lambda a: (a - 128) * 100 / 128, 1),
    "Long term fuel trim - Bank 1": ("long_term_fuel_trim", lambda a: (a - 128) * 100 / 128, 1),
    "Intake manifold absolute pressure": ("manifold_pressure", lambda a: a * 1.0, 1),
    "Engine RPM": ("engine_speed", lambda a: a / 4, 2),
    "Vehicle speed": ("vehicle_speed", lambda a: a * 1.0, 1),
    "Timing advance": ("ignition_timing", lambda a: a / 2 - 64, 1),
    "Intake air temperature": ("intake_air_temp", lambda a: a - 40.0, 1),
    "MAF air flow rate": ("mass_air_flow", lambda a: a / 100, 2),
    "Throttle position": ("throttle_position", lambda a: a * 100 / 255, 1),
    "Absolute barometric pressure": ("barometric_pressure", lambda a: a * 1.0, 1),
    "Control module voltage": ("battery_voltage", lambda a: a / 1000, 2),
    "Commanded equivalence ratio": ("lambda_target", lambda a: a * 2 / 65536, 2),
    "Ambient air temperature": ("ambient_air_temp", lambda a: a - 40.0, 1),
    "Accelerator pedal position D": ("pedal_position", lambda a: a * 100 / 255, 1),
    "Engine oil temperature": ("oil_temp", lambda a: a - 40.0, 1),
}
WIDEST = {"coolant_temp": (-40, 215), "intake_air_temp": (-40, 215), "engine_speed": (0, 16383.75)}


@pytest.mark.parametrize(
    ("decoded", "value"),
    [  # worked examples from the tables
        (PIDS["Engine RPM"][1](0x1AF8), 1726.0),
        (PIDS["Engine coolant temperature"][1](0x7B), 83.0),
        (PIDS["Commanded equivalence ratio"][1](0x8000), 1.0),
        (PIDS["Commanded equivalence ratio"][1](0x6490), 0.78564),
        (PIDS["Throttle position"][1](0x33), 20.0),
    ],
)
def test_the_tables_own_examples(decoded: float, value: float) -> None:
    assert decoded == pytest.approx(value, abs=1e-5)


def test_every_parameter_gets_its_channel_and_value() -> None:
    d = drive()
    columns, want = [], {}
    for header, (channel, decode, size) in PIDS.items():
        top = 256**size - 1
        grid = decode(np.arange(top + 1))
        at = np.clip(np.searchsorted(grid, d[channel]), 0, top)
        want[channel] = decode(at)
        columns.append(Made(header, want[channel]))
    log = understand(raw_log(columns, d["time"]), Car())
    for channel, value in want.items():
        np.testing.assert_allclose(log.values(channel), value, err_msg=channel)


@pytest.mark.parametrize(("channel", "ends"), sorted(WIDEST.items()))
def test_the_table_holds_what_the_bus_can_carry(channel: str, ends: tuple[float, float]) -> None:
    low, high = channel_rows()[channel].range
    assert low <= ends[0] and high >= ends[1]


STANDARD = {
    "ENGINE_RPM": ("engine_speed", "rpm"),
    "VEHICLE_SPEED": ("vehicle_speed", "km/h"),
    "THROTTLE": ("throttle_position", "%"),
    "COOLANT_TEMPERATURE": ("coolant_temp", "°C"),
    "LONG_TERM_FUEL_TRIM_BANK_1": ("long_term_fuel_trim", "%"),
    "SHORT_TERM_FUEL_TRIM_BANK_1": ("short_term_fuel_trim", "%"),
    "INTAKE_MANIFOLD_PRESSURE": ("manifold_pressure", "kPa absolute"),
    "PEDAL_D": ("pedal_position", "%"),
    "FUEL_AIR_COMMANDED_EQUIV_RATIO": ("lambda_target", "lambda"),
    "ABSOLUTE_BAROMETRIC_PRESSURE": ("barometric_pressure", "kPa absolute"),
    "INTAKE_AIR_TEMP": ("intake_air_temp", "°C"),
    "TIMING_ADVANCE": ("ignition_timing", "°"),
    "CONTROL_MODULE_VOLTAGE": ("battery_voltage", "V"),
}


@pytest.mark.parametrize("name", ["drive1_excerpt.csv", "idle1_excerpt.csv"])
def test_a_real_recording_has_every_standard_parameter_named(name: str) -> None:
    from audit.intake import read_logs

    (log,) = read_logs(EXCERPTS / name, car=Car(), rate_hz=10.0)
    assert isinstance(log, Log)
    found = {
        c.source.split(" ")[0]: (c.name, c.source_unit)
        for c in log.channels
        if c.known and c.name != "time"
    }
    assert found == STANDARD
    assert not any(c.doubtful for c in log.channels if c.name != "vehicle_speed")
