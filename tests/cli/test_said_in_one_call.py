"""What the person knows and the log does not, said with the call: duty, limit, altitude, fuel."""

from __future__ import annotations

import json
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

from audit.cli.screen import command
from audit.units import KPA_PER_PSI

STEPS = Path(__file__).parents[2] / "sample_data" / "alder" / "2025-05-10_duty_steps"


@pytest.fixture
def night(tmp_path: Path) -> Path:
    """Two logs of one evening without their duty column."""
    for name in ("run_1.csv", "run_2.csv"):
        pl.read_csv(STEPS / name).drop("WG Duty_pct").write_csv(tmp_path / name)
    return tmp_path


def screened(*args: str) -> dict:
    done = CliRunner().invoke(command, [*args, "--json", "-"], catch_exceptions=False)
    return json.loads(done.stdout)


def duties(document: dict) -> list[list[float | None]]:
    return [[p["measures"].get("duty_mean_pct") for p in log["pulls"]] for log in document["logs"]]


def test_a_duty_for_all_and_one_for_a_log(night):
    document = screened(str(night), "--duty", "50", "--duty", "run_2.csv=56%")
    assert duties(document) == [[50.0, 50.0], [56.0, 56.0]]
    channel = next(c for c in document["logs"][0]["channels"] if c["name"] == "wastegate_duty")
    assert channel["source"] == "typed by hand"
    assert document["checks"]["boost_control"]["status"] == "pass"


def test_without_it_the_duty_is_not_known(night):
    document = screened(str(night))
    assert duties(document) == [[None, None], [None, None]]


def test_the_logs_own_duty_stands_over_a_typed_one():
    document = screened(str(STEPS / "run_1.csv"), "--duty", "12")
    assert duties(document) == [[42.0, 42.0]]


def test_the_limit_of_the_call_stands_over_the_car_file():
    boost = screened(str(STEPS))
    assert boost["verdict"] == "clear"
    low = screened(str(STEPS), "--limit", f"{70 / KPA_PER_PSI:.2f} psi")
    assert "boost.over_limit" in json.dumps(low)
    assert low["verdict"] == "stop"


def test_altitude_and_fuel_reach_the_car(night, monkeypatch):
    import audit.request

    seen = []
    real = audit.request.screen_night
    monkeypatch.setattr(
        audit.request, "screen_night", lambda *a, **k: seen.append(k["car"]) or real(*a, **k)
    )
    screened(str(night), "--altitude", "1200 ft", "--fuel", "e20")
    (car,) = seen
    assert car.altitude_m == pytest.approx(365.76)
    assert (car.fuel, car.ethanol_pct, car.stoichiometric_afr) == ("e20", 20.0, 13.5)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--duty", "12x"), "--duty run_2.csv=40"),
        (("--duty", "120"), "0 to 100 %"),
        (("--duty", "other.csv=12"), "no log of tonight"),
        (("--duty", "12", "--duty", "13"), "two duties"),
        (("--limit", "18"), "18 psi"),
        (("--altitude", "18 psi"), "is a pressure"),
        (("--fuel", "disel"), "--fuel"),
    ],
)
def test_a_wrong_word_is_refused_with_the_right_one(night, words, says):
    from audit.errors import UsageError

    with pytest.raises(UsageError) as caught:
        CliRunner().invoke(command, [str(night), *words], catch_exceptions=False)
    assert says in str(caught.value)


def test_a_duty_said_for_a_log_that_has_its_own_is_told_not_to_be_used():
    """Silence would leave the person in the belief that it counts."""
    done = CliRunner().invoke(command, [str(STEPS / "run_1.csv"), "--duty", "77"])
    assert (
        "run_1.csv: The log has its own duty, so the 77 % typed by hand is not used." in done.stderr
    )
    assert "77.0 %" not in done.stdout and "77 %" not in done.stdout
    assert "not used" not in CliRunner().invoke(command, [str(STEPS / "run_1.csv")]).stderr
