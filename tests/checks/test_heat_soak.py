"""Heat: of the charge in a pull and from pull to pull, of the coolant, and pulls on a cold engine."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import numpy as np
import polars as pl
import pytest

from audit.checks.heat import heat_soak as check
from audit.checks.kit.base import Across
from audit.model import Array, Barometric, Car, Channel, Finding, Log, Pull, Sanity, Span
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]


@pytest.mark.parametrize(
    ("peak", "severity"), [(48.9, None), (50.1, "watch"), (65.1, "hold"), (80.1, "stop")]
)
def test_both_sides_of_a_hot_charge(
    make_pull: Make, codes: Codes, table: Limits, peak: float, severity: str | None
) -> None:
    assert codes(check, make_pull(channels={"intake_air_temp": peak}), table) == (
        {"heat.intake": severity} if severity else {}
    )


@pytest.mark.parametrize(("rise", "severity"), [(14.5, None), (15.5, "watch"), (25.5, "hold")])
@pytest.mark.parametrize("rate", [1.0, 10.0, 100.0])
def test_both_sides_of_the_rise(
    make_pull: Make, codes: Codes, table: Limits, rise: float, severity: str | None, rate: float
) -> None:
    pull = make_pull(
        rate=rate, channels={"intake_air_temp": lambda t: 10 + rise * np.clip(t / 6, 0, 1)}
    )
    assert codes(check, pull, table).get("heat.intake") == severity


def test_one_hot_sample_is_nothing(make_pull: Make, codes: Codes, table: Limits) -> None:
    for rate in (1.0, 20.0):
        pull = make_pull(
            rate=rate,
            channels={
                "intake_air_temp": lambda t: np.where(np.arange(len(t)) == len(t) // 2, 95.0, 30.0)
            },
        )
        assert codes(check, pull, table) == {}


def test_a_rise_still_going_on_says_that_the_sensor_lags(make_pull: Make, table: Limits) -> None:
    measured = check.measure(
        make_pull(channels={"intake_air_temp": lambda t: 30 + 3 * np.clip(t, 0, None)}), table
    )
    assert "sensor lags" in measured.said["intake_peak_c"]


def test_outside_air_is_set_against_the_charge(make_pull: Make, table: Limits) -> None:
    measured = check.measure(
        make_pull(channels={"ambient_air_temp": 20.0, "intake_air_temp": 52.0}), table
    )
    assert measured.values["intake_over_ambient_c"] == pytest.approx(32.0)


@pytest.mark.parametrize(
    ("peak", "severity"), [(101.9, None), (102.1, "watch"), (108.1, "hold"), (115.1, "stop")]
)
def test_both_sides_of_hot_coolant(
    make_pull: Make, codes: Codes, table: Limits, peak: float, severity: str | None
) -> None:
    assert (
        codes(check, make_pull(channels={"coolant_temp": peak}), table).get("heat.coolant")
        == severity
    )


def test_coolant_that_runs_away_in_one_pull(make_pull: Make, codes: Codes, table: Limits) -> None:
    runs = make_pull(channels={"coolant_temp": lambda t: 84 + 15 * np.clip(t / 6, 0, 1)})
    warming = make_pull(channels={"coolant_temp": lambda t: 76 + 12 * np.clip(t / 6, 0, 1)})
    assert codes(check, runs, table) == {"heat.coolant": "hold"}
    assert codes(check, warming, table) == {}


@pytest.mark.parametrize(("start", "severity"), [(76.0, None), (74.9, "watch"), (64.9, "hold")])
def test_both_sides_of_a_cold_engine(
    make_pull: Make, codes: Codes, table: Limits, start: float, severity: str | None
) -> None:
    assert (
        codes(check, make_pull(channels={"coolant_temp": start}), table).get("heat.cold")
        == severity
    )


@pytest.mark.parametrize(
    ("start", "severity"), [(75.5, None), (74.5, "watch"), (60.5, "watch"), (59.5, "hold")]
)
def test_cold_oil_counts_when_the_coolant_is_warm(
    make_pull: Make, codes: Codes, table: Limits, start: float, severity: str | None
) -> None:
    assert codes(check, make_pull(channels={"oil_temp": start}), table).get("heat.cold") == severity


def test_without_coolant_the_charge_is_still_judged(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert codes(
        check, make_pull(channels={"coolant_temp": None, "intake_air_temp": 66.0}), table
    ) == {"heat.intake": "hold"}


# --- from pull to pull ---------------------------------------------------------------------------


def drive(
    starts: list[float],
    *,
    gap_s: float = 60.0,
    rise: float = 14.0,
    speed: float = 80.0,
    path: str = "a.csv",
    between: Callable[[Array, float, float], Array] | None = None,
    coolant: float = 84.0,
) -> list[Pull]:
    """One log with a 6 s pull every gap_s; the charge starts each at the given °C."""
    t = np.arange(0, gap_s * len(starts) + 20, 0.5)
    intake, kmh = np.full(t.size, starts[0]), np.full(t.size, speed)
    spans = []
    for i, start in enumerate(starts):
        a = 20 + gap_s * i
        b = a + gap_s
        following = starts[min(i + 1, len(starts) - 1)]
        since = np.clip(t - a - 6, 0, None)
        cooled = following + (start + rise - following) * np.exp(-since / 12)
        shape = np.where(t < a + 6, start + rise * np.clip((t - a) / 6, 0, 1), cooled)
        if between is not None:
            shape = np.where(t > a + 6, between(since, start + rise, following), shape)
        intake = np.where((t >= a) & (t < b), shape, intake)
        first, last = np.searchsorted(t, (a, a + 6))
        spans.append(Span(int(first), int(last), float(a), float(a + 6), 3, 2600.0, 6500.0, "lift"))
    columns = {
        "time": t,
        "intake_air_temp": intake,
        "coolant_temp": np.full(t.size, coolant),
        "vehicle_speed": kmh,
    }
    channels = tuple(Channel(n, n, rate_hz=2.0) for n in columns if n != "time")
    log = Log(path, "0" * 64, pl.DataFrame(columns), channels, Barometric(100.0, "made", 0.5))
    sanity = Sanity({}, {}, {}, {})
    return [Pull(i, span, log, sanity, Car()) for i, span in enumerate(spans)]


def over(pulls: list[Pull], table: Limits) -> Across:
    return check.across(pulls, [check.measure(p, table).values for p in pulls], table)


def soak(pulls: list[Pull], table: Limits) -> Finding | None:
    found = over(pulls, table).findings
    return found[0][0] if found else None


@pytest.mark.parametrize(
    ("starts", "severity"),
    [
        ([30, 30.5, 30, 31], None),
        ([30, 34.6, 35.5], None),
        ([30, 35.4, 37], "watch"),
        ([30, 36, 39.6], "watch"),
        ([30, 40.5, 44], "hold"),
        ([30, 32, 34.5, 36, 36.5], "watch"),
        ([30, 39, 30, 39, 30], None),
        ([30, 34.5], None),
        ([30, 36], "watch"),
        ([30, 39.5], "watch"),
        ([30, 40.5], "hold"),
        ([30, 30.5, 42], "hold"),
        ([30, 42, 30.5], None),
    ],
)
def test_starts_that_stay_hotter_are_soak(
    table: Limits, starts: list[float], severity: str | None
) -> None:
    found = soak(drive(starts), table)
    assert (found.severity if found else None) == severity


def test_the_finding_names_its_pulls_and_the_wait(table: Limits) -> None:
    across = over(drive([28, 40, 52], gap_s=90), table)
    finding, index = across.findings[0]
    assert index == (0, 1, 2)
    assert "Wait about " in finding.message and "minute" in finding.message


def test_heat_from_elsewhere_is_no_soak_and_a_car_that_never_stood_has_none(table: Limits) -> None:
    """A second run that begins hotter than the first one ended: heated at a stand, or through the cooler."""
    assert soak(drive([30, 46], rise=12.0, between=lambda s, peak, b: b + 0 * s), table) is not None
    stood = drive([30, 46], rise=12.0, speed=0.0, between=lambda s, peak, b: b + 0 * s)
    assert soak(stood, table) is None


@pytest.mark.parametrize(("stood_s", "severity"), [(4.0, "hold"), (22.0, None)])
def test_heat_that_the_stand_was_too_short_for_is_soak(
    table: Limits, stood_s: float, severity: str | None
) -> None:
    """A log begins as cool as the last one; within its 20 s to the run the intake is 10.4 K hotter."""
    cool, hot = drive([30.0], rise=6.0), drive([40.4], rise=6.0, path="b.csv")
    log = hot[0].log
    t = pl.col("time")
    frame = log.frame.with_columns(
        intake_air_temp=pl.when(t < 4).then(30.0).otherwise(pl.col("intake_air_temp")),
        vehicle_speed=pl.when((t > 19 - stood_s) & (t < 19)).then(0.0).otherwise(80.0),
    )
    pulls = [*cool, dataclasses.replace(hot[0], log=dataclasses.replace(log, frame=frame))]
    found = soak(pulls, table)
    assert (found.severity if found else None) == severity


def test_standing_still_between_pulls_is_no_soak(table: Limits) -> None:
    stand = lambda since, peak, following: following + 12 * np.exp(-(((since - 25) / 10) ** 2))  # noqa: E731
    assert soak(drive([30, 36, 42], between=stand), table) is None
    assert soak(drive([30, 36, 42], speed=0.0), table) is None


def test_a_hot_restart_after_a_stop_is_no_soak(table: Limits) -> None:
    first, second = drive([30, 30.5]), drive([44, 33], path="b.csv")
    assert soak(first + second, table) is None


def test_soak_goes_on_from_log_to_log(table: Limits) -> None:
    pulls = [drive([s], path=f"{s}.csv", gap_s=40)[0] for s in (30, 36, 42)]
    found = soak(pulls, table)
    assert found is not None
    assert found.severity == "hold"  # the last starts 12 K hotter than the first


def test_the_next_gear_of_the_same_run_is_no_new_start(table: Limits) -> None:
    pulls = drive([30, 31, 30.5, 31])
    log, span = pulls[0].log, pulls[0].span
    shifted = Pull(
        9,
        dataclasses.replace(span, start=54, stop=66, start_s=27.0, end_s=33.0),
        log,
        pulls[0].sanity,
        Car(),
    )
    assert soak([pulls[0], shifted], table) is None
    assert soak([pulls[0], shifted, *pulls[1:]], table) is None


def test_a_cold_engine_that_warms_is_no_soak(table: Limits) -> None:
    assert soak(drive([10, 20, 30], coolant=50.0), table) is None


def test_one_pull_shows_no_recovery_and_says_so(table: Limits) -> None:
    across = over(drive([30]), table)
    assert across.unable is not None
    assert across.score is None


# --- the whole log -------------------------------------------------------------------------------


def idle(
    coolant: Callable[[Array], Array],
    rpm: Callable[[Array], Array] = lambda t: np.full(t.size, 850.0),
) -> Log:
    t = np.arange(0, 200, 1.0)
    columns = {"time": t, "coolant_temp": coolant(t), "engine_speed": rpm(t)}
    return Log(
        "a.csv",
        "0" * 64,
        pl.DataFrame(columns),
        tuple(Channel(n, n, rate_hz=1.0) for n in list(columns)[1:]),
        Barometric(100.0, "made", 0.5),
    )


def whole(log: Log, table: Limits) -> list[str]:
    return [f.severity for f in check.whole_log(log, Sanity({}, {}, {}, {}), Car(), table).findings]


@pytest.mark.parametrize(("level", "severity"), [(101.0, []), (109.0, ["hold"]), (116.0, ["stop"])])
def test_overheating_while_idling_counts(table: Limits, level: float, severity: list[str]) -> None:
    assert whole(idle(lambda t: np.where(t > 100, level, 90.0)), table) == severity


def test_a_short_reading_is_no_overheating(table: Limits) -> None:
    assert whole(idle(lambda t: np.where((t > 100) & (t < 104), 120.0, 90.0)), table) == []


def test_a_hot_engine_standing_or_just_restarted_is_no_overheating(table: Limits) -> None:
    log = idle(
        lambda t: np.where((t > 60) & (t < 115), 111.0, 92.0),
        lambda t: np.where((t > 50) & (t < 90), 0.0, 850.0),
    )
    assert whole(log, table) == []


def test_a_log_without_coolant_is_not_scored(table: Limits) -> None:
    log = idle(lambda t: t)
    bare = Log(
        log.path, log.sha256, log.frame.drop("coolant_temp"), log.channels[1:], log.barometric
    )
    assert check.whole_log(bare, Sanity({}, {}, {}, {}), Car(), table).score is None


def run_of(
    base: float, gears: int, path: str, steps: float = 8.0, start_s: float = 20.0
) -> list[Pull]:
    """One acceleration through the gears: each pull starts where the last one's heat left it."""
    t = np.arange(0, start_s + 7.0 * gears + 40, 0.5)
    end = start_s + 7.0 * gears
    hot = base + steps * gears
    intake = np.interp(t, [0, start_s, end, end + 30], [base, base, hot, base + 1])
    columns = {"time": t, "intake_air_temp": intake, "vehicle_speed": np.full(t.size, 80.0)}
    channels = tuple(Channel(n, n, rate_hz=2.0) for n in columns if n != "time")
    log = Log(path, path, pl.DataFrame(columns), channels, Barometric(100.0, "made", 0.5))
    spans = []
    for g in range(gears):
        a = start_s + 7.0 * g
        first, last = np.searchsorted(t, (a, a + 6.0))
        spans.append(Span(int(first), int(last), a, a + 6.0, g + 2, 2600.0, 6500.0, "shift"))
    return [Pull(i, s, log, Sanity({}, {}, {}, {}), Car()) for i, s in enumerate(spans)]


def test_runs_are_compared_by_their_hottest_and_not_gear_by_gear(table: Limits) -> None:
    """The second gear of a run starts hotter than its first: that is the run, not soak."""
    healthy = run_of(28, 3, "a") + run_of(28.5, 3, "b") + run_of(28, 3, "c")
    assert soak(healthy, table) is None
    longer = run_of(28, 1, "a") + run_of(28.5, 3, "b") + run_of(28, 3, "c")
    assert soak(longer, table) is None
    soaked = run_of(28, 3, "a") + run_of(39, 3, "b") + run_of(40, 3, "c")
    found = soak(soaked, table)
    assert found is not None and found.severity == "hold"
