"""What is told without a plain name: a clock by its steady rise, a flow by the unit glued on, an idling engine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from made import Made, drive, raw_log

from audit.intake import read_logs
from audit.intake.names.naming import column_scores
from audit.intake.raw import RawColumn, Rejected
from audit.intake.understand import understand
from audit.intake.units.candidates import reference_prior
from audit.model import Car, Log

PSI = 6.894757293168


def log_of(columns: list[Made], t: np.ndarray) -> Log:
    return understand(raw_log(columns, t), Car())


def written(path: Path, header: str, columns: list[np.ndarray]) -> Log | Rejected:
    rows = [",".join(f"{v:g}" for v in row) for row in zip(*columns, strict=True)]
    path.write_text(header + "\n" + "\n".join(rows) + "\n")
    (one,) = read_logs(path, car=Car())
    return one


@pytest.mark.parametrize("name", ["Tick (ms)", "tick count", "Counter", "Stand"])
def test_a_clock_of_another_name_with_one_step_back(tmp_path: Path, name: str) -> None:
    t = np.arange(200) * 50.0 + 81240.0
    t[120:] -= 1000.0
    rpm, kpa = 900 + (np.arange(200) * 37.0) % 400, 35 + np.arange(200) % 3
    log = written(tmp_path / "a.csv", f"RPM,MAP,{name}", [rpm, kpa, t])
    assert isinstance(log, Log), log
    assert log.rate_hz == pytest.approx(20.0) and log.breaks == (120,)


def test_row_numbers_are_no_clock(tmp_path: Path) -> None:
    n = np.arange(200.0)
    out = written(tmp_path / "a.csv", "Counter,RPM,MAP", [n, 900 + n * 7 % 400, 35 + n % 3])
    assert isinstance(out, Rejected) and "no time column" in out.error


def test_a_distance_is_no_clock(tmp_path: Path) -> None:
    n = np.arange(200.0)
    out = written(tmp_path / "a.csv", "Distance,RPM,MAP", [n * 0.05, 900 + n * 7 % 400, 35 + n % 3])
    assert isinstance(out, Rejected)


def test_the_error_names_the_column_that_is_the_clock(tmp_path: Path) -> None:
    n = np.arange(200.0)
    noise = n * 7919 % 331
    out = written(tmp_path / "a.csv", "Time,Injection time (ms),RPM", [noise, 2 + n % 3, noise])
    assert isinstance(out, Rejected)
    assert "'Time' goes back in" in out.error and "Injection" not in out.error


def test_the_clock_is_not_offered_for_a_channel_that_is_missing(tmp_path: Path) -> None:
    n = np.arange(200.0)
    header, columns = "Time (s),RPM,Analog 3", [n * 0.05, 900 + n * 7 % 400, 35 + n % 3]
    for analog in (True, False):
        end = None if analog else -1
        log = written(tmp_path / "a.csv", ",".join(header.split(",")[:end]), columns[:end])
        assert isinstance(log, Log), log
        offered = [m.message for m in log.notes if "No column was taken" in m.message]
        assert len(offered) == analog and all("one of Analog 3," in m for m in offered)


@pytest.mark.parametrize("header", ["BC duty", "BCS %", "EBC DC", "BC (%)"])
def test_duty_by_the_initials_of_boost_control(header: str) -> None:
    scores = column_scores(RawColumn(header, name=header))
    assert scores and scores[0][0] == "wastegate_duty"


@pytest.mark.parametrize("header", ["MAFgs", "MAF_gps", "mafgs", "MAF gps"])
def test_an_air_flow_with_its_unit_glued_on(header: str) -> None:
    d = drive()
    flow = d["engine_speed"] * d["manifold_pressure"] * 0.6e-4 * 2
    log = log_of([Made("RPM", d["engine_speed"]), Made(header, flow)], d["time"])
    assert log.by_name["mass_air_flow"].source_unit == "g/s"
    assert log.by_name["mass_air_flow"].unit_from == "header"


@pytest.mark.parametrize("header", ["MAP gauge", "Rel MAP", "MAP gauge pressure"])
def test_a_said_gauge_beats_what_map_implies(header: str) -> None:
    """A pull alone, from 4 kPa up: nothing but the name tells."""
    t = np.arange(80) * 0.05
    gauge = np.clip(4.0 + 40.0 * t, 4.0, 110.0)
    columns = [
        Made("RPM", 2500 + 900 * t),
        Made("TPS (%)", np.full(80, 100.0), "%"),
        Made(header, gauge, "kPa"),
    ]
    log = log_of(columns, t)
    assert log.has("manifold_pressure")
    assert "gauge" in log.by_name["manifold_pressure"].source_unit


def test_map_implies_nothing_where_gauge_is_said() -> None:
    said = reference_prior(frozenset({"manifold", "pressure", "gauge"}), ("map", "gauge"), None)
    plain = reference_prior(frozenset({"manifold", "pressure", "absolute"}), ("map",), None)
    assert said == reference_prior(frozenset({"gauge"}), ("manifold", "gauge"), None) > 0 > plain


def test_an_idling_engine_is_in_rpm_though_it_was_cranked() -> None:
    rpm = np.concatenate((np.full(60, 180.0), np.linspace(300, 900, 20), np.full(520, 820.0)))
    rpm += np.random.default_rng(1).normal(0, 12, 600)
    log = log_of([Made("Engine speed", rpm)], np.arange(600) * 0.1)
    assert log.by_name["engine_speed"].source_unit == "rpm"
    assert not log.by_name["engine_speed"].doubtful


def test_a_driven_engine_in_radians_is_still_seen() -> None:
    d = drive(stopped_s=0.0)
    log = log_of([Made("Engine speed", d["engine_speed"] / 9.549296585513721)], d["time"])
    assert log.by_name["engine_speed"].source_unit == "rad/s"


@pytest.mark.parametrize("unit", [1.0, 1.0 / PSI, 0.01])
@pytest.mark.parametrize("fast_idle", [True, False])
def test_the_manifold_of_an_idling_engine_is_absolute(unit: float, fast_idle: bool) -> None:
    rng = np.random.default_rng(2)
    rpm = (1450.0 if fast_idle else 820.0) + rng.normal(0, 15, 600)
    kpa = 34.0 + rng.normal(0, 0.5, 600)
    log = log_of([Made("RPM", rpm), Made("MAP", kpa * unit)], np.arange(600) * 0.1)
    assert "absolute" in log.by_name["manifold_pressure"].source_unit
    np.testing.assert_allclose(log.values("manifold_pressure"), kpa, rtol=0.01)


@pytest.mark.parametrize("air_c", [0.0, 15.0, 30.0])
def test_temperatures_beside_psi_and_mph_are_fahrenheit(air_c: float) -> None:
    d = drive()
    columns = [
        Made("RPM", d["engine_speed"]),
        Made("TPS", d["throttle_position"]),
        Made("Boost (psi)", (d["manifold_pressure"] - 99.0) / PSI, "psi", name="Boost"),
        Made("Speed (mph)", d["vehicle_speed"] / 1.609344, "mph", name="Speed"),
        Made("AFR", d["lambda"] * 14.7),
        Made("IAT", (d["intake_air_temp"] - 27.0 + air_c) * 1.8 + 32.0),
        Made("Coolant", d["coolant_temp"] * 1.8 + 32.0),
    ]
    log = log_of(columns, d["time"])
    for name in ("intake_air_temp", "coolant_temp"):
        assert log.by_name[name].source_unit == "°F" and not log.by_name[name].doubtful, name


@pytest.mark.parametrize("stray", [65535.0, 20000.0])
def test_no_single_reading_turns_engine_speed_over(stray: float) -> None:
    d = drive()
    rpm = d["engine_speed"].copy()
    rpm[600] = stray  # on the thinned rows too
    log = log_of([Made("Engine speed (rpm)", rpm, "rpm", name="Engine speed")], d["time"])
    channel = log.by_name["engine_speed"]
    assert channel.source_unit == "rpm" and not channel.doubtful
