import numpy as np
import pytest

from audit.model import FAIL, MISSING, SUSPECT, Car, Note
from audit.sanity.examine import examine

NEEDED = ("engine_speed", "manifold_pressure", "lambda", "intake_air_temp")


def codes(log, car=Car()):
    return {(f.code, f.channel, f.severity) for f in examine(log, car).findings}


def during(a, b, value):
    def change(t, v):
        v[(t >= a) & (t <= b)] = value
        return v

    return change


@pytest.mark.parametrize("coarse", [False, True])
@pytest.mark.parametrize("rate", [8.0, 10.0, 20.0, 50.0, 100.0])
def test_a_healthy_drive_is_quiet(make, rate, coarse):
    log = make(rate, coarse=coarse, seed=int(rate))
    sanity = examine(log, Car())
    assert sanity.findings == ()
    inside = {n: f for n, f in sanity.samples.items() if n != "lambda"}
    assert all((flags < SUSPECT).all() for flags in inside.values())


def test_five_rows_a_second_only_miss_the_oscillation(make):
    assert codes(make(5.0)) == {("sensor.slow", "manifold_pressure", "hold")}


def test_flags_are_as_long_as_the_log_and_blank_rows_are_missing(make):
    log = make(20.0, every={"intake_air_temp": 10})
    sanity = examine(log, Car())
    assert all(len(f) == log.rows for f in sanity.samples.values())
    assert (sanity.samples["intake_air_temp"] == MISSING).sum() == log.rows - log.rows // 10
    assert sanity.flags["intake_air_temp"] == 1
    assert sanity.findings == ()


def test_the_log_is_left_alone(make):
    log = make(20.0, change={"manifold_pressure": during(32, 32.3, 0.0)})
    before = log.frame.clone()
    examine(log, Car())
    assert log.frame.equals(before)


@pytest.mark.parametrize("name", NEEDED)
def test_a_missing_channel_that_a_required_check_needs_holds(make, name):
    assert ("sensor.missing", name, "hold") in codes(make(20.0, change={name: None}))


def test_a_missing_battery_voltage_says_nothing(make):
    assert codes(make(20.0, change={"battery_voltage": None})) == set()


def test_without_throttle_or_pedal_lost_boost_would_look_like_a_lift(make):
    without = {"throttle_position": None, "pedal_position": None}
    assert codes(make(20.0, change=without)) == {("sensor.missing", "throttle_position", "hold")}


def test_a_column_without_a_sample_is_missing(make):
    found = codes(make(20.0, change={"lambda": lambda t, v: np.full_like(t, np.nan)}))
    assert ("sensor.missing", "lambda", "hold") in found


def test_an_intake_sensor_with_a_broken_wire_is_pinned_at_its_rail(make):
    log = make(20.0, change={"intake_air_temp": during(20, 60, -40.0)})
    assert ("sensor.rail", "intake_air_temp", "hold") in codes(log)
    assert (examine(log, Car()).samples["intake_air_temp"][500:] == FAIL).all()


def test_manifold_pressure_falling_to_zero_is_a_dropout(make):
    log = make(20.0, change={"manifold_pressure": during(32, 32.3, 0.0)})
    sanity = examine(log, Car())
    assert ("sensor.dropout", "manifold_pressure", "note") in codes(log)
    assert set(sanity.samples["manifold_pressure"][642:645]) == {FAIL}


def test_a_manifold_sensor_frozen_from_the_pull_on_holds(make):
    assert ("sensor.flat_line", "manifold_pressure", "hold") in codes(
        make(20.0, change={"manifold_pressure": during(31.5, 60, 191.0)})
    )


def test_a_frozen_lambda_holds(make):
    assert ("sensor.flat_line", "lambda", "hold") in codes(
        make(20.0, change={"lambda": during(25, 60, 1.0)})
    )


def test_a_fuel_cut_at_the_lean_end_is_healthy(make):
    log = make(
        20.0,
        change={
            "throttle_position": during(36.1, 52, 2.0),
            "lambda": during(36.6, 52, 1.36),
            "manifold_pressure": during(36.3, 52, 27.0),
        },
    )
    assert codes(log) == set()


def test_lambda_at_its_lean_end_under_load_is_the_sensor_not_the_mixture(make):
    log = make(20.0, change={"lambda": during(29, 37, 1.36)})
    assert ("sensor.rail", "lambda", "hold") in codes(log)
    inside = examine(log, Car()).samples["lambda"][650:710]
    assert (inside == FAIL).all()


def test_lambda_still_falling_from_a_fuel_cut_as_the_load_begins_is_healthy(make):
    assert codes(make(20.0, change={"lambda": during(29, 30.6, 1.36)})) == set()


def test_a_cold_heater_is_not_believed_and_not_blamed(make):
    sanity = examine(make(20.0, change={"lambda": during(0, 9, 1.36)}), Car())
    assert set(sanity.samples["lambda"][66:180]) == {SUSPECT}
    assert sanity.findings == ()


def test_one_spike_is_a_note_and_a_train_a_watch(make):
    def spikes(n):
        def change(t, v):
            v[[int(20 * s) for s in np.linspace(18, 28, n)]] += 60
            return v

        return change

    assert ("sensor.spike", "manifold_pressure", "note") in codes(
        make(20.0, change={"manifold_pressure": spikes(1)})
    )
    assert ("sensor.spike", "manifold_pressure", "watch") in codes(
        make(20.0, change={"manifold_pressure": spikes(6)})
    )


def test_spikes_on_two_channels_at_once_point_to_a_ground(make):
    rows = [int(20 * s) for s in (18, 20, 22, 24, 26)]

    def by(height):
        def change(t, v):
            v[rows] += height
            return v

        return change

    log = make(20.0, change={"manifold_pressure": by(60), "battery_voltage": by(-4)})
    said = [f.message for f in examine(log, Car()).findings if f.code == "sensor.spike"]
    assert len(said) == 2 and all("shared ground" in text for text in said)


def test_a_coolant_sensor_that_leaps_is_not_believed_in_between(make):
    def leaps(t, v):
        for s in (12, 25, 33, 44):
            v[(t >= s) & (t < s + 2)] -= 30
        return v

    log = make(20.0, change={"coolant_temp": leaps})
    assert any(c == "sensor.rate_of_change" for c, *_ in codes(log))
    assert (examine(log, Car()).samples["coolant_temp"][661:699] >= SUSPECT).all()


def test_at_the_top_of_the_manifold_sensor_samples_stay_believed(make):
    log = make(20.0, change={"manifold_pressure": lambda t, v: np.minimum(v, 170.0)})
    sanity = examine(log, Car(sensor_top_kpa=170.0))
    assert sanity.tests["manifold_pressure"]["rail"] == SUSPECT
    assert (sanity.samples["manifold_pressure"] < SUSPECT).all()
    assert sanity.findings == ()


@pytest.mark.parametrize(("offset", "held"), [(2.5, False), (6.0, True), (-6.0, True)])
def test_two_pressure_sensors_in_still_air_must_agree(make, offset, held):
    log = make(20.0, change={"manifold_pressure": lambda t, v: v + offset})
    assert (("sensor.disagree", "manifold_pressure", "hold") in codes(log)) == held


def test_boost_at_a_shut_throttle_is_a_contradiction(make):
    log = make(20.0, change={"throttle_position": during(20, 60, 3.0)})
    assert ("sensor.disagree", "throttle_position", "hold") in codes(log)


def test_an_intake_far_hotter_than_a_cold_engine_is_a_contradiction(make):
    cold = {"coolant_temp": lambda t, v: v - 60, "intake_air_temp": lambda t, v: v + 20}
    assert ("sensor.disagree", "intake_air_temp", "hold") in codes(make(20.0, change=cold))
    assert codes(make(20.0, change={"coolant_temp": lambda t, v: v - 50})) == set()


def test_a_gap_in_the_rows_is_said_once_and_not_on_every_channel(make):
    log = make(20.0, drop_rows=lambda t: (t > 44) & (t < 46))
    assert codes(log) == {("sensor.gap", "time", "watch")}


def test_a_channel_blank_for_long_is_a_dropout_of_that_channel(make):
    found = codes(make(20.0, change={"lambda": during(31, 36, np.nan)}))
    assert found == {("sensor.dropout", "lambda", "hold")}


def test_a_broken_clock_is_a_watch(make):
    note = Note("The clock jumped back by 3 s", line=412, code="sensor.clock")
    assert ("sensor.clock", "time", "watch") in codes(make(20.0, notes=(note,)))


def test_a_doubtful_unit_holds_where_a_required_check_stands_on_it(make):
    doubt = {"doubtful": True, "source_unit": "psi gauge", "runner_up": "psi absolute"}
    assert ("sensor.unit_doubt", "manifold_pressure", "hold") in codes(
        make(20.0, channel={"manifold_pressure": doubt})
    )
    assert ("sensor.unit_doubt", "battery_voltage", "note") in codes(
        make(20.0, channel={"battery_voltage": doubt})
    )


def test_a_cranking_dip_of_the_battery_is_normal(make):
    assert codes(make(100.0, length_s=10.0)) == set()


def test_noise_is_told_in_the_channels_unit(make):
    assert examine(make(50.0), Car()).noise["manifold_pressure"] == pytest.approx(0.5, rel=0.2)


@pytest.mark.parametrize("rows", [1, 2, 3, 4])
def test_a_log_of_a_few_rows_survives(make, rows):
    assert examine(make(20.0, length_s=rows / 20.0), Car()) is not None


@pytest.mark.parametrize(("reads", "found"), [(215.0, True), (64.0, False)])
def test_a_charge_temperature_that_cannot_be_is_out_of_range_and_a_hot_one_is_not(
    make, reads, found
):
    change = {"intake_air_temp": lambda t, v: np.where(t > 20, reads + 0.4 * np.sin(t), v)}
    assert (
        ("sensor.range", "intake_air_temp", "hold") in codes(make(20.0, change=change))
    ) is found


@pytest.mark.parametrize("reads", [0.0, -0.7, 0.23, 612.0])
def test_a_short_fall_to_one_value_out_of_range_is_a_dropout(make, reads):
    log = make(20.0, change={"manifold_pressure": during(32, 32.3, reads)})
    assert "sensor.dropout" in {code for code, _, _ in codes(log)}
