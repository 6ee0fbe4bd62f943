"""Ambient pressure: known, assumed, contradicted."""

from __future__ import annotations

from scenes.fleet import toml
from scenes.scene import HOLD, faulty, healthy

GROUP = "ambient"
HIGH = {"amb": 77.4, "air": 10.0}
faulty(
    GROUP,
    "home-altitude-at-2200-key-on",
    "hill",
    HOLD,
    "The car file says 100 m, the stopped engine reads 77 kPa.",
    "sensor.ambient_doubt",
    car=HIGH,
    file_toml=toml("Marten", limit=120, alt=100),
)
faulty(
    GROUP,
    "home-altitude-at-2200-running",
    "rally",
    HOLD,
    "The car file says sea level; wide open before boost the manifold reads far below: boost is really 20 kPa more.",
    "sensor.ambient_doubt",
    car={**HIGH, "th": 3700, "tau": 0.6},
    off=False,
    without="baro",
    lo=2400,
    file_toml=toml("Lynx", limit=150, alt=30, rpm=7400),
)
faulty(
    GROUP,
    "barometer-stands-at-sea-level",
    "mid",
    HOLD,
    "At 2,200 m the barometer channel still says 101 kPa and the stopped engine 77: one of them lies.",
    "sensor.ambient_doubt sensor.disagree",
    car=HIGH,
    edits={"baro": {"offset": 24.0}},
)
faulty(
    GROUP,
    "no-altitude-near-limit",
    "rally",
    HOLD,
    "Engine running from the first row, no barometer, no altitude, and boost within the weather of its limit.",
    "sensor.ambient_doubt boost.over_limit",
    off=False,
    without="baro",
    file_toml=toml("Lynx", limit=124, rpm=7400),
)
faulty(
    GROUP,
    "no-altitude-no-file",
    "trip",
    HOLD,
    "Ambient pressure is only a guess.",
    "sensor.ambient_doubt",
    off=False,
    file_toml=None,
)
faulty(
    GROUP,
    "altitude-typed-wrong",
    "hill",
    HOLD,
    "Sea level was typed, the stopped engine says 1,300 m.",
    "sensor.ambient_doubt",
    args=("--altitude", "0 ft"),
    file_toml=toml("Marten", limit=120),
)
faulty(
    GROUP,
    "barometer-against-stopped-engine",
    "rally",
    HOLD,
    "Barometer 100 kPa, stopped engine 89 kPa: one of the sensors lies.",
    "sensor.disagree sensor.ambient_doubt",
    edits={"map": {"offset": -11.0}},
)
healthy(GROUP, "barometer-at-2200", "mtn", "The barometer travels with the car.", off=False)
healthy(
    GROUP,
    "stopped-start-at-2200",
    "hill",
    "Engine-stopped reading of 77 kPa, nothing else needed.",
    car=HIGH,
)
healthy(
    GROUP,
    "abs-and-gauge-running",
    "di",
    "Absolute and gauge pressure together give the ambient.",
    off=False,
)
healthy(GROUP, "abs-and-gauge-at-1300", "di", "The same at 1,300 m.", off=False, car={"amb": 86.8})
healthy(
    GROUP,
    "altitude-in-file-at-2200",
    "rally",
    "The car file knows its home at 2,200 m.",
    car=HIGH,
    without="baro",
    off=False,
    file_toml=toml("Lynx", limit=150, alt=2200, rpm=7400),
)
healthy(
    GROUP,
    "altitude-typed-at-1300",
    "hill",
    "Altitude typed, engine running from the first row.",
    args=("--altitude", "1300 m"),
    off=False,
)
healthy(
    GROUP,
    "stop-at-the-end",
    "rally",
    "The engine is stopped at the end of the log; that is an ambient reading too.",
    without="baro",
    drive=(
        ("idle", 6.0),
        ("cruise", 10.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 14.0, 60, 3),
        ("pull", 3, 2700, 6900),
        ("cruise", 8.0, 60, 3),
        ("idle", 4.0),
        ("off", 4.0),
    ),
    file_toml=toml("Lynx", limit=150, alt=90, rpm=7400),
)
