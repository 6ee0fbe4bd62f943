"""Names, units and clocks of columns."""

from __future__ import annotations

from scenes.car import Fault
from scenes.fleet import toml
from scenes.logger import Col
from scenes.scene import BAD, HOLD, STOP, faulty, healthy, shape

GROUP = "naming"
GAUGE = Col("MAP gauge pressure (kPa)", "boost")
healthy(
    GROUP,
    "map-word-is-gauge",
    "hill",
    "The column says MAP, and gauge: so it is gauge.",
    cols="rpm speed thr lam iat coolant duty",
    add=(GAUGE,),
    log={"comma": False, "delim": ","},
    args=("--altitude", "1300 m"),
)
healthy(
    GROUP,
    "map-relative-psi",
    "small",
    "Gauge manifold pressure in psi under the MAP word.",
    without="map baro",
    add=(Col("MAP (psi gauge)", "boost", unit="psi", dec=2),),
    file_toml=toml("Sparrow", alt=120, limit=110),
)
faulty(
    GROUP,
    "map-word-is-gauge-over-limit",
    "hill",
    STOP,
    "The gauge column under the MAP word shows 110 kPa, limit 90.",
    "boost.over_limit",
    cols="rpm speed thr lam iat coolant duty",
    add=(GAUGE,),
    log={"comma": False, "delim": ","},
    args=("--altitude", "1300 m"),
    fault=Fault(over=27),
    file_toml=toml("Marten", limit=90),
)
healthy(
    GROUP,
    "clock-named-tick",
    "mid",
    "The clock is a tick count in milliseconds.",
    log={"time_name": "tick", "time_kind": "ms", "rate": 20},
)
healthy(
    GROUP,
    "clock-named-counter",
    "rally",
    "The clock is called counter and counts milliseconds from an odd start.",
    log={"time_name": "counter_ms", "time_kind": "ms", "time_start": 81423.0},
)
faulty(
    GROUP,
    "clock-named-tick-lean",
    "mid",
    BAD,
    "With the tick clock the lean pull must still be seen.",
    "mixture.lean",
    log={"time_name": "tick", "time_kind": "ms", "rate": 20},
    fault=Fault(lean=0.15),
)
healthy(
    GROUP,
    "duty-by-initials",
    "rally",
    "Duty of the boost control solenoid as BCS DC.",
    edits={"duty": {"name": "BCS DC (%)"}},
)
healthy(
    GROUP,
    "duty-by-initials-short",
    "small",
    "Boost control duty as BC.",
    edits={"duty": {"name": "BC duty"}},
)
faulty(
    GROUP,
    "duty-by-initials-creep",
    "rally",
    BAD,
    "Creep at constant duty, the duty under the initials of boost control.",
    "boost.creep",
    edits={"duty": {"name": "BCS DC (%)"}},
    fault=Fault(creep=13.0, creep_from=3900),
    file_toml=toml("Lynx", limit=190),
)
healthy(
    GROUP,
    "air-flow-unit-glued",
    "mid",
    "Mass air flow with g/s glued on.",
    cols="rpm speed thr pedal map baro target duty lam iat coolant maf",
    edits={"maf": {"name": "MAFgs"}},
    log={"rate": 20},
)
healthy(
    GROUP,
    "air-flow-kg-h",
    "rally",
    "Mass air flow in kg/h.",
    add=(Col("massairflow_kgh", "maf", unit="kgh", dec=1),),
)
healthy(
    GROUP,
    "clock-elapsed",
    "hill",
    "The time column is called Elapsed and rises steadily.",
    log={"time_name": "Elapsed"},
)
healthy(
    GROUP,
    "clock-unusual-name-step-back-in-cruise",
    "rally",
    "The time column steps back one second once, in cruise.",
    log={"time_name": "Stamp"},
    shape=shape(step_back=lambda p: ((p[0].start - 6.0, 1.0),)),
)
faulty(
    GROUP,
    "clock-step-back-in-only-pull",
    "mid",
    HOLD,
    "Time steps back a second in the middle of the only pull.",
    "sensor.clock sensor.gap",
    pulls=1,
    log={"time_name": "Stamp (s)", "rate": 20},
    shape=shape(step_back=lambda p: ((p[0].start + 2.5, 1.0),)),
)
healthy(
    GROUP,
    "clock-hms",
    "mid",
    "Clock in hours, minutes and seconds.",
    log={"time_name": "Time of day", "time_kind": "hms", "time_start": 72000.0, "rate": 20},
)
healthy(
    GROUP,
    "clock-iso",
    "v6",
    "Clock as date and time.",
    log={"time_name": "Timestamp", "time_kind": "iso"},
)
healthy(
    GROUP,
    "clock-microseconds",
    "big",
    "Clock in microseconds.",
    log={"time_name": "time_us", "time_kind": "us"},
)
healthy(
    GROUP,
    "quoted-crlf-preamble",
    "di",
    "Preamble lines, quotes, Windows line ends.",
    log={"preamble": ("Log of 17 May", "Driver: none", ""), "eol": "\r\n", "quote": True},
)
healthy(
    GROUP,
    "utf16-semicolon",
    "hill",
    "UTF-16, semicolons, decimal comma.",
    log={"encoding": "utf-16"},
)
healthy(
    GROUP,
    "latin1-degree",
    "mid",
    "Degree signs in Latin-1.",
    edits={"iat": {"name": "Charge temp (°C)"}, "coolant": {"name": "Coolant temp (°C)"}},
    log={"encoding": "latin-1", "rate": 20},
)
healthy(
    GROUP,
    "gzip-whole",
    "rally",
    "A whole compressed log.",
    log={"file": "night.csv.gz", "gz": True},
)
healthy(GROUP, "pipes", "small", "Columns parted by bars.", log={"delim": "|", "file": "night.txt"})
healthy(
    GROUP,
    "bar-absolute",
    "mid",
    "Pressures in bar, names with units in brackets.",
    edits={
        "map": {"name": "Inlet manifold pressure [bar abs]", "unit": "bar", "dec": 3},
        "baro": {"name": "Atmospheric pressure [bar]", "unit": "bar", "dec": 3},
        "target": {"name": "Boost target [bar]", "unit": "bar", "dec": 3},
    },
    log={"rate": 20},
)
