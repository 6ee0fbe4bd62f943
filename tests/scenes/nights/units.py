"""Temperatures whose unit nobody wrote."""

from __future__ import annotations

from scenes.car import Fault
from scenes.scene import BAD, HOLD, STOP, faulty, healthy

GROUP = "units"
HOT = {"air": 27.0, "amb": 100.0}
for k, (rig, car, why) in enumerate(
    (
        ("v6", {}, "A cool evening"),
        ("v6", {"air": 31.0}, "A hot evening"),
        ("v6", {"air": 2.0, "coolant": 84.0}, "A frosty evening"),
    )
):
    healthy(
        GROUP,
        f"us-no-unit-{k}",
        rig,
        f"{why}; psi, mph and AFR make the temperatures Fahrenheit.",
        car=car,
    )
healthy(
    GROUP,
    "us-no-unit-spring-only",
    "old",
    "Psi and AFR: 190 is a warm engine in Fahrenheit.",
    car={"air": 24.0},
)
healthy(
    GROUP,
    "us-no-unit-closed-loop",
    "mid",
    "US units and closed control.",
    style="us",
    cols="rpm speed thr map baro target duty lam iat coolant volts",
    log={"rate": 20, "time_name": "Time"},
)
healthy(
    GROUP,
    "us-no-unit-oil-egt",
    "rally",
    "US units with exhaust and oil readings.",
    style="us",
    log={"time_name": "Seconds"},
)
faulty(
    GROUP,
    "us-overheated",
    "v6",
    STOP,
    "Coolant at 250 °F is far over.",
    "heat.coolant",
    fault=Fault(coolant=36.0),
)
faulty(
    GROUP,
    "us-coolant-high",
    "old",
    BAD,
    "Coolant climbs to 235 °F and beyond.",
    "heat.coolant",
    fault=Fault(coolant=24.0),
    car=HOT,
)
faulty(
    GROUP,
    "us-charge-hot",
    "v6",
    BAD,
    "Charge temperature passes 160 °F.",
    "heat.intake heat.soak",
    fault=Fault(hot=45.0),
    car=HOT,
    lo=2200,
)
faulty(
    GROUP,
    "us-charge-hot-old",
    "old",
    BAD,
    "No intercooler: the charge passes 165 °F.",
    "heat.intake heat.soak",
    fault=Fault(hot=58.0),
    car={"air": 26.0},
)
faulty(
    GROUP,
    "us-cold-engine",
    "v6",
    HOLD,
    "Pulled at 110 °F of coolant.",
    "heat.cold",
    car={"cold_start": 22.0},
    pulls=1,
)
faulty(
    GROUP,
    "us-exhaust-hot",
    "rally",
    BAD,
    "Exhaust near 1,900 °F.",
    "heat.exhaust",
    style="us",
    fault=Fault(egt=190.0),
)
