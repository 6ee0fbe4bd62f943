"""Further sensors of one quantity: kept as NAME_2, NAME_3; copies, filtered and commanded columns are none."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made import AMBIENT, Made, drive, raw_log

from audit.intake import read_logs
from audit.intake.parquet import log_bytes, read_log
from audit.intake.schema import check_frame
from audit.intake.understand import suggest_channels, understand
from audit.intake.units.barometric import from_pair
from audit.model import Barometric, Car, ColumnWord, Log

PSI = 6.894757293168


def log_of(columns: list[Made], d: dict[str, np.ndarray], car: Car | None = None) -> Log:
    return understand(raw_log(columns, d["time"]), car or Car())


def scene(d: dict[str, np.ndarray]) -> list[Made]:
    return [
        Made("RPM", d["engine_speed"]),
        Made("TPS (%)", d["throttle_position"], "%", name="TPS"),
        Made("MAP", d["manifold_pressure"], "kPa"),
    ]


def noisy(values: np.ndarray, size: float, seed: int) -> np.ndarray:
    return values + np.random.default_rng(seed).normal(0, size, len(values))


def test_two_lambda_banks_are_both_kept() -> None:
    d = drive()
    lean = noisy(d["lambda"], 0.006, 7) + 0.09 * (d["throttle_position"] > 90)
    log = log_of([*scene(d), Made("Lambda B1", d["lambda"]), Made("Lambda B2", lean)], d)
    assert log.sensors("lambda") == ("lambda", "lambda_2")
    np.testing.assert_array_equal(log.values("lambda_2"), lean)
    assert log.by_name["lambda_2"].source == "Lambda B2"


def test_a_second_wideband_in_other_units_is_read_in_its_own() -> None:
    d = drive()
    other = noisy(d["lambda"], 0.006, 7) * 14.7
    log = log_of([*scene(d), Made("Wideband 1", d["lambda"]), Made("Wideband 2", other, "AFR")], d)
    np.testing.assert_allclose(log.values("lambda_2"), other / 14.7, rtol=1e-9)


def test_knock_of_every_cylinder_is_kept() -> None:
    d = drive()
    columns = [
        Made(f"Knock retard cyl {n}", d["knock_retard"] * (n == 3), "deg") for n in range(1, 5)
    ]
    log = log_of([*scene(d), *columns], d)
    named = [log.by_name[n] for n in log.sensors("knock_retard")]
    assert len(named) == 4 and {c.source for c in named} == {c.header for c in columns}
    worst = next(c.name for c in named if c.source.endswith("3"))
    assert log.values(worst).max() == 1.5


def test_two_charge_temperatures_are_kept() -> None:
    d = drive()
    hot = noisy(d["intake_air_temp"] + 30.0, 0.2, 3)
    log = log_of([*scene(d), Made("IAT 1", d["intake_air_temp"]), Made("IAT 2", hot)], d)
    assert log.sensors("intake_air_temp") == ("intake_air_temp", "intake_air_temp_2")
    assert np.nanmax(log.values("intake_air_temp_2")) > 60.0


@pytest.mark.parametrize(
    ("header", "make"),
    [
        ("AFR", lambda d: np.round(d["lambda"] * 14.7, 2)),  # the same sensor in another scale
        ("Lambda filtered", lambda d: noisy(d["lambda"], 0.006, 2)),
        ("Lambda target", lambda d: d["lambda_target"]),
        ("Lambda modelled", lambda d: noisy(d["lambda"], 0.006, 2)),
    ],
)
def test_what_is_no_second_sensor(header: str, make: object) -> None:
    d = drive()
    first = Made("Lambda", np.round(d["lambda"], 3))
    log = log_of([*scene(d), first, Made(header, make(d))], d)  # type: ignore[operator]
    assert log.sensors("lambda") == ("lambda",)
    assert log.by_name["lambda"].source == "Lambda"
    assert header in log.frame.columns or log.has("lambda_target")


def test_a_voltage_is_no_second_pressure() -> None:
    d = drive()
    volts = 0.4 + d["manifold_pressure"] / 65.0
    log = log_of([*scene(d), Made("MAP 2", volts, "V")], d)
    assert log.sensors("manifold_pressure") == ("manifold_pressure",)


def test_airbox_pressure_is_no_second_manifold_pressure() -> None:
    d = drive()
    box = noisy(np.full(len(d["time"]), 97.0), 0.3, 5)
    log = log_of([*scene(d), Made("Intake pressure", box, "kPa")], d)
    assert log.sensors("manifold_pressure") == ("manifold_pressure",)


@pytest.mark.parametrize("header", ["Boost", "Charge pressure", "Boost pressure gauge"])
@pytest.mark.parametrize("reads", [0.0, 9.5])
def test_a_gauge_that_stands_still_is_kept_to_be_judged(header: str, reads: float) -> None:
    d = drive()
    log = log_of([*scene(d), Made(header, np.full(len(d["time"]), reads), "psi")], d)
    assert log.by_name["manifold_pressure"].source == "MAP"
    assert log.by_name["manifold_pressure_2"].source == header


def test_absolute_and_gauge_give_ambient_pressure_between_them() -> None:
    d = {k: v[240:] for k, v in drive(ambient=79.0).items()}  # the engine runs all along
    d["time"] = d["time"] - d["time"][0]
    gauge = noisy((d["manifold_pressure"] - 79.0) / PSI, 0.03, 4)
    log = log_of([*scene(d), Made("Boost gauge", gauge, "psi")], d)
    assert log.barometric.source == "absolute less gauge manifold pressure"
    assert log.barometric.kpa == pytest.approx(79.0, abs=0.3)
    boost = log.values("manifold_pressure_2") - log.barometric.kpa
    np.testing.assert_allclose(boost, gauge * PSI, atol=1e-9)


def test_the_pair_leaves_out_where_the_gauge_stands_at_its_end() -> None:
    absolute = np.concatenate((np.full(100, 40.0), np.linspace(90.0, 180.0, 100)))
    gauge = np.maximum(absolute - 85.0, 0.0)
    found = from_pair(absolute, gauge)
    assert found is not None and found.kpa == pytest.approx(85.0) and found.uncertainty_kpa >= 1.0
    assert from_pair(absolute, np.linspace(0.0, 90.0, 200)) is None
    assert from_pair(absolute[:10], gauge[:10]) is None


@pytest.mark.parametrize("altitude", [None, 1800.0])
def test_boost_is_what_a_gauge_alone_reads(altitude: float | None) -> None:
    d = drive()
    gauge = (d["manifold_pressure"] - AMBIENT) / PSI
    columns = [*scene(d)[:2], Made("Boost", gauge, "psi")]
    log = log_of(columns, d, Car(altitude_m=altitude))
    boost = log.values("manifold_pressure") - log.barometric.kpa
    np.testing.assert_allclose(boost, gauge * PSI, atol=1e-9)


def test_the_car_file_may_name_the_second(tmp_path: Path) -> None:
    d = drive()
    other = noisy(d["lambda"], 0.01, 7)
    columns = [*scene(d), Made("Lambda", d["lambda"]), Made("Analog 7", other)]
    log = log_of(columns, d, Car(channels={"lambda_2": ColumnWord("Analog 7", "")}))
    assert log.by_name["lambda_2"].source == "Analog 7"
    assert 'lambda_2 = { column = "Analog 7"' in suggest_channels(log)


def test_they_outlive_parquet_and_meet_the_schema(tmp_path: Path) -> None:
    d = drive()
    log = log_of(
        [*scene(d), Made("Lambda 1", d["lambda"]), Made("Lambda 2", d["lambda"] * 1.02)], d
    )
    (tmp_path / "log.parquet").write_bytes(log_bytes(log))
    again = read_log(tmp_path / "log.parquet")
    assert again.sensors("lambda") == ("lambda", "lambda_2")
    assert check_frame(again.frame) == []
    wrong = again.frame.with_columns(lambda_2=again.frame["lambda_2"] * 100.0)
    assert any("lambda_2" in said for said in check_frame(wrong))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_no_single_reading_turns_retard_over(sign: float) -> None:
    """6.5° in the pulls, and one stray reading of the other sign, further out than any."""
    d = drive()
    pulled = sign * 6.5 * (d["knock_retard"] > 0)
    pulled[300] = -sign * 20.0
    log = log_of([*scene(d), Made("Knock retard", pulled)], d)
    channel = log.by_name["knock_retard"]
    assert channel.scale == sign and not channel.doubtful and "nought" in channel.unit_why
    assert np.nanmax(log.values("knock_retard")) == pytest.approx(20.0 if sign < 0 else 6.5, abs=14)
    assert np.sum(log.values("knock_retard") > 6.0) > 50


def test_a_retard_of_both_signs_is_in_doubt() -> None:
    d = drive()
    both = np.where(d["knock_retard"] > 0, -3.0, np.where(d["throttle_position"] < 5, 2.0, 0.0))
    log = log_of([*scene(d), Made("Knock retard", both)], d)
    assert log.by_name["knock_retard"].doubtful


def test_a_quiet_cylinder_has_the_sign_of_the_others() -> None:
    d = drive()
    quiet = np.zeros(len(d["time"]))
    columns = [Made("Knock retard 1", -d["knock_retard"]), Made("Knock retard 2", quiet)]
    log = log_of([*scene(d), *columns], d)
    assert [log.by_name[n].scale for n in log.sensors("knock_retard")] == [-1.0, -1.0]


def test_a_gauge_reading_stays_boost_over_any_ambient_pressure() -> None:
    d = drive()
    gauge = (d["manifold_pressure"] - AMBIENT) / PSI
    log = log_of([*scene(d)[:2], Made("Boost", gauge, "psi"), Made("Lambda", d["lambda"])], d)
    assert log.values("manifold_pressure") is log.values("manifold_pressure")
    assert log.values("lambda") is log.values("lambda")
    other = log.with_barometric(Barometric(80.0, "said", 1.0))
    boost = other.values("manifold_pressure") - other.barometric.kpa
    np.testing.assert_allclose(boost, gauge * PSI, atol=1e-9)
    assert other.values("lambda") is log.values("lambda")
    absolute = log_of(scene(d), d)
    same = absolute.with_barometric(Barometric(80.0, "said", 1.0))
    np.testing.assert_array_equal(
        same.values("manifold_pressure"), absolute.values("manifold_pressure")
    )


@pytest.mark.parametrize(("word", "there"), [("ERR", True), ("timeout", True), ("---", False)])
def test_a_sensor_that_only_says_error_is_a_channel_without_a_sample(
    tmp_path: Path, word: str, there: bool
) -> None:
    d = drive()
    rows = [
        f"{t:.2f},{r:.0f},{p:.1f},{word}"
        for t, r, p in zip(d["time"], d["engine_speed"], d["manifold_pressure"], strict=True)
    ]
    path = tmp_path / "night.csv"
    path.write_text("\n".join(["Time (s),RPM,MAP (kPa),EGT", *rows]) + "\n")
    (log,) = read_logs(path, car=Car())
    assert isinstance(log, Log)
    assert log.has("exhaust_gas_temp") is there
    if there:
        assert np.isnan(log.values("exhaust_gas_temp")).all()
