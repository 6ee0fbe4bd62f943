import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from audit.model import Finding
from audit.report.display import linear, shown
from audit.report.page.marks import limit_levels
from audit.report.page.traces import MISSING, averaged, packed, thinned
from tests.report.nights import full_night

floats = st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=60)


def unpacked(column):
    code = np.frombuffer(base64.b64decode(column["data"]), "<i2").astype(float)
    return np.where(code == MISSING, np.nan, column["low"] + column["step"] * (code + 32767))


@given(floats)
def test_packed_values_come_back_within_half_a_step(values):
    values = np.array(values)
    column = packed(values)
    back = unpacked(column)
    assert (np.isnan(back) == np.isnan(values)).all()
    if np.isfinite(values).any():
        assert np.nanmax(np.abs(back - values)) <= 0.51 * column["step"] + 1e-9


@given(st.integers(1, 500), st.integers(8, 60), st.integers(0, 2**31))
def test_thinning_keeps_the_highest_and_the_lowest(n, most, seed):
    rng = np.random.default_rng(seed)
    t, v = np.arange(n) / 50.0, rng.normal(0, 1, n)
    v[rng.random(n) < 0.2] = np.nan
    kept_t, kept = thinned(t, {"a": v}, most)
    assert len(kept_t) == len(kept["a"]) <= max(most, 1) + 2
    assert (np.diff(kept_t) > 0).all()
    if np.isfinite(v).any():
        assert np.nanmax(kept["a"]) == np.nanmax(v) and np.nanmin(kept["a"]) == np.nanmin(v)


def test_averages_keep_a_ramp_and_its_gap_and_take_off_noise():
    t = np.arange(1000) / 100.0
    v = 5.0 * t + np.where(np.arange(1000) % 2, 1.0, -1.0)
    v[400:600] = np.nan
    kept_t, kept = averaged(t, {"a": v}, 50)
    there = np.isfinite(kept["a"])
    assert len(kept_t) <= 50 and 8 <= (~there).sum() <= 12
    assert np.abs(kept["a"] - 5.0 * kept_t)[there].max() < 1e-9


@pytest.mark.parametrize(
    ("value", "unit", "wanted"),
    # 1 psi = 6894.757 Pa, °F = 1.8 °C + 32, 1 mile = 1609.344 m: NIST SP 811 (2008), appendix B.8
    [
        (6.894757, "kPa", 1.0),
        (100.0, "°C", 212.0),
        (10.0, "K", 18.0),
        (1.609344, "km/h", 1.0),
        (0.9, "1", 0.9),
    ],
)
def test_us_units(value, unit, wanted):
    assert shown(value, unit, us=True) == pytest.approx(wanted, rel=1e-6)
    assert linear(unit, us=False) == (1.0, 0.0)


def finding(code, limit, unit):
    return Finding(code, "hold", "", None, 24.0, 25.0, None, limit, unit)


@pytest.mark.parametrize(
    ("code", "limit", "unit", "levels"),
    [
        ("boost.overshoot", 14.0, "kPa", [104.0]),  # from peak 92 less 2 over
        ("boost.overshoot", 10.0, "%", [99.0]),
        ("boost.over_limit", 3.0, "%", [133.9]),  # the car's limit is 130
        ("boost.oscillation", 30.0, "kPa", [75.0, 105.0]),
        ("mixture.lean", 0.9, "1", [0.9]),
        ("mixture.lean", 0.07, "1", [0.87]),  # above a logged target near 0.80
        ("heat.intake", 65.0, "°C", [65.0]),
        ("heat.intake", 25.0, "K", []),  # nothing measured to lay it on
        ("fuel.pressure_drop", 12.0, "%", []),
        ("traction.wheelspin", 8.0, "%", []),
    ],
)
def test_a_limit_lies_where_the_axis_says(code, limit, unit, levels):
    audit = full_night(pulls=1).logs[0].pulls[0]
    assert limit_levels(finding(code, limit, unit), audit.measures, audit.pull) == pytest.approx(
        levels, abs=0.01
    )
