"""Second sensors of one quantity: tested like the first, and held against it."""

import numpy as np
import pytest

from audit.model import Car
from audit.sanity.examine import examine
from tests.sanity.conftest import make_log


def codes(**change):
    found = examine(make_log(change=change), Car()).findings
    return {(f.code, f.channel, f.severity) for f in found}


def second(name, add=0.0, seed=7):
    """A second sensor with noise of its own, `add` away from the first."""
    return {f"{name}_2": lambda t, v: make_log(seed=seed).values(name) + add}


@pytest.mark.parametrize(("apart", "found"), [(3.0, False), (8.0, True), (-8.0, True)])
def test_two_manifold_pressures_must_agree_in_the_pulls(apart, found):
    told = codes(**second("manifold_pressure", apart))
    assert (("sensor.disagree", "manifold_pressure_2", "hold") in told) is found
    assert found or told == set()


@pytest.mark.parametrize(("apart", "found"), [(6.0, False), (15.0, True)])
def test_two_charge_temperatures_must_agree_where_the_car_stands(apart, found):
    told = codes(**second("intake_air_temp", apart))
    assert (("sensor.disagree", "intake_air_temp_2", "hold") in told) is found


def test_before_and_behind_a_cooler_the_charge_may_differ_in_the_pull():
    def hot(t, v):
        return make_log(seed=7).values("intake_air_temp") + np.interp(
            t, (29, 33, 37, 41), (0, 60, 60, 0)
        )

    assert codes(intake_air_temp_2=hot) == set()


@pytest.mark.parametrize(("warm", "found"), [(12.0, False), (26.0, True)])
def test_long_after_load_a_cooler_explains_no_more_than_a_little(warm, found):
    """Off load both sides of a cooler come back to the air outside; a car that never stops shows it in cruise."""

    def stays_hot(t, v):
        return make_log(seed=7).values("intake_air_temp") + np.interp(t, (25, 40), (0, warm))

    def rolls(t, v):
        return np.maximum(v, 30.0)

    told = codes(intake_air_temp_2=stays_hot, vehicle_speed=rolls)
    assert (("sensor.disagree", "intake_air_temp_2", "hold") in told) is found


def test_two_banks_of_lambda_are_not_held_against_each_other_here():
    assert codes(**second("lambda", 0.06)) == set()


def test_a_second_lambda_is_tested_like_the_first():
    frozen = make_log(seed=7).values("lambda").copy()
    t = make_log(seed=7).time
    inside = (t >= 29.5) & (t <= 36.5)
    frozen[inside] = frozen[np.argmax(inside)]
    told = codes(lambda_2=lambda t, v: frozen)
    assert ("sensor.flat_line", "lambda_2", "hold") in told
