"""Boost outside the pulls, at part throttle: its mixture, knock and highest boost are judged too."""

import numpy as np
import pytest

from audit.model import Car
from audit.night.one_log import audit_log
from tests.pulls.conftest import build, lines, one_pull


def roll(*, boost=65.0, lam=1.0, knock=0.0, length_s=6.0, limit_kpa=150.0, rpm=None, oil=None):
    """One sound pull, and later a roll at 70 % of throttle under boost; the codes and severities found."""
    t = np.arange(0.0, 60.0, 0.05)
    start, end = 40.0, 40.0 + length_s
    inside = (t >= start) & (t <= end)
    columns = one_pull(t)
    columns["throttle_position"] = np.where(inside, 70.0, columns["throttle_position"])
    columns["manifold_pressure"] = np.where(inside, 99.0 + boost, columns["manifold_pressure"])
    rich = lines(t, (0, 1.0), (20.2, 1.0), (20.8, 0.79), (26.0, 0.79), (26.5, 1.0), (60, 1.0))
    columns["lambda"] = np.where(inside, lam, rich) + np.random.default_rng(1).normal(
        0, 0.004, t.size
    )
    columns["intake_air_temp"] = 30.0 + 0.1 * t
    if rpm is not None:
        columns["engine_speed"] = np.where(
            inside, np.interp(t, (start, end), rpm), columns["engine_speed"]
        )
    if oil is not None:
        steady = np.where(inside, oil, 60.0 + 0.07 * columns["engine_speed"])
        columns["oil_pressure"] = steady + np.random.default_rng(2).normal(0, 4.0, t.size)
    columns["knock_retard"] = np.where(inside, knock, 0.0)
    audit = audit_log(build(columns, t), Car(boost_limit_kpa=limit_kpa))
    assert len(audit.pulls) == 1
    return {f.code: f.severity for f in audit.findings if "outside the pulls" in f.message}


@pytest.mark.parametrize(("lam", "found"), [(0.82, {}), (1.0, {"mixture.lean": "hold"})])
def test_a_lean_roll_holds_and_a_well_fuelled_one_says_nothing(lam, found):
    assert roll(lam=lam) == found


@pytest.mark.parametrize(("boost", "length_s"), [(36.0, 6.0), (65.0, 1.0)])
def test_little_boost_and_a_short_stab_are_nothing(boost, length_s):
    assert roll(boost=boost, length_s=length_s) == {}


def test_speed_that_falls_on_a_hill_is_no_fuel_cut():
    """Without a fuel cut in it the lean stretch is judged."""
    assert roll(boost=46.0, rpm=(3800.0, 3650.0)) == {"mixture.lean": "hold"}


@pytest.mark.parametrize(("oil", "found"), [(300.0, {}), (100.0, {"oil.pressure": "hold"})])
def test_oil_pressure_lost_in_a_bend_holds(oil, found):
    assert roll(lam=0.8, rpm=(3700.0, 3800.0), oil=oil) == found


def test_knock_in_a_roll_counts():
    assert roll(lam=0.8, knock=4.0) == {"knock.retard": "hold"}


@pytest.mark.parametrize(("limit_kpa", "found"), [(80.0, {}), (60.0, {"boost.over_limit": "hold"})])
def test_the_cars_limit_holds_outside_the_pulls_too(limit_kpa, found):
    assert roll(lam=0.8, limit_kpa=limit_kpa) == found
