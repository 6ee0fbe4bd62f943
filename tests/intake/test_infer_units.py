"""Units by physics: gauge or absolute, °F or °C, AFR or lambda, and doubt where nothing tells."""

from __future__ import annotations

import numpy as np
import pytest
from made import AMBIENT, Made, drive, raw_log

from audit.intake.understand import suggest_channels, understand
from audit.model import Car, Channel, ColumnWord, Log

PSI = 6.894757293168
KPA = {
    "kPa": 1.0,
    "psi": PSI,
    "bar": 100.0,
    "mbar": 0.1,
    "hPa": 0.1,
    "kg/cm2": 98.0665,
    "inHg": 3.386389,
}


def log_of(columns: list[Made], d: dict[str, np.ndarray], car: Car | None = None) -> Log:
    return understand(raw_log(columns, d["time"]), car or Car())


def scene(d: dict[str, np.ndarray]) -> list[Made]:
    return [
        Made("RPM", d["engine_speed"]),
        Made("TPS (%)", d["throttle_position"], "%", name="TPS"),
    ]


def pressure(
    d: dict[str, np.ndarray], header: str, unit: str, *, gauge: bool, stated: bool = True
) -> tuple[Log, Channel]:
    value = (d["manifold_pressure"] - (AMBIENT if gauge else 0.0)) / KPA[unit]
    log = log_of([*scene(d), Made(header, value, unit if stated else "", name=header)], d)
    return log, log.by_name["manifold_pressure"]


@pytest.mark.parametrize("gauge", [True, False])
@pytest.mark.parametrize("stated", [True, False])
@pytest.mark.parametrize("unit", ["kPa", "psi", "bar", "mbar"])
@pytest.mark.parametrize("header", ["MAP", "Boost", "Manifold Pressure"])
def test_gauge_or_absolute_is_told_by_physics_not_by_name(
    header: str, unit: str, gauge: bool, stated: bool
) -> None:
    d = drive()
    log, channel = pressure(d, header, unit, gauge=gauge, stated=stated)
    assert ("gauge" in channel.source_unit) is gauge and not channel.doubtful, channel
    np.testing.assert_allclose(
        log.values("manifold_pressure"), d["manifold_pressure"], atol=101.4 - AMBIENT
    )


@pytest.mark.parametrize("gauge", [True, False])
def test_a_pull_alone_still_tells(gauge: bool) -> None:
    d = {k: v[(drive()["time"] > 18.0) & (drive()["time"] < 22.0)] for k, v in drive().items()}
    d["time"] = d["time"] - d["time"][0]
    log, channel = pressure(d, "MAP", "psi", gauge=gauge)
    assert ("gauge" in channel.source_unit) is gauge, channel


def test_a_boost_column_cut_off_at_zero_is_gauge() -> None:
    d = drive()
    value = np.clip((d["manifold_pressure"] - AMBIENT) / PSI, 0, None)
    log = log_of([*scene(d), Made("MAP (psi)", value, "psi", name="MAP")], d)
    assert "gauge" in log.by_name["manifold_pressure"].source_unit


def test_without_engine_speed_or_throttle_vacuum_and_boost_tell() -> None:
    d = drive()
    log = log_of([Made("MAP", (d["manifold_pressure"] - AMBIENT) / PSI)], d)
    assert log.by_name["manifold_pressure"].source_unit == "psi gauge"


def test_inches_of_vacuum_with_psi_of_boost_are_seen() -> None:
    d = drive()
    gauge = d["manifold_pressure"] - AMBIENT
    value = np.where(gauge < 0, gauge / 3.386389, gauge / PSI)
    log = log_of([*scene(d), Made("Boost (psi)", value, "psi", name="Boost")], d)
    channel = log.by_name["manifold_pressure"]
    assert "inHg" in channel.source_unit or channel.doubtful
    assert log.values("manifold_pressure").max() > 180  # the safer reading


def test_a_stated_unit_that_physics_contradicts_is_doubted() -> None:
    d = drive()
    log = log_of(
        [
            *scene(d),
            Made("MAP (kPa)", d["manifold_pressure"] / 100, "kPa", name="MAP"),
            Made("ECT (C)", d["coolant_temp"] * 1.8 + 32, "C", name="ECT"),
        ],
        d,
    )
    for name in ("manifold_pressure", "coolant_temp"):
        assert log.by_name[name].doubtful, log.by_name[name]
    assert any("ECT" in n.message and "not sure" in n.message for n in log.notes)


@pytest.mark.parametrize("us", [True, False])
def test_temperatures_without_units_are_judged_together(us: bool) -> None:
    d = drive()
    turn = (lambda c: c * 1.8 + 32) if us else (lambda c: c)
    log = log_of(
        [
            *scene(d),
            *[
                Made(h, turn(d[c]))
                for h, c in (
                    ("IAT", "intake_air_temp"),
                    ("ECT", "coolant_temp"),
                    ("Oil Temp", "oil_temp"),
                )
            ],
        ],
        d,
    )
    for name in ("intake_air_temp", "coolant_temp", "oil_temp"):
        assert not log.by_name[name].doubtful, log.by_name[name]
        np.testing.assert_allclose(log.values(name), d[name], atol=0.01)
    assert log.us_units is us


def test_one_air_temperature_alone_is_a_doubt() -> None:
    d = drive()
    log = log_of([*scene(d), Made("IAT", d["intake_air_temp"] + 8)], d)
    assert log.by_name["intake_air_temp"].doubtful


@pytest.mark.parametrize(
    ("header", "factor"), [("AFR", 14.7), ("Lambda", 1.0), ("Lambda", 14.7), ("AFR", 1.0)]
)
def test_afr_or_lambda_by_size_whatever_the_name(header: str, factor: float) -> None:
    d = drive()
    log = log_of([*scene(d), Made(header, d["lambda"] * factor)], d)
    np.testing.assert_allclose(log.values("lambda"), d["lambda"], rtol=1e-9)
    assert not log.by_name["lambda"].doubtful


def test_phi_is_turned_over() -> None:
    d = drive()
    log = log_of([*scene(d), Made("Equivalence ratio phi", 1 / d["lambda"])], d)
    np.testing.assert_allclose(log.values("lambda"), d["lambda"], rtol=1e-9)


def test_a_commanded_equivalence_ratio_below_one_under_boost_is_lambda() -> None:
    d = drive()
    log = log_of([*scene(d), Made("Commanded Equivalence Ratio", d["lambda_target"])], d)
    np.testing.assert_array_equal(log.values("lambda_target"), d["lambda_target"])


def test_an_ethanol_car_with_a_petrol_scale_gauge() -> None:
    d = drive()
    car = Car(fuel="E85", stoichiometric_afr=9.8)
    for factor in (14.7, 9.8):
        log = log_of([*scene(d), Made("AFR", d["lambda"] * factor)], d, car)
        np.testing.assert_allclose(log.values("lambda"), d["lambda"], rtol=1e-9)


@pytest.mark.parametrize(
    ("header", "factor"), [("RPM", 1.0), ("RPM", 0.001), ("Engine Speed", np.pi / 30)]
)
def test_engine_speed_by_size(header: str, factor: float) -> None:
    d = drive()
    log = log_of([Made(header, d["engine_speed"] * factor)], d)
    np.testing.assert_allclose(log.values("engine_speed"), d["engine_speed"], rtol=1e-9)


@pytest.mark.parametrize(("scale", "offset"), [(1.0, 0.0), (0.01, 0.0), (2.55, 0.0), (0.04, 0.5)])
def test_a_throttle_in_percent_fraction_byte_or_volts(scale: float, offset: float) -> None:
    d = drive()
    log = log_of(
        [Made("RPM", d["engine_speed"]), Made("TPS", d["throttle_position"] * scale + offset)], d
    )
    np.testing.assert_allclose(log.values("throttle_position"), d["throttle_position"], atol=1.5)


def test_a_throttle_that_tops_out_at_82_is_kept_as_it_is() -> None:
    d = drive()
    log = log_of([Made("RPM", d["engine_speed"]), Made("TPS", d["throttle_position"] * 0.82)], d)
    assert log.values("throttle_position").max() == pytest.approx(82, abs=1.5)


def test_speed_by_the_cars_gearing() -> None:
    d = drive()
    circumference = 1.841
    car = Car(
        gear_ratios=(3.3, 1.95, 47.0 * 3.6 * circumference / 60 / 4.1, 1.03),
        final_drive=4.1,
        circumference_m=circumference,
    )
    for factor in (1.0, 1 / 1.609344):
        log = log_of([*scene(d), Made("Speed", d["vehicle_speed"] * factor)], d, car)
        np.testing.assert_allclose(log.values("vehicle_speed"), d["vehicle_speed"], rtol=1e-9)
        assert not log.by_name["vehicle_speed"].doubtful


def test_speed_without_unit_or_gearing_is_a_doubt() -> None:
    d = drive()
    assert (
        log_of([*scene(d), Made("Speed", d["vehicle_speed"])], d).by_name["vehicle_speed"].doubtful
    )


def test_knock_retard_logged_negative_is_turned_over() -> None:
    d = drive()
    log = log_of([Made("Knock Retard", -d["knock_retard"])], d)
    np.testing.assert_array_equal(log.values("knock_retard"), d["knock_retard"])


@pytest.mark.parametrize("gauge", [True, False])
def test_a_boost_target_becomes_gauge(gauge: bool) -> None:
    d = drive()
    target = d["boost_target"] + (0.0 if gauge else AMBIENT)
    log = log_of(
        [
            *scene(d),
            Made("MAP (kPa)", d["manifold_pressure"], "kPa", name="MAP"),
            Made("Boost Target (kPa)", target, "kPa", name="Boost Target"),
            Made("Baro", d["barometric_pressure"]),
        ],
        d,
    )
    np.testing.assert_allclose(log.values("boost_target"), d["boost_target"], atol=0.1)


def target_of(header: str, reached: float, target: float, car: Car) -> tuple[float, bool]:
    """Boost target, kPa gauge, as read from a column of one value beside held boost; and whether in doubt."""
    d = drive()
    gauge = d["manifold_pressure"] - AMBIENT
    scale = reached / float(np.quantile(gauge, 0.99))
    log = log_of(
        [
            *scene(d),
            Made("MAP (kPa)", np.where(gauge > 0, gauge * scale, gauge) + AMBIENT),
            Made(header, np.full(len(gauge), target)),
            Made("Baro", d["barometric_pressure"]),
        ],
        d,
        car,
    )
    return float(np.median(log.values("boost_target"))), log.by_name["boost_target"].doubtful


@pytest.mark.parametrize(
    ("header", "unit"), [("Boost target gauge (kPa)", 1.0), ("Boost target gauge (psi)", PSI)]
)
@pytest.mark.parametrize("reached", [55.0, 68.0, 100.0])
def test_a_target_called_gauge_is_gauge_however_far_boost_is_from_it(
    header: str, unit: float, reached: float
) -> None:
    found, doubt = target_of(header, reached, 154.0 / unit, Car())
    assert found == pytest.approx(154.0, abs=1.0)
    assert not doubt


@pytest.mark.parametrize(("logged", "gauge"), [(154.0, 154.0), (154.0 + AMBIENT, 154.0)])
def test_the_car_file_s_target_tells_gauge_from_absolute(logged: float, gauge: float) -> None:
    car = Car(target_kpa=154.0)
    found, doubt = target_of("boost_target", 66.0, logged, car)
    assert found == pytest.approx(gauge, abs=1.5)
    assert not doubt


def test_boost_near_a_target_of_unknown_reference_decides_nothing_alone() -> None:
    assert target_of("boost_target", 55.0, 154.0, Car())[1]
    found, doubt = target_of("boost_target", 150.0, 154.0, Car())
    assert found == pytest.approx(154.0, abs=1.0)
    assert not doubt


def test_map_beside_boost_are_two_readings_of_one_pressure() -> None:
    d = drive()
    log = log_of(
        [
            *scene(d),
            Made("Boost (psi)", (d["manifold_pressure"] - AMBIENT) / PSI, "psi", name="Boost"),
            Made("MAP (kPa)", d["manifold_pressure"], "kPa", name="MAP"),
        ],
        d,
    )
    assert log.by_name["manifold_pressure"].source == "MAP (kPa)"
    assert log.by_name["manifold_pressure_2"].source == "Boost (psi)"
    np.testing.assert_allclose(
        log.values("manifold_pressure_2"), d["manifold_pressure"], rtol=0, atol=1.0
    )


@pytest.mark.parametrize(
    ("columns", "altitude", "source", "kpa"),
    [
        (("Baro",), None, "barometric channel", AMBIENT),
        ((), None, "manifold pressure with the engine stopped", AMBIENT),
        ((), 1500.0, "manifold pressure with the engine stopped", AMBIENT),
    ],
)
def test_ambient_pressure_is_named(
    columns: tuple[str, ...], altitude: float | None, source: str, kpa: float
) -> None:
    d = drive()
    made = [
        *scene(d),
        Made("MAP (kPa)", d["manifold_pressure"], "kPa", name="MAP"),
        *[Made(c, d["barometric_pressure"]) for c in columns],
    ]
    found = log_of(made, d, Car(altitude_m=altitude)).barometric
    assert found.source == source and found.kpa == pytest.approx(kpa, abs=0.6)


def test_the_cars_altitude_serves_a_gauge_sensor() -> None:
    d = drive(ambient=84.56)
    log = log_of(
        [*scene(d), Made("Boost (kPa)", d["manifold_pressure"] - 84.56, "kPa", name="Boost")],
        d,
        Car(altitude_m=1500.0),
    )
    assert (
        log.barometric.kpa == pytest.approx(84.56, abs=0.01) and "altitude" in log.barometric.source
    )
    np.testing.assert_allclose(log.values("manifold_pressure"), d["manifold_pressure"], atol=0.05)


def test_a_high_altitude_log_is_not_taken_for_gauge() -> None:
    d = drive(ambient=78.0, peak=170.0)
    value = d["manifold_pressure"]
    log = log_of([*scene(d), Made("MAP (kPa)", value, "kPa", name="MAP")], d)
    assert log.by_name["manifold_pressure"].source_unit == "kPa absolute"
    assert log.barometric.kpa == pytest.approx(78.0, abs=0.6)


def test_the_car_files_unit_wins() -> None:
    d = drive()
    car = Car(
        channels={
            "intake_air_temp": ColumnWord("Air 7", "degF"),
            "manifold_pressure": ColumnWord("Analog 3", "psi gauge"),
        }
    )
    log = log_of(
        [
            *scene(d),
            Made("Air 7", d["intake_air_temp"] * 1.8 + 32),
            Made("Analog 3", (d["manifold_pressure"] - AMBIENT) / PSI),
        ],
        d,
        car,
    )
    assert log.by_name["intake_air_temp"].unit_from == "car file"
    np.testing.assert_allclose(log.values("intake_air_temp"), d["intake_air_temp"], atol=1e-9)
    assert log.by_name["manifold_pressure"].source_unit == "psi gauge"


def test_a_unit_of_the_car_file_that_is_none_is_said() -> None:
    d = drive()
    log = log_of(
        [Made("IAT", d["intake_air_temp"])],
        d,
        Car(channels={"intake_air_temp": ColumnWord("IAT", "furlong")}),
    )
    assert any("furlong" in n.message and "°C" in n.message for n in log.notes)


def test_the_suggested_block_reads_back_the_same() -> None:
    import tomllib

    d = drive()
    columns = [
        *scene(d),
        Made("Boost (psi)", (d["manifold_pressure"] - AMBIENT) / PSI, "psi", name="Boost"),
        Made('IAT "2" (F)', d["intake_air_temp"] * 1.8 + 32, "F", name="IAT"),
    ]
    log = log_of(columns, d)
    words = {
        k: ColumnWord(**v) for k, v in tomllib.loads(suggest_channels(log))["channels"].items()
    }
    again = log_of(columns, d, Car(channels=words))
    assert {c.name: (c.source, c.source_unit, c.scale) for c in again.channels} == {
        c.name: (c.source, c.source_unit, c.scale) for c in log.channels
    }
    assert not any(c.doubtful for c in again.channels)


def test_odd_content_is_survived() -> None:
    time = np.arange(30) / 10
    nothing = np.full(30, np.nan)
    log = understand(
        raw_log(
            [
                Made("RPM", nothing),
                Made("MAP", nothing),
                Made("AFR", np.zeros(30)),
                Made("x", np.array(["a"] * 30)),
            ],
            time,
        ),
        Car(),
    )
    assert log.rows == 30
    assert understand(raw_log([Made("MAP", np.array([101.0]))], np.zeros(1)), Car()).rows == 1


def test_a_throttle_that_tops_out_short_of_full_is_told_and_a_full_one_is_not():
    d = drive()
    for top, told in ((0.84, True), (1.0, False)):
        columns = [
            Made("RPM", d["engine_speed"]),
            Made("TPS", d["throttle_position"] * top, "%"),
            Made("MAP", d["manifold_pressure"], "kPa"),
        ]
        notes = [n.message for n in understand(raw_log(columns, d["time"]), Car()).notes]
        assert any("tops out" in m for m in notes) == told


def test_the_car_files_stoichiometric_ratio_stands():
    d = drive()
    columns = [
        Made("RPM", d["engine_speed"]),
        Made("TPS", d["throttle_position"], "%"),
        Made("AFR", d["lambda"] * 14.1),
    ]
    log = understand(raw_log(columns, d["time"]), Car(path="car.toml", stoichiometric_afr=14.1))
    (afr,) = [c for c in log.channels if c.name == "lambda"]
    assert (afr.doubtful, afr.scale) == (False, pytest.approx(1 / 14.1))


def test_an_ethanol_cars_gauge_on_the_petrol_scale_is_told_by_its_cruise():
    d = drive()
    columns = [
        Made("RPM", d["engine_speed"]),
        Made("TPS", d["throttle_position"], "%"),
        Made("AFR", d["lambda"] * 14.7),
    ]
    log = understand(raw_log(columns, d["time"]), Car(path="car.toml", stoichiometric_afr=9.8))
    (afr,) = [c for c in log.channels if c.name == "lambda"]
    assert afr.scale == pytest.approx(1 / 14.7)


def test_lambda_at_free_air_is_not_taken_for_its_inverse():
    d = drive()
    pegged = np.where(d["throttle_position"] > 90, 1.6, d["lambda"])
    columns = [
        Made("RPM", d["engine_speed"]),
        Made("TPS", d["throttle_position"], "%"),
        Made("Lambda", pegged),
    ]
    (found,) = [
        c for c in understand(raw_log(columns, d["time"]), Car()).channels if c.name == "lambda"
    ]
    assert found.source_unit == "lambda"


@pytest.mark.parametrize("other", ["kPa", "psi"])
def test_a_boost_column_without_a_unit_is_not_doubted_for_an_exotic_one(other):
    d = drive()
    scale = 1.0 if other == "kPa" else 1 / 6.894757293168
    columns = [
        Made("RPM", d["engine_speed"]),
        Made("TPS", d["throttle_position"], "%"),
        Made("boost", (d["manifold_pressure"] - 99.0) * scale),
    ]
    (found,) = [
        c
        for c in understand(raw_log(columns, d["time"]), Car()).channels
        if c.name == "manifold_pressure"
    ]
    assert (found.source_unit, found.doubtful) == (f"{other} gauge", False)


def test_air_flow_without_a_unit_is_told_by_the_engine_it_would_need():
    d = drive()
    for scale, unit in ((1.0, "g/s"), (1 / 7.559872833, "lb/min")):
        columns = [
            Made("RPM", d["engine_speed"]),
            Made("MAP", d["manifold_pressure"], "kPa"),
            Made("MAF", d["mass_air_flow"] * scale),
        ]
        (found,) = [
            c
            for c in understand(raw_log(columns, d["time"]), Car()).channels
            if c.name == "mass_air_flow"
        ]
        assert (found.source_unit, found.doubtful) == (unit, False)


def test_a_cold_start_in_fahrenheit_is_told_or_doubted_by_how_fast_coolant_can_warm():
    d = drive(seconds=45.0, stopped_s=0.0, idle_s=0.0)
    water = -1.0 + 0.9 * d["time"]
    columns = [
        Made("RPM", d["engine_speed"]),
        Made("TPS", d["throttle_position"], "%"),
        Made("ECT", water * 1.8 + 32),
        Made("IAT", 6.0 * 1.8 + 32 + 0.1 * d["time"]),
    ]
    found = [
        c
        for c in understand(raw_log(columns, d["time"]), Car()).channels
        if c.name in ("coolant_temp", "intake_air_temp")
    ]
    assert all(c.source_unit == "°F" or c.doubtful for c in found)


def test_an_explicit_gauge_is_not_outweighed_by_a_name_that_means_absolute() -> None:
    """'MAP' leans to absolute by itself; 'MAP gauge' does not lean there at all."""
    from audit.intake.units.candidates import reference_prior

    assert reference_prior(frozenset(), ["map"], None) < 0
    assert reference_prior(frozenset({"gauge"}), ["map", "gauge"], None) == reference_prior(
        frozenset({"gauge"}), ["pressure", "gauge"], None
    )
    assert reference_prior(frozenset({"gauge"}), ["map", "gauge"], None) > 2.0


def test_an_engine_that_runs_down_keeps_the_unit_that_its_header_states() -> None:
    """700 to 0 under 'rpm' is an engine switched off at idle, not one that turned 6,700 rpm in rad/s."""
    t = np.arange(0.0, 20.0, 0.05)
    rpm = np.clip(705.0 - 60.0 * t, 0.0, None)
    state = {"time": t, "engine_speed": rpm}
    log = log_of([Made("Engine speed (rpm)", rpm, "rpm", name="Engine speed")], state)
    assert (log.by_name["engine_speed"].source_unit, log.by_name["engine_speed"].doubtful) == (
        "rpm",
        False,
    )


@pytest.mark.parametrize(("rest", "reference"), [(14.4, "absolute"), (0.0, "gauge")])
def test_a_target_that_asks_for_full_boost_at_rest_is_absolute(rest: float, reference: str) -> None:
    d = drive()
    open_wide = d["throttle_position"] > 80
    target = np.where(open_wide, 27.5 if rest else 13.0, rest)
    log = log_of([*scene(d), Made("TargetBoost_psi", target)], d)
    found = log.by_name["boost_target"]
    assert found.doubtful or reference in found.source_unit


@pytest.mark.parametrize(("over", "reference"), [(0.0, "gauge"), (AMBIENT, "absolute")])
def test_the_car_files_target_tells_the_reference_of_one_that_moves_and_never_rests(
    over: float, reference: str
) -> None:
    """A base run: boost is far under a target that follows engine speed from idle on."""
    d = drive(peak=AMBIENT + 68.0)
    target = 110.0 + 0.001 * d["engine_speed"] + over
    log = log_of([*scene(d), Made("Boost target", target)], d, Car(target_kpa=116.0))
    assert 105.0 < float(np.nanmedian(log.values("boost_target"))) < 120.0
    assert reference in log.by_name["boost_target"].source_unit
