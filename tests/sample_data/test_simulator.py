"""The simulator: repeatable, healthy where it says so, and each fault visible in the direction it claims."""

from __future__ import annotations

import gzip
import importlib
import json
import sys
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

SAMPLES = Path(__file__).resolve().parents[2] / "sample_data"
sys.path.insert(0, str(SAMPLES))
sim: Any = importlib.import_module("simulate")

PULLS = (sim.PullPlan(3, 2800, 6500), sim.PullPlan(2, 2900, 6500))
NIGHT = sim.NightParams(
    drives=(sim.DrivePlan(PULLS, cooldown_s=30, blips=1, tip_ins=1, stop_chance=0),)
)


def night_with(code: str, severity: float = 1.0, **options: Any) -> Any:
    return sim.simulate_night(sim.with_fault(NIGHT, code, severity, **options), 3)


def worst(night: Any, measure: str) -> float:
    return max(float(p.measures[measure]) for p in night.truth.pulls)


def least(night: Any, measure: str) -> float:
    return min(float(p.measures[measure]) for p in night.truth.pulls)


@pytest.fixture(scope="module")
def healthy() -> Any:
    return sim.simulate_night(NIGHT, 3)


def test_the_same_seed_gives_the_same_night(healthy: Any) -> None:
    again = sim.simulate_night(NIGHT, 3).logs[0].frame
    assert all(
        np.array_equal(again.columns[c], v, equal_nan=True)
        for c, v in healthy.logs[0].frame.columns.items()
    )


def test_another_seed_gives_another_night(healthy: Any) -> None:
    other = sim.simulate_night(NIGHT, 4).logs[0].frame
    assert not np.array_equal(
        other.columns["manifold_pressure"][:500],
        healthy.logs[0].frame.columns["manifold_pressure"][:500],
    )


def test_every_planned_pull_is_in_the_truth(healthy: Any) -> None:
    assert [p.gear for p in healthy.truth.pulls] == [3, 2]
    assert all(p.end_s - p.start_s > 1.5 for p in healthy.truth.pulls)


def test_the_log_shows_the_throttle_open_in_each_true_pull(healthy: Any) -> None:
    frame = healthy.logs[0].frame
    for pull in healthy.truth.pulls:
        inside = (frame.time > pull.start_s + 0.1) & (frame.time < pull.end_s - 0.1)
        assert frame.columns["throttle_position"][inside].min() > 89


def test_boost_peaks_in_the_log_where_the_truth_says(healthy: Any) -> None:
    frame = healthy.logs[0].frame
    gauge = frame.columns["manifold_pressure"] - frame.columns["barometric_pressure"]
    peak = max(p.measures["boost_peak_kpa"] for p in healthy.truth.pulls)
    assert gauge.max() == pytest.approx(peak, abs=3.0)


def test_with_the_engine_off_both_pressure_sensors_agree(healthy: Any) -> None:
    columns = healthy.logs[0].frame.columns
    off = columns["engine_speed"][:60] == 0
    assert np.abs(columns["manifold_pressure"] - columns["barometric_pressure"])[:60][off].max() < 2


@pytest.mark.parametrize("seed", range(6))
def test_random_healthy_nights_keep_clear_of_the_hold_limits(seed: int) -> None:
    """Limits: common practice, no published source (overshoot 8 %, swing 7 kPa, lambda 0.86, charge 65 °C, and so on)."""
    night = sim.simulate_night(sim.random_params(np.random.default_rng(seed)), seed)
    assert night.truth.verdict == "clear"
    assert worst(night, "boost_overshoot_pct") < 5
    assert worst(night, "lambda_max") < 0.86
    assert worst(night, "intake_peak_c") < 60
    assert 75 < least(night, "coolant_min_c") <= worst(night, "coolant_peak_c") < 100
    assert worst(night, "injector_duty_max_pct") < 85
    assert worst(night, "knock_retard_max_deg") < 2
    assert least(night, "battery_min_v") > 13.0
    assert least(night, "oil_kpa_per_krpm_min") > 55


@pytest.mark.parametrize(
    ("code", "measure", "limit"),
    [
        ("boost.overshoot", "boost_overshoot_pct", 15),
        ("boost.creep", "swing_late_kpa", 15),
        ("boost.oscillation", "swing_late_kpa", 30),
        ("boost.fade", "swing_late_kpa", 12),
        ("mixture.lean", "lambda_mean", 0.95),
        ("mixture.lean_spike", "lambda_max", 0.95),
        ("mixture.drifts_lean", "lambda_max", 0.95),
        ("heat.coolant", "coolant_peak_c", 115),
        ("fuel.injector_limit", "injector_duty_max_pct", 98),
        ("knock.retard", "knock_retard_max_deg", 6),
        ("heat.intake", "intake_peak_c", 65),
    ],
)
def test_a_clear_cut_fault_passes_its_upper_limit_and_a_healthy_car_does_not(
    code: str, measure: str, limit: float, healthy: Any
) -> None:
    assert worst(healthy, measure) < limit < worst(night_with(code), measure)


@pytest.mark.parametrize(
    ("code", "measure", "limit"),
    [
        ("boost.under_target", "boost_settled_kpa", 82),
        ("control.saturated", "boost_settled_kpa", 82),
        ("mixture.rich", "lambda_mean", 0.68),
        ("fuel.pressure_drop", "fuel_differential_min_kpa", 240),
        ("heat.cold", "coolant_min_c", 65),
        ("electrical.voltage", "battery_min_v", 11.0),
        ("oil.pressure", "oil_kpa_per_krpm_min", 40),
    ],
)
def test_a_clear_cut_fault_falls_below_its_lower_limit_and_a_healthy_car_does_not(
    code: str, measure: str, limit: float, healthy: Any
) -> None:
    assert least(night_with(code), measure) < limit < least(healthy, measure)


@pytest.mark.parametrize(
    "code",
    [
        "boost.overshoot",
        "boost.creep",
        "boost.oscillation",
        "mixture.lean",
        "heat.intake",
        "knock.retard",
    ],
)
def test_severity_makes_a_fault_worse(code: str) -> None:
    measure = {
        "boost.overshoot": "boost_overshoot_pct",
        "mixture.lean": "lambda_mean",
        "heat.intake": "intake_peak_c",
        "knock.retard": "knock_retard_max_deg",
    }.get(code, "swing_late_kpa")
    assert (
        worst(night_with(code, 0.0), measure)
        < worst(night_with(code, 0.5), measure)
        < worst(night_with(code, 1.0), measure)
    )


def test_boost_over_the_limit_is_over_the_limit() -> None:
    assert (
        worst(night_with("boost.over_limit", 0.0), "boost_peak_kpa")
        > NIGHT.car.limit_kpa
        > NIGHT.car.target_kpa
    )


def _slope_on_duty(night: Any) -> float:
    duty = [p.measures["duty_mean_pct"] for p in night.truth.pulls]
    return float(
        np.polyfit(duty, [p.measures["boost_settled_kpa"] for p in night.truth.pulls], 1)[0]
    )


def test_swapped_hoses_turn_the_sign_of_the_response_and_a_stuck_gate_flattens_it() -> None:
    assert _slope_on_duty(night_with("control.reversed")) < -0.4
    assert abs(_slope_on_duty(night_with("control.no_response"))) < 0.1
    steps = tuple(replace(NIGHT.drives[0], duty_pct=d) for d in (45.0, 55.0, 65.0))
    assert _slope_on_duty(sim.simulate_night(replace(NIGHT, drives=steps), 3)) > 0.5


def test_a_creeping_gate_lets_boost_climb_while_duty_stands_still() -> None:
    frame, pull = (night := night_with("boost.creep")).logs[0].frame, night.truth.pulls[0]
    late = (frame.time > 0.5 * (pull.start_s + pull.end_s)) & (frame.time < pull.end_s - 0.1)
    assert np.ptp(frame.columns["wastegate_duty"][late]) < 0.5
    climb = np.polyfit(
        frame.columns["engine_speed"][late] / 1000, frame.columns["manifold_pressure"][late], 1
    )[0]
    assert climb > 15


def test_an_oscillation_swings_at_the_frequency_asked_for() -> None:
    night = night_with("boost.oscillation", frequency_hz=3.0)
    frame, pull = night.logs[0].frame, night.truth.pulls[0]
    late = (frame.time > pull.start_s + 3) & (frame.time < pull.end_s - 0.1)
    swing = frame.columns["manifold_pressure"][late]
    power = np.abs(np.fft.rfft(swing - swing.mean()))
    assert np.fft.rfftfreq(len(swing), 1 / frame.rate_hz)[power.argmax()] == pytest.approx(
        3.0, abs=0.3
    )


def test_a_soaking_cooler_starts_each_pull_hotter() -> None:
    starts = [p.measures["intake_start_c"] for p in night_with("heat.soak").truth.pulls]
    assert all(np.diff(starts[:4]) > 2)
    assert starts[3] - starts[0] > 10


def test_late_boost_begins_with_the_second_half_of_the_night() -> None:
    pulls = night_with("boost.late").logs[0].pulls
    assert pulls[1].end_s - pulls[1].start_s > 1.5
    plain = sim.simulate_night(NIGHT, 3).logs[0].pulls
    assert pulls[1].end_s - pulls[1].start_s > plain[1].end_s - plain[1].start_s


def test_a_spinning_wheel_parts_engine_speed_from_road_speed() -> None:
    def spread(night: Any) -> float:
        frame, pull = night.logs[0].frame, night.truth.pulls[-1]
        inside = (frame.time > pull.start_s) & (frame.time < pull.end_s)
        ratio = frame.columns["engine_speed"][inside] / frame.columns["vehicle_speed"][inside]
        return float(ratio.max() / np.median(ratio))

    assert spread(night_with("traction.wheelspin")) > 1.25
    assert spread(sim.simulate_night(NIGHT, 3)) < 1.05


def test_a_sensor_at_its_ceiling_makes_a_plateau() -> None:
    pressure = night_with("boost.sensor_ceiling").logs[0].frame.columns["manifold_pressure"]
    assert (pressure == pressure.max()).sum() > 100


def test_a_stuck_sensor_stops_moving() -> None:
    frame = night_with("sensor.flat_line").logs[0].frame
    assert np.ptp(frame.columns["intake_air_temp"][-200:]) == 0


def test_a_missing_sensor_is_not_in_the_log() -> None:
    assert "lambda" not in night_with("sensor.missing").logs[0].frame.columns


@pytest.mark.parametrize(
    ("code", "channel", "shows"),
    [
        ("sensor.range", "intake_air_temp", lambda v: v.max() > 200),
        ("sensor.rail", "lambda", lambda v: (v == 1.6).mean() > 0.1),
        ("sensor.spike", "manifold_pressure", lambda v: (np.abs(np.diff(v)) > 55).sum() >= 10),
        ("sensor.dropout", "manifold_pressure", lambda v: (v == 0).sum() > 20),
        ("sensor.rate_of_change", "coolant_temp", lambda v: np.abs(np.diff(v)).max() > 20),
    ],
)
def test_a_failing_sensor_shows_it_and_a_sound_one_does_not(
    code: str, channel: str, shows: Any, healthy: Any
) -> None:
    broken = night_with(code).logs[0].frame.columns[channel]
    sound = healthy.logs[0].frame.columns[channel]
    assert shows(broken)
    assert not shows(sound)


def test_gap_clock_and_slow_logger_faults_change_the_rows() -> None:
    assert np.diff(night_with("sensor.gap").logs[0].frame.time).max() > 2
    assert np.diff(night_with("sensor.clock").logs[0].frame.time).min() < 0
    slow = night_with("sensor.slow").logs[0].frame.columns["manifold_pressure"]
    assert (np.diff(slow) != 0).mean() < 0.1


def test_contradicting_pressure_sensors_differ_with_the_engine_off() -> None:
    columns = night_with("sensor.disagree").logs[0].frame.columns
    assert (columns["manifold_pressure"] - columns["barometric_pressure"])[:40].min() > 10


def test_every_code_can_be_simulated_and_unknown_ones_are_refused() -> None:
    assert len(sim.CODES) == 39
    with pytest.raises(ValueError, match=r"boost\.sideways"):
        sim.with_fault(NIGHT, "boost.sideways", 1.0)


def test_injector_duty_follows_from_pulse_and_speed() -> None:
    """Four-stroke, one shot a cycle: duty = pulse (ms) x rpm / 1200 (arithmetic)."""
    logger = replace(NIGHT.logger, channels=(*NIGHT.logger.channels, "injector_duty"))
    columns = sim.simulate_night(replace(NIGHT, logger=logger), 3).logs[0].frame.columns
    fast = columns["engine_speed"] > 5000
    assert np.allclose(
        (columns["injector_pulse_width"] * columns["engine_speed"] / 1200)[fast],
        columns["injector_duty"][fast],
        atol=1.2,
    )


def test_engine_speed_and_road_speed_fit_the_gear() -> None:
    """rpm = km/h / 3.6 / circumference x 60 x gear x final drive (arithmetic)."""
    frame, pull = (
        sim.simulate_night(NIGHT, 3).logs[0].frame,
        sim.simulate_night(NIGHT, 3).truth.pulls[0],
    )
    inside = (frame.time > pull.start_s + 0.5) & (frame.time < pull.end_s - 0.2)
    car = NIGHT.car
    expected = (
        frame.columns["vehicle_speed"][inside]
        / 3.6
        / car.circumference_m
        * 60
        * car.ratios[2]
        * car.final_drive
    )
    assert np.allclose(frame.columns["engine_speed"][inside], expected, rtol=0.02)


@pytest.mark.parametrize(
    ("height_m", "kpa"), [(0, 101.325), (500, 95.4608), (1000, 89.8746), (1500, 84.5560)]
)
def test_air_pressure_at_height_is_the_standard_atmosphere(height_m: float, kpa: float) -> None:
    """ISO 2533:1975, geopotential heights."""
    assert sim.standard_pressure(height_m) == pytest.approx(kpa, abs=0.001)


@pytest.mark.parametrize(
    ("dialect", "start"),
    [
        (sim.Dialect(), b"Time (s),Engine Speed (rpm)"),
        (sim.Dialect(delimiter=";", decimal_comma=True, unit_style="bracket"), b"Time [s];Engine"),
        (sim.Dialect(bom=True), b"\xef\xbb\xbfTime"),
        (sim.Dialect(encoding="utf-16"), b"\xff\xfeT\x00"),
        (sim.Dialect(manner="short", unit_style="underscore", clock="ms"), b"Time_ms,RPM"),
        (sim.Dialect(quotes=True), b'"Time (s)","Engine'),
        (sim.Dialect(preamble=("Note",), newline="\r\n"), b"Note\r\nTime"),
        (sim.Dialect(units_row=True), b"Time,Engine Speed,"),
    ],
)
def test_each_dialect_opens_as_it_should(
    dialect: Any, start: bytes, healthy: Any, tmp_path: Path
) -> None:
    sim.write_log(healthy.logs[0].frame, tmp_path / "a.csv", dialect)
    assert (tmp_path / "a.csv").read_bytes().startswith(start)


def test_units_are_converted_by_the_published_factors(healthy: Any) -> None:
    """1 psi = 6.894757 kPa (NIST SP 811); 1 mile = 1.609344 km; °F = 1.8 °C + 32; 14.7 for petrol (common practice)."""
    frame = healthy.logs[0].frame
    row = int(np.argmax(frame.columns["manifold_pressure"]))
    text = sim.log_text(
        frame,
        sim.Dialect(
            pressure="psi", gauge=True, fahrenheit=True, afr=True, miles=True, unit_style="none"
        ),
    ).splitlines()
    cells = dict(zip(text[0].split(","), text[row + 1].split(","), strict=True))
    truth = {c: float(v[row]) for c, v in frame.columns.items()}
    assert float(cells["Boost Pressure"]) == pytest.approx(
        (truth["manifold_pressure"] - frame.barometric_kpa) / 6.894757, abs=0.006
    )
    assert float(cells["Vehicle Speed"]) == pytest.approx(
        truth["vehicle_speed"] / 1.609344, abs=0.06
    )
    assert float(cells["Coolant Temperature"]) == pytest.approx(
        truth["coolant_temp"] * 1.8 + 32, abs=0.06
    )
    assert float(cells["Air Fuel Ratio"]) == pytest.approx(truth["lambda"] * 14.7, abs=0.006)


def test_a_cut_off_log_ends_within_its_last_row(healthy: Any) -> None:
    last = sim.log_text(healthy.logs[0].frame, sim.Dialect(cut_last=True)).splitlines()[-1]
    assert last.count(",") < len(healthy.logs[0].frame.columns)


@pytest.mark.parametrize("seed", range(8))
def test_random_dialects_can_all_be_written(seed: int, healthy: Any, tmp_path: Path) -> None:
    dialect = sim.random_dialect(np.random.default_rng(seed), NIGHT)
    sim.write_log(healthy.logs[0].frame, tmp_path / "a.csv", dialect)
    text = (tmp_path / "a.csv").read_bytes().decode(dialect.encoding)
    assert text.count(dialect.newline) >= len(healthy.logs[0].frame.time) - 1


def test_the_car_file_reads_back_as_toml() -> None:
    car = tomllib.loads(sim.car_toml(NIGHT))
    assert car["boost"]["target_kpa"] == NIGHT.car.target_kpa
    assert car["gearing"]["ratios"] == list(NIGHT.car.ratios)


def test_the_committed_samples_are_what_the_simulator_writes(tmp_path: Path) -> None:
    truth = sim.write_scenario(tmp_path, 1)
    assert truth.keys() == json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8")).keys()
    for path in sorted(p for p in tmp_path.rglob("*") if p.is_file()):
        kept = (SAMPLES / path.relative_to(tmp_path)).read_bytes()
        made = path.read_bytes()
        same = (
            gzip.decompress(kept) == gzip.decompress(made) if path.suffix == ".gz" else kept == made
        )
        assert same, f"{path.name} differs: run python sample_data/simulate.py"
