"""Evidence that is not there holds the night: a damage channel not believed in a pull, a pull of which a part is missing."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from audit.model import Car
from audit.night.screen import assemble, audit_log
from tests.sanity.conftest import drive, make_log

CAR = Car(boost_limit_kpa=130.0)
LATER = {"sha256": "1" * 64, "path": "later.csv"}


def night(*logs, car=CAR):
    return assemble([audit_log(log, car) for log in logs], car=car)


def blank(a, b, value=np.nan):
    return lambda t, v: np.where((t >= a) & (t <= b), value, v)


def oil(t, v):
    return 150.0 + 0.05 * drive(t)["engine_speed"] + 3.0 * np.sin(40.0 * t)


def knock(t, v):
    return np.where(np.sin(7.0 * t) > 0.99, 0.4, 0.0)


def damage(name, how):
    made = {"oil_pressure": oil, "knock_retard": knock}[name]
    return {name: lambda t, v: how(t, made(t, v))}


def codes(result):
    return {
        f.code for a in result.logs for p in a.pulls for f in p.findings if f.severity == "hold"
    }


@pytest.mark.parametrize("name", ["oil_pressure", "knock_retard"])
def test_an_optional_damage_channel_blank_in_the_pull_holds(name):
    assert night(make_log(change=damage(name, lambda t, v: v))).verdict == "clear"
    gone = night(make_log(change=damage(name, blank(29, 37))))
    assert (gone.verdict, codes(gone)) == ("hold", {"sensor.dropout"})


def test_a_damage_channel_of_which_no_sample_can_be_believed_holds():
    assert night(make_log(change=damage("oil_pressure", blank(0, 60, 2000.0)))).verdict == "hold"
    assert night(make_log(change=damage("knock_retard", blank(30, 36, -6.5)))).verdict == "hold"


def test_a_second_sensor_counts_like_the_first():
    second = {"lambda_2": lambda t, v: make_log(seed=4).values("lambda")}
    assert night(make_log(change=second)).verdict == "clear"
    gone = {"lambda_2": lambda t, v: blank(31, 36)(t, make_log(seed=4).values("lambda"))}
    assert night(make_log(change=gone)).verdict == "hold"


@pytest.mark.parametrize(
    "name", ["oil_pressure", "exhaust_gas_temp", "lambda_2", "manifold_pressure_2"]
)
def test_a_column_without_a_single_sample_is_not_logged_and_says_so(name):
    result = night(make_log(change={name: lambda t, v: np.full_like(t, np.nan)}))
    assert result.verdict == "clear"
    told = [f.severity for f in result.logs[0].findings if f.code == "sensor.missing"]
    assert told == ["note"]


@pytest.mark.parametrize("figure", [0.0, 412.0])
@pytest.mark.parametrize("name", ["oil_pressure", "fuel_pressure", "exhaust_gas_temp"])
def test_a_column_of_nothing_but_one_figure_holds(name, figure):
    result = night(make_log(change={name: lambda t, v: np.full_like(t, figure)}))
    assert result.verdict == "hold"


@pytest.mark.parametrize("name", ["oil_pressure", "fuel_pressure", "exhaust_gas_temp"])
def test_zeros_of_a_sensor_that_the_car_does_not_have_hold_nothing(name):
    log = make_log(change={name: lambda t, v: np.zeros_like(t)})
    assert f'not_fitted = ["{name}"]' in " ".join(night(log).reasons)
    assert night(log, car=dataclasses.replace(CAR, not_fitted=(name,))).verdict == "clear"


def test_a_second_bank_of_nothing_but_zeros_is_not_connected():
    result = night(make_log(change={"lambda_2": lambda t, v: np.zeros_like(t)}))
    assert result.verdict == "clear"


@pytest.mark.parametrize(("seconds", "verdict"), [(0.3, "clear"), (0.9, "hold")])
def test_a_hole_in_the_pull_as_long_as_a_gap_in_the_rows_holds(seconds, verdict):
    hole = damage("oil_pressure", blank(33, 33 + seconds))
    assert night(make_log(50.0, change=hole)).verdict == verdict


@pytest.mark.parametrize("rate", [10.0, 25.0])
def test_the_same_hole_in_cruise_is_a_note_at_any_rate(rate):
    result = night(make_log(rate, change={"lambda": blank(45, 45.9)}))
    assert result.verdict == "clear"
    assert all(f.severity == "note" for f in result.logs[0].findings)


def test_a_channel_too_slow_for_a_pull_takes_no_evidence_away():
    assert night(make_log(change={"oil_pressure": oil}, every={"oil_pressure": 160})).verdict == (
        "clear"
    )


def cut(log, at_s, *, torn):
    frame = log.frame.filter(log.frame["time"] <= at_s)
    last = float(frame["time"][-1])
    return dataclasses.replace(log, frame=frame, cut_off_s=last if torn else None)


@pytest.mark.parametrize(
    ("at_s", "torn", "verdict"),
    [(34.0, True, "hold"), (36.6, True, "hold"), (34.0, False, "hold"), (55.0, True, "clear"),
     (36.6, False, "clear")],
)  # fmt: skip
def test_a_log_cut_off_in_a_pull_or_right_after_it_holds(at_s, torn, verdict):
    result = night(cut(make_log(), at_s, torn=torn))
    assert result.verdict == verdict
    assert (codes(result) == {"sensor.gap"}) is (verdict == "hold")


def test_a_cut_in_cruise_is_told():
    (log,) = night(cut(make_log(), 55.0, torn=True)).logs
    assert [(f.code, f.severity) for f in log.findings] == [("sensor.gap", "note")]


def test_another_pull_of_the_same_gear_shows_the_whole():
    whole = dataclasses.replace(make_log(seed=3), **LATER)
    assert night(cut(make_log(), 34.0, torn=True), whole).verdict == "clear"


@pytest.mark.parametrize(("quicker", "verdict"), [(1.0, "clear"), (2.0, "hold")])
def test_without_a_gear_only_a_pull_that_climbs_alike_shows_the_whole(quicker, verdict):
    none = {"vehicle_speed": None}
    torn = cut(make_log(change=none), 34.5, torn=True)
    other = dataclasses.replace(make_log(20.0 * quicker, seed=3, change=none), **LATER)
    faster = other.frame.with_columns(time=other.frame["time"] / quicker)
    assert night(torn, dataclasses.replace(other, frame=faster)).verdict == verdict


def test_another_pull_at_another_duty_does_not():
    def duty(value):
        return {"wastegate_duty": lambda t, v: np.full_like(t, value)}

    torn = cut(make_log(change=duty(40.0)), 34.0, torn=True)
    same = dataclasses.replace(make_log(seed=3, change=duty(41.0)), **LATER)
    other = dataclasses.replace(make_log(seed=3, change=duty(45.0)), **LATER)
    assert night(torn, same).verdict == "clear"
    assert night(torn, other).verdict == "hold"


@pytest.mark.parametrize(
    ("a", "b", "verdict"), [(33, 34, "hold"), (35, 38, "hold"), (29, 32, "hold"), (44, 46, "clear")]
)
def test_a_gap_that_takes_a_part_of_the_pull_holds(a, b, verdict):
    assert night(make_log(drop_rows=lambda t: (t > a) & (t < b))).verdict == verdict


def test_a_restart_of_the_logger_in_the_pull_holds():
    log = make_log(drop_rows=lambda t: (t > 34) & (t < 34.3))
    row = int(np.searchsorted(log.time, 34.2))
    assert night(dataclasses.replace(log, breaks=(row,))).verdict == "hold"
    far = int(np.searchsorted(log.time, 45.0))
    assert night(dataclasses.replace(log, breaks=(far,))).verdict == "clear"


@pytest.mark.parametrize(("from_s", "verdict"), [(32.0, "hold"), (20.0, "clear")])
def test_a_log_that_begins_in_its_only_pull_holds(from_s, verdict):
    log = make_log()
    frame = log.frame.filter(log.frame["time"] >= from_s)
    result = night(dataclasses.replace(log, frame=frame))
    assert (result.verdict, "sensor.gap" in codes(result)) == (verdict, verdict == "hold")


@pytest.mark.parametrize(("reads", "verdict"), [(0.0, "hold"), (np.nan, "hold")])
def test_a_charge_temperature_that_falls_to_nothing_for_a_whole_pull_holds(reads, verdict):
    gone = {"intake_air_temp": blank(28.0, 38.0, reads)}
    assert night(make_log(change=gone)).verdict == verdict


@pytest.mark.parametrize("name", ["oil_pressure", "knock_retard"])
def test_a_damage_channel_whose_unit_is_a_guess_holds(name):
    """Half a bar of oil pressure may pass for five, in a unit that its header does not name."""
    log = make_log(change=damage(name, lambda t, v: v))
    assert night(log).verdict == "clear"
    guess = {"doubtful": True, "source_unit": "MPa gauge", "runner_up": "bar gauge"}
    channels = tuple(dataclasses.replace(c, **guess) if c.name == name else c for c in log.channels)
    assert night(dataclasses.replace(log, channels=channels)).verdict == "hold"
