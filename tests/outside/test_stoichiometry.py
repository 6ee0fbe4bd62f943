"""AFR to lambda against balanced combustion in dry air (IUPAC atomic weights) and the usual petrol figure."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from audit.intake.understand import understand
from audit.model import Car

sys.path.insert(0, str(Path(__file__).parents[1] / "intake"))
from made import Made, drive, raw_log  # noqa: E402

C, H, O = 12.011, 1.008, 15.999  # noqa: E741  IUPAC standard atomic weights
OXYGEN_SHARE, AIR = 0.20946, 28.9647  # dry air: mole share of O2, g/mol


def stoichiometric(c: float, h: float, o: float) -> float:
    """Air mass over fuel mass for CcHhOo + (c + h/4 - o/2) O2."""
    return (c + h / 4 - o / 2) / OXYGEN_SHARE * AIR / (c * C + h * H + o * O)


FUELS = [
    ("iso-octane", (8, 18, 0), 15.13),
    ("ethanol", (2, 6, 1), 9.00),
    ("methanol", (1, 4, 1), 6.47),
]


@pytest.mark.parametrize(("name", "formula", "handbook"), FUELS)
def test_the_balance_gives_the_handbook_figure(
    name: str, formula: tuple[int, int, int], handbook: float
) -> None:
    assert stoichiometric(*formula) == pytest.approx(handbook, abs=0.006), name


@pytest.mark.parametrize(("name", "formula", "handbook"), FUELS[1:])
def test_an_own_scale_afr_column_becomes_lambda(
    name: str, formula: tuple[int, int, int], handbook: float
) -> None:
    afr = stoichiometric(*formula)
    d = drive()
    log = understand(
        raw_log(
            [
                Made("RPM", d["engine_speed"]),
                Made("TPS", d["throttle_position"]),
                Made("AFR", afr * d["lambda"]),
            ],
            d["time"],
        ),
        Car(fuel=name, stoichiometric_afr=afr),
    )
    np.testing.assert_allclose(log.values("lambda"), d["lambda"], rtol=1e-9)


def test_petrol_11_54_to_1_is_lambda_0_785() -> None:
    """14.7 is the usual figure for petrol (Heywood, Internal Combustion Engine Fundamentals, fuel table; from memory)."""
    d = drive()
    value = np.where(d["throttle_position"] > 90, 11.54, 14.7)
    log = understand(
        raw_log(
            [
                Made("RPM", d["engine_speed"]),
                Made("TPS", d["throttle_position"]),
                Made("AFR", value),
            ],
            d["time"],
        ),
        Car(),
    )
    assert np.nanmin(log.values("lambda")) == pytest.approx(0.785, abs=5e-4)
