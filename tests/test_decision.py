"""One decision: from verdict, watches and the step that the rules allow, told alike by every command."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from audit.archive.step.step import Step
from audit.cli.screen import command as screen_command
from audit.cli.step import response as response_command
from audit.night.decision import OVER_PULLS, as_set, decided, first_look, repeated, watched

SAMPLES = Path(__file__).parents[1] / "sample_data" / "alder"
UP = Step("up", 3, "Try 25.0 % duty next.", "step", 20.0, 25.0, 90.0, 85.0, 95.0)


def test_a_clear_night_with_a_step_is_a_step():
    made = decided("clear", "", "x", step=UP)
    assert (made.state, made.duty_now_pct, made.duty_next_pct, made.gear) == ("step", 20, 25, 3)
    assert made.expected_kpa == (85.0, 90.0, 95.0)


@pytest.mark.parametrize("verdict", ["hold", "stop"])
def test_a_night_that_is_not_clear_gives_no_step_whatever_the_rules_allow(verdict):
    made = decided(verdict, "lambda reached 0.93", "the fuel pump", step=UP)
    assert (made.state, made.duty_next_pct, made.why) == ("no_step", None, "lambda reached 0.93")
    assert made.first == "the fuel pump"


def test_a_repeated_watch_stays_where_it_is():
    made = decided("clear", "", "x", step=UP, again="knock wants watching in two pulls or more")
    assert (made.state, made.duty_next_pct) == ("stay", 20.0)
    assert "knock" in made.why.lower()


def test_a_repeated_watch_does_not_keep_boost_over_its_target():
    down = replace(UP, action="down", duty=15.0, sentence="Go back to 15.0 % duty.")
    assert decided("clear", "", "x", step=down, again="heat").duty_next_pct == 15.0


def test_a_valve_that_does_not_work_gives_no_step():
    bad = Step("refuse", 3, "Boost does not follow duty.", "no_response", log_next="The solenoid.")
    made = decided("clear", "", "x", step=bad)
    assert (made.state, made.first) == ("no_step", "The solenoid.")


def test_without_a_known_duty_a_step_is_allowed_but_its_size_is_not_told():
    none = Step("refuse", 0, "No step up.", "no_pulls", log_next="Say --duty 35.")
    made = decided("clear", "", "x", step=none)
    assert (made.state, made.duty_next_pct) == ("step", None)
    assert "--duty 35" in made.why


def test_a_second_duty_after_one_alone_is_a_step():
    few = Step("refuse", 3, "Too few.", "too_few", 5.0, 10.0, log_next="Log two pulls at 10 %.")
    assert decided("clear", "", "x", step=few).duty_next_pct == 10.0
    assert decided("clear", "", "x", step=replace(few, duty=5.0)).state == "stay"


def test_a_watch_counts_by_pulls_and_by_what_it_is_a_watch_of():
    one = [("knock.retard", "watch", (1, 1)), ("knock.count", "watch", (1, 1))]
    assert watched(one) == {"knock": 1}
    assert watched([*one, ("knock.retard", "watch", (1, 2))]) == {"knock": 2}
    assert watched([("mixture.lean", "watch", None)]) == {"mixture": OVER_PULLS}
    assert watched([("oil.pressure", "watch", (1, 1)), ("knock.retard", "note", (1, 1))]) == {}


def test_a_watch_is_repeated_in_two_pulls_or_on_two_nights():
    assert repeated({"knock": 1}) == ""
    assert "two pulls" in repeated({"knock": 2})
    assert "two nights" in repeated({"knock": 1}, {"knock"})
    assert repeated({"knock": 1}, {"heat"}) == ""


def test_the_first_thing_to_look_at_is_of_the_worst_finding():
    seen = [("watch", ["the fan"]), ("stop", ["the pump", "the filter"])]
    assert first_look(seen, "stop") == "the pump"
    assert first_look([("note", ["x"])], "clear").endswith("nothing in the logs stands out.")


def alone(*args: str) -> dict:
    return json.loads(
        CliRunner().invoke(screen_command, [*args, "--json", "-"], catch_exceptions=False).stdout
    )


LOADED = """
import sys
from click.testing import CliRunner
from audit.cli.screen import command
rooms = "audit.archive.store", "audit.archive.trend", "sqlite3", "scipy"
step = "audit.archive.step."
for night in sys.argv[1:]:
    CliRunner().invoke(command, [night, "--json", "-", "--workers", "1"], catch_exceptions=False)
    print(sorted(m for m in sys.modules if m.startswith(rooms)), step + "response" in sys.modules,
        step + "curve" in sys.modules)
"""


def test_a_decision_without_an_archive_loads_no_more_than_it_takes(tmp_path):
    """A night that is held asks for no step, and one duty for no curve; none for the archive."""
    one = tmp_path / "one"
    one.mkdir()
    shutil.copy(SAMPLES / "car.toml", one)
    shutil.copy(SAMPLES / "2025-05-10_duty_steps" / "run_1.csv", one)
    nights = (SAMPLES / "2025-05-24_overshoot", one, SAMPLES / "2025-05-10_duty_steps")
    done = subprocess.run(
        [sys.executable, "-c", LOADED, *map(str, nights)],
        capture_output=True,
        text=True,
        check=True,
        cwd=SAMPLES.parents[1],
    )
    assert done.stdout.splitlines() == ["[] False False", "[] True False", "[] True True"]


def test_screen_with_and_without_archive_and_response_tell_one_decision(tmp_path):
    night = str(SAMPLES / "2025-05-10_duty_steps")
    bare = alone(night)["decision"]
    kept = alone(night, "--archive", str(tmp_path / "a"))["decision"]
    asked = CliRunner().invoke(
        response_command,
        ["--archive", str(tmp_path / "a"), "--json", "-"],
        catch_exceptions=False,
    )
    assert kept == json.loads(asked.stdout)["decision"]
    assert (bare["state"], bare["duty_next_pct"]) == (kept["state"], kept["duty_next_pct"])
    held = alone(str(SAMPLES / "2025-05-24_overshoot"), "--archive", str(tmp_path / "a"))
    asked = CliRunner().invoke(
        response_command, ["--archive", str(tmp_path / "a"), "--json", "-"], catch_exceptions=False
    )
    told = json.loads(asked.stdout)["decision"]
    assert held["decision"]["state"] == told["state"] == "no_step"
    assert held["decision"]["why"] == told["why"]
    assert held["decision"]["first"] == told["first"]


def test_knock_in_two_pulls_stays_for_screen_and_for_response(tmp_path):
    """A night with 2.2 degrees of knock retard in each pull: clear, and yet no step up."""
    import polars as pl

    for i in (1, 2):
        run = pl.read_csv(SAMPLES / "2025-05-10_duty_steps" / f"run_{i}.csv")
        run.with_columns(
            pl.when(pl.col("TPS_pct") > 90).then(2.2).otherwise(0.0).alias("Knock Retard_deg")
        ).write_csv(tmp_path / f"run_{i}.csv")
    (tmp_path / "car.toml").write_text((SAMPLES / "car.toml").read_text().replace("91.5", "110"))
    told = alone(str(tmp_path), "--archive", str(tmp_path / "a"))
    assert (told["verdict"], told["decision"]["state"]) == ("clear", "stay")
    asked = CliRunner().invoke(
        response_command, ["--archive", str(tmp_path / "a"), "--json", "-"], catch_exceptions=False
    )
    document = json.loads(asked.stdout)
    assert document["decision"]["state"] == "stay"
    assert document["next"]["action"] == "stay"


@pytest.mark.parametrize(
    ("read", "set_"),
    [(25.0, 25.0), (24.86, 25.0), (24.84, 24.8), (25.14, 25.0), (25.16, 25.2), (25.36, 25.5), (25.34, 25.3), (0.1, 0.0)],
)  # fmt: skip
def test_a_duty_is_told_as_it_was_set(read, set_):
    """Half percents, where the readings' mean lies within 0.15 of one."""
    assert as_set(read) == set_
