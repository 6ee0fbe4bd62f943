"""A lambda sensor answers to oxygen, which goes as 1/lambda; so its slope is bounded in 1/lambda, not in lambda.

Source: the excess-air formula of flue-gas tables, excess air = O2 / (20.9 - O2) with O2 in % of dry gas (e.g. U.S.
Department of Energy, Steam Tip Sheet on boiler combustion, from memory); lambda is 1 + excess air.
"""

import numpy as np
import pytest

from audit.model import Car
from audit.sanity.examine import examine
from audit.tables import channel_row
from tests.sanity.conftest import make_log

AIR = 20.9
LAG_S = 0.05  # a quick wideband sensor: 63 % of a step, common practice, no published source


@pytest.mark.parametrize(
    ("oxygen", "excess"), [(3.0, 0.17), (5.0, 0.31), (10.0, 0.92), (15.0, 2.54)]
)
def test_one_over_lambda_is_a_straight_line_in_oxygen(oxygen, excess):
    assert oxygen / (AIR - oxygen) == pytest.approx(excess, abs=0.01)
    assert 1 / (1 + excess) == pytest.approx(1 - oxygen / AIR, abs=0.005)


def lagged(t, inverse, toward, start):
    """1/lambda of a first-order sensor that sees `toward` from `start` on."""
    after = t >= start
    level = inverse[int(np.argmax(after)) - 1]
    decay = np.exp(-np.maximum(t - start, 0) / LAG_S)
    return np.where(after, toward + (level - toward) * decay, inverse)


def overrun(t, v):
    """Free air from the lift at 36.15 s to 40.2 s, then back."""
    inverse = lagged(t, 1.0 / v, 0.05, 36.2)
    back = lagged(t, inverse, 1.0, 40.2)
    return 1.0 / np.where(t < 40.2, inverse, back)


@pytest.mark.parametrize("rate", [10.0, 25.0, 50.0, 100.0])
def test_free_air_on_overrun_is_no_leap_of_the_sensor(rate):
    log = make_log(rate, change={"lambda": overrun})
    slope = np.abs(np.diff(log.values("lambda"))) * rate
    assert slope.max() > 20.0, "lambda itself runs far past any slope that 1/lambda can have"
    found = examine(log, Car()).findings
    assert [f for f in found if f.channel == "lambda" and f.severity != "note"] == []


def test_the_table_bounds_one_over_lambda_by_the_sensors_own_lag():
    """From lambda 0.8 (1.25) to air (0) through the lag: 1.25 / 0.05 s at first, and less over any interval."""
    t = np.arange(0, 1, 0.01)
    inverse = lagged(t, np.full_like(t, 1.25), 0.0, 0.2)
    row = channel_row("lambda")
    assert row is not None and row.slew is not None
    assert np.max(np.abs(np.diff(inverse))) / 0.01 == pytest.approx(row.slew, rel=0.25)


@pytest.mark.parametrize("rate", [25.0, 50.0])
def test_a_loose_wire_in_the_pull_still_leaps(rate):
    def loose(t, v):
        return np.where((t > 31) & (t < 36) & (np.floor(t * 2.5) % 2 == 0), 6.0, v)

    found = examine(make_log(rate, change={"lambda": loose}), Car()).findings
    assert any(f.channel == "lambda" and f.severity == "hold" for f in found)


@pytest.mark.parametrize("rate", [25.0, 50.0, 100.0])
def test_air_from_a_fuel_cut_under_an_open_throttle_is_no_leap_of_the_sensor(rate):
    """A cut of 0.3 s in the pull: a matter for the checks, not a fault of the sensor."""

    def cut(t, v):
        inverse = lagged(t, 1.0 / v, 0.1, 33.0)
        back = lagged(t, inverse, 1.25, 33.3)
        noise = np.random.default_rng(1).normal(0, 0.004, len(t))
        return 1.0 / np.where(t < 33.3, inverse, back) + noise

    found = examine(make_log(rate, change={"lambda": cut}), Car())
    assert found.tests["lambda"]["rate_of_change"] == 1
