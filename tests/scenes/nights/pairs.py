"""Two sensors of one quantity."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from scenes.car import Fault
from scenes.logger import Col, in_pull
from scenes.scene import BAD, HOLD, STOP, faulty, healthy

GROUP = "pairs"
CYL = tuple(Col(f"Knock retard cyl {k} (deg)", "zero") for k in (1, 2, 3, 4))


def knock3(s: dict[str, Any]) -> Any:
    return s["knock"]


CYL3 = tuple(c if k != 2 else replace(c, fn=knock3) for k, c in enumerate(CYL))
WB2 = Col("lambda_wideband_b", "lam", dec=3, clip=(0, 1.9), lag=0.12)
faulty(
    GROUP,
    "second-bank-lean",
    "v6",
    BAD,
    "The second bank runs 0.14 lambda leaner under boost.",
    "mixture.lean mixture.banks_differ",
    fault=Fault(lean2=0.14),
)
faulty(
    GROUP,
    "second-bank-lean-kpa",
    "mid",
    BAD,
    "Bank two is lean at 100 kPa.",
    "mixture.lean mixture.banks_differ",
    cols="rpm thr map baro duty lam lam2 iat coolant",
    fault=Fault(lean2=0.15),
    log={"rate": 20},
)
faulty(
    GROUP,
    "second-bank-lean-at-the-top",
    "v6",
    BAD,
    "The second injector rail starves at the top.",
    "mixture.lean mixture.banks_differ mixture.drifts_lean",
    edits={
        "lam2": {
            "fn": lambda s: (
                s["lam2"] + 0.18 * np.clip((s["rpm"] - 4200) / 1500, 0, 1) * (s["boost"] > 20)
            )
        }
    },
)
faulty(
    GROUP,
    "cylinder-three-knocks",
    "rally",
    BAD,
    "Only cylinder three loses 4.5 degrees, in each pull.",
    "knock.retard",
    without="knock",
    add=CYL3,
    fault=Fault(knock=4.5),
)
faulty(
    GROUP,
    "cylinder-three-knocks-hard",
    "mid",
    STOP,
    "Cylinder three loses 8 degrees.",
    "knock.retard",
    without="knock",
    add=CYL3,
    fault=Fault(knock=8.5),
    log={"rate": 25},
)
faulty(
    GROUP,
    "second-charge-temp-hot",
    "mid",
    BAD,
    "After the second intercooler the charge is at 70 degrees.",
    "heat.intake heat.soak sensor.disagree",
    add=(
        Col(
            "Charge temp 2 (C)",
            "iat",
            offset=0.0,
            fn=lambda s: s["iat"] + 3 + 32 * np.clip(s["boost"] / 80, 0, 1),
        ),
    ),
    log={"rate": 25},
)
faulty(
    GROUP,
    "two-charge-temps-disagree",
    "rally",
    HOLD,
    "Two charge temperatures 28 K apart at rest and all night: one of them lies.",
    "sensor.disagree",
    edits={"iat": {"name": "iat_1_c"}},
    add=(Col("iat_2_c", "iat", offset=-28.0),),
)
faulty(
    GROUP,
    "two-widebands-disagree",
    "big",
    BAD,
    "Two widebands in one pipe read 0.10 lambda apart.",
    "sensor.disagree mixture.banks_differ",
    edits={"lam": {"name": "lambda_wideband_a", "offset": -0.03}},
    add=(replace(WB2, offset=0.09),),
)
healthy(GROUP, "banks-agree", "v6", "Both banks within a hundredth.", pulls=4, rest=10.0)
healthy(
    GROUP,
    "banks-agree-kpa",
    "mid",
    "Both banks agree at 100 kPa.",
    cols="rpm thr map baro duty lam lam2 iat coolant",
    log={"rate": 20},
)
healthy(GROUP, "all-cylinders-quiet", "rally", "No cylinder knocks.", without="knock", add=CYL)
healthy(
    GROUP,
    "cylinder-two-half-a-degree",
    "rally",
    "A blip of half a degree on one cylinder once.",
    without="knock",
    add=tuple(
        c if k != 1 else replace(c, edit=in_pull(0.5, (1,), 2.0, -2.0)) for k, c in enumerate(CYL)
    ),
)
healthy(
    GROUP,
    "two-charge-temps-agree",
    "rally",
    "Two charge temperatures one and a half degree apart.",
    edits={"iat": {"name": "iat_1_c"}},
    add=(Col("iat_2_c", "iat", offset=1.5),),
)
healthy(
    GROUP,
    "two-widebands-agree",
    "big",
    "Two widebands, one a little slower, agree.",
    edits={"lam": {"name": "lambda_wideband_a"}},
    add=(WB2,),
)
