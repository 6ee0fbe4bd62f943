"""Mixture under load: what is lean, and the innocent things that look like it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.kit.base import _limit
from audit.checks.mixture import lean_under_load as check
from audit.checks.mixture.mixture_window import mixture_window, transport_lag
from audit.model import Array, Pull
from audit.tables import Limits, limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]


def rich_then(value: float, start: float, end: float) -> Callable[[Array], Array]:
    """0.79, but `value` between start and end, s of the pull."""
    return lambda t: np.where((t >= start) & (t < end), value, 0.79)


def test_a_healthy_mixture_is_clear(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert codes(check, make_pull(), table) == {}


# The table of limits by boost, with its lines between the points (common practice, no published source).
BY_BOOST = [
    (40.0, 0.8743, 0.9143, 0.9557),
    (70.0, 0.84, 0.88, 0.93),
    (105.0, 0.825, 0.86, 0.91),
    (140.0, 0.81, 0.84, 0.89),
    (190.0, 0.81, 0.84, 0.89),
]


@pytest.mark.parametrize(("boost", "watch", "hold", "stop"), BY_BOOST)
@pytest.mark.parametrize(
    ("fuel", "injection", "more"),
    [
        ("petrol", "port", 0.0),
        ("e85", "port", 0.02),
        ("e50", "port", 0.02 * 50 / 85),
        ("methanol", "port", 0.02),
        ("petrol", "direct", 0.04),
        ("e85", "direct", 0.06),
    ],
)
def test_both_sides_of_each_lean_limit_by_boost_fuel_and_injection(
    make_pull: Make,
    codes: Codes,
    step: Callable[..., Array],
    boost: float,
    watch: float,
    hold: float,
    stop: float,
    fuel: str,
    injection: str,
    more: float,
) -> None:
    table = limits(fuel=fuel, injection=injection)
    for level, below, at in (
        (watch, None, "watch"),
        (hold, "watch", "hold"),
        (stop, "hold", "stop"),
    ):
        for side, severity in ((-0.004, below), (0.004, at)):
            pull = make_pull(
                channels={
                    "boost": lambda t: np.where(t < 0, -40.0, step(t, to=boost)),
                    "lambda": level + more + side,
                },
                noise={"lambda": 0.0005},
            )
            assert codes(check, pull, table).get("mixture.lean") == severity, (level, side)


def test_a_mixture_fine_at_low_boost_is_lean_where_boost_is_high(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    """0.86 is within the watch limit at 45 kPa and past the hold limit at 140 kPa: the moment decides."""
    low = make_pull(channels={"boost": lambda t: np.where(t < 0, -40, 45.0), "lambda": 0.86})
    high = make_pull(
        channels={
            "boost": lambda t: np.where(t < 0, -40, np.where(t < 3.5, 45, 140.0)),
            "lambda": 0.86,
        }
    )
    assert codes(check, low, table) == {}
    assert codes(check, high, table) == {"mixture.lean": "hold"}
    finding = check.judge(check.measure(high, table), table).findings[0]
    assert finding.limit == pytest.approx(0.84)
    assert finding.start_s is not None and finding.start_s >= 3.0 + 3.4


def test_how_long_it_was_lean_counts_to_the_last_sample(make_pull: Make, table: Limits) -> None:
    pull = make_pull(channels={"lambda": rich_then(0.90, 3.0, 5.0)}, noise={"lambda": 0.004})
    measured = check.measure(pull, table)
    assert "lean for 2.0" in measured.texts["lean_lambda"]
    assert measured.values["lean_time_s"] == pytest.approx(2.0, abs=0.11)


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("lag_s", [0.1, 0.2, 0.3])
def test_the_probe_that_comes_back_after_a_shift_or_an_overrun_is_not_lean(
    make_pull: Make, codes: Codes, table: Limits, rate: float, lag_s: float
) -> None:
    """Boost stands through the shift; the cut's air is seen late and goes with the probe's time constant."""

    def shape(t: Array) -> Array:
        since = np.maximum(t - lag_s, 0.0)
        return 0.79 + (2.2 - 0.79) * np.exp(-since / 0.07)

    pull = make_pull(rate=rate, channels={"boost": 91.5, "lambda": shape})
    assert codes(check, pull, table) == {}


def test_a_mixture_that_stays_lean_after_a_shift_is_lean(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(channels={"boost": 91.5, "lambda": rich_then(0.9, -1.0, 1.2)})
    assert codes(check, pull, table).get("mixture.lean") == "hold"


@pytest.mark.parametrize("rate", [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0])
def test_a_second_of_lean_is_found_at_any_rate(
    make_pull: Make, codes: Codes, table: Limits, rate: float
) -> None:
    pull = make_pull(rate=rate, channels={"lambda": rich_then(0.90, 3.6, 4.75)})
    assert codes(check, pull, table).get("mixture.lean") == "hold"


def test_a_slow_log_says_what_it_cannot_see(make_pull: Make, table: Limits) -> None:
    measured = check.measure(make_pull(rate=1.0, channels={"lambda": 0.93}), table)
    assert "unknown" in measured.said["lean_lambda"]


def test_one_sample_is_nothing(make_pull: Make, codes: Codes, table: Limits) -> None:
    for rate in (5.0, 10.0, 20.0, 100.0):
        assert (
            codes(
                check,
                make_pull(rate=rate, channels={"lambda": rich_then(1.1, 4.0, 4.0 + 0.99 / rate)}),
                table,
            )
            == {}
        )


def test_a_short_lean_moment_is_a_spike_and_not_sustained(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    found = codes(check, make_pull(rate=50, channels={"lambda": rich_then(0.97, 4.0, 4.16)}), table)
    assert found == {"mixture.lean_spike": "stop"}


def test_a_lean_moment_of_half_a_second_is_both_and_no_drift(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    found = codes(
        check, make_pull(duration=3.5, channels={"lambda": rich_then(0.97, 2.3, 2.75)}), table
    )
    assert found == {"mixture.lean": "stop", "mixture.lean_spike": "stop"}


def test_a_lean_end_is_lean_and_no_spike(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert codes(check, make_pull(channels={"lambda": rich_then(0.90, 5.3, 6.1)}), table) == {
        "mixture.lean": "hold"
    }


def test_sustained_lean_is_not_reported_as_a_spike_too(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert set(codes(check, make_pull(channels={"lambda": rich_then(0.90, 3.0, 5.0)}), table)) == {
        "mixture.lean"
    }


def test_lean_at_the_tip_in_is_not_lean_under_load(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(channels={"lambda": lambda t: np.where(t < 0.7, 1.05, 0.79)})
    assert codes(check, pull, table) == {}


@pytest.mark.parametrize("lag", [0.05, 0.15, 0.3])
def test_the_cruise_mixture_that_arrives_late_is_not_lean(
    make_pull: Make, codes: Codes, table: Limits, lag: float
) -> None:
    def shape(t: Array) -> Array:
        fast = 1.0 - 0.215 / (
            1 + np.exp(-(t - lag - 0.5) * 12)
        )  # rich with the rising boost, seen late
        return np.where(t > 6.0 + lag, 2.0, fast)

    assert codes(check, make_pull(channels={"lambda": shape}), table) == {}


@pytest.mark.parametrize("ended_by", ["lift", "shift", "limiter"])
@pytest.mark.parametrize("rate", [5.0, 10.0, 20.0, 100.0])
def test_a_fuel_cut_at_the_end_is_not_lean(
    make_pull: Make, codes: Codes, table: Limits, rate: float, ended_by: str
) -> None:
    pull = make_pull(
        rate=rate, channels={"lambda": lambda t: np.where(t > 6.03, 1.6, 0.79)}, ended_by=ended_by
    )
    assert codes(check, pull, table) == {}


def test_a_cut_seen_by_the_injectors_inside_the_pull_is_not_lean(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(
        channels={
            "lambda": lambda t: np.where((t > 4.1) & (t < 4.5), 1.25, 0.79),
            "injector_duty": lambda t: np.where((t > 4.0) & (t < 4.3), 0.0, 65.0),
        }
    )
    assert codes(check, pull, table) == {}


def test_a_limiter_seen_by_engine_speed_alone_is_not_lean(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    def speed(t: Array) -> Array:
        return np.where(
            t > 5.4, 6300 - 130 * np.abs(np.sin((t - 5.4) * 12)), np.minimum(rpm_ramp(t), 6300)
        )

    pull = make_pull(
        channels={
            "lambda": lambda t: np.where(t > 5.55, 1.2, 0.79),
            "engine_speed": speed,
            "injector_duty": None,
        }
    )
    assert codes(check, pull, table) == {}


def test_free_air_is_the_sensor_and_not_the_mixture(make_pull: Make, table: Limits) -> None:
    measured = check.measure(make_pull(channels={"lambda": 1.9}), table)
    assert measured.unable is not None
    assert measured.unable[0] == "not_believed"
    assert check.judge(measured, table).findings == ()


def test_a_frozen_reading_is_not_believed(make_pull: Make, table: Limits) -> None:
    measured = check.measure(
        make_pull(channels={"lambda": 0.8}, noise={}, quantise={"lambda": 0.01}), table
    )
    assert measured.unable is not None
    assert measured.unable[0] == "not_believed"


def test_a_coarse_reading_that_moves_with_load_is_believed(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(
        channels={"lambda": lambda t: np.where(t < 0.3, 1.0, 0.79)},
        noise={},
        quantise={"lambda": 0.01},
    )
    assert codes(check, pull, table) == {}


@pytest.mark.parametrize(
    ("over", "severity"), [(0.035, None), (0.045, "watch"), (0.075, "hold"), (0.125, "stop")]
)
def test_both_sides_of_the_distance_to_target(
    make_pull: Make, codes: Codes, table: Limits, over: float, severity: str | None
) -> None:
    pull = make_pull(
        channels={"lambda": 0.72 + over, "lambda_target": 0.72}, noise={"lambda": 0.001}
    )
    assert codes(check, pull, table).get("mixture.lean") == severity


def test_a_lean_target_excuses_nothing(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = make_pull(channels={"lambda": 0.90, "lambda_target": 0.90})
    assert codes(check, pull, table)["mixture.lean"] == "hold"


def test_a_target_that_steps_rich_is_not_lean_while_the_gas_is_under_way(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(
        channels={
            "lambda": lambda t: np.where(t < 3.25, 0.82, 0.75),
            "lambda_target": lambda t: np.where(t < 3.0, 0.82, 0.75),
        }
    )
    assert codes(check, pull, table) == {}


@pytest.mark.parametrize(("level", "severity"), [(0.73, None), (0.715, "watch"), (0.675, "hold")])
def test_both_sides_of_rich(
    make_pull: Make, codes: Codes, table: Limits, level: float, severity: str | None
) -> None:
    found = codes(check, make_pull(channels={"lambda": level}, noise={"lambda": 0.001}), table)
    assert found == ({"mixture.rich": severity} if severity else {})


def test_a_rich_moment_is_not_rich(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert codes(check, make_pull(channels={"lambda": rich_then(0.66, 3.0, 3.2)}), table) == {}


@pytest.mark.parametrize(
    ("per_krpm", "severity"), [(0.015, None), (0.025, "watch"), (0.045, "hold")]
)
def test_both_sides_of_the_drift(
    make_pull: Make,
    codes: Codes,
    table: Limits,
    rpm_ramp: Callable[..., Array],
    per_krpm: float,
    severity: str | None,
) -> None:
    pull = make_pull(
        channels={
            "lambda": lambda t: 0.79 + per_krpm * np.clip(rpm_ramp(t - 0.15) / 1000 - 3.5, 0, None)
        }
    )
    assert codes(check, pull, table).get("mixture.drifts_lean") == severity


def test_a_drift_behind_a_start_that_still_settles_is_one(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    """The spooling turbo's lambda comes down from 0.85 while the drift already climbs."""

    def lam(t: Array) -> Array:
        climb = 0.03 * np.clip(rpm_ramp(t - 0.15) / 1000 - 3.5, 0, None)
        return 0.75 + climb + 0.2 * np.clip(1.0 - t / 2.4, 0, 1)

    assert "mixture.drifts_lean" in codes(check, make_pull(channels={"lambda": lam}), table)


def test_a_rich_map_that_leans_out_a_little_is_clear(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert (
        codes(
            check,
            make_pull(channels={"lambda": lambda t: 0.76 + 0.04 * np.clip(t / 3, 0, 1)}),
            table,
        )
        == {}
    )


def test_drift_along_with_the_target_is_the_map(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    shape = lambda t: 0.77 + 0.08 * np.clip(t / 6, 0, 1)  # noqa: E731
    pull = make_pull(channels={"lambda": lambda t: shape(t - 0.15), "lambda_target": shape})
    assert "mixture.drifts_lean" not in codes(check, pull, table)


def test_a_weak_spring_is_judged_at_the_load_it_reaches(
    make_pull: Make, table: Limits, step: Callable[..., Array]
) -> None:
    boost = lambda t: np.where(t < 0, -40.0, step(t, to=25.0))  # noqa: E731
    lean = check.measure(make_pull(channels={"boost": boost, "lambda": 1.0}), table)
    fine = check.measure(make_pull(channels={"boost": boost, "lambda": 0.87}), table)
    assert lean.unable is None
    assert "never reached" in lean.said["lean_low_boost_lambda"]
    assert [f.severity for f in check.judge(lean, table).findings] == ["hold"]
    assert check.judge(fine, table).findings == ()
    assert check.judge(fine, table).score is not None


def test_load_too_short_for_the_probe_is_said(make_pull: Make, table: Limits) -> None:
    measured = check.measure(
        make_pull(channels={"boost": lambda t: np.where(t > 5.85, 90.0, 0.0)}), table
    )
    assert measured.unable is not None
    assert measured.unable[0] == "too_short"


@pytest.mark.parametrize("lag", [0.1, 0.2, 0.3])
def test_the_lag_is_found_at_the_lift(make_pull: Make, table: Limits, lag: float) -> None:
    pull = make_pull(rate=50, channels={"lambda": lambda t: np.where(t > 6.0 + lag, 2.0, 0.79)})
    assert transport_lag(pull) == pytest.approx(lag, abs=0.03)
    assert mixture_window(pull, table).lag_s == transport_lag(pull)


def test_the_measures_are_those_of_the_gas_under_load(make_pull: Make, table: Limits) -> None:
    measured = check.measure(
        make_pull(channels={"lambda": lambda t: np.where(t < 0.6, 1.1, 0.80)}), table
    )
    assert measured.values["lambda_mean"] == pytest.approx(0.80, abs=0.003)
    assert measured.values["lambda_max"] == pytest.approx(0.81, abs=0.01)
    assert measured.values["lean_time_s"] == 0.0


@pytest.mark.parametrize(("lost", "expected"), [(0.0, 0.0), (0.2, 20.0)])
def test_air_lost_after_the_meter_shows_in_the_flow(
    make_pull: Make,
    table: Limits,
    step: Callable[..., Array],
    rpm_ramp: Callable[..., Array],
    lost: float,
    expected: float,
) -> None:
    def flow(t: Array) -> Array:
        boost = np.where(t < 0, -40.0, step(t, to=91.5, base=-5.0))
        return 3e-4 * rpm_ramp(t) * (100 + boost) * (1 + lost * (boost > 30))

    values = check.measure(make_pull(channels={"mass_air_flow": flow}), table).values
    assert values["air_flow_excess_pct"] == pytest.approx(expected, abs=4)


@pytest.mark.parametrize(
    ("reads", "falls", "lean"),
    [(1.5, -140.0, True), (1.5, 0.0, False), (1.5, 140.0, False), (1.05, 140.0, True)],
)
def test_a_slow_cut_at_the_end_needs_free_air_and_a_speed_that_climbs_no_more(
    make_pull: Make,
    codes: Codes,
    table: Limits,
    rpm_ramp: Callable[..., Array],
    reads: float,
    falls: float,
    lean: bool,
) -> None:
    shapes = {
        "injector_duty": None,
        "lambda": lambda t: np.where(t > 5.5, reads, 0.79),
        "engine_speed": lambda t: (
            np.minimum(rpm_ramp(t), rpm_ramp(np.array(5.45))) - falls * np.clip(t - 5.45, 0, None)
        ),
    }
    found = codes(check, make_pull(rate=8.0, channels=shapes), table)
    assert ("mixture.lean" in found) is lean


def test_a_pull_too_short_to_judge_the_mixture_says_so(make_pull: Make, table: Limits) -> None:
    pull = make_pull(1.85, 50.0, {"boost": lambda t: np.where(t < 1.35, 5.0, 60.0)})
    measured = check.measure(pull, table)
    assert (
        measured.unable is not None
        and measured.unable[0] == "too_short"
        and "lambda_mean" in measured.values
    )


def test_lambda_at_the_top_shows_what_the_mean_hides(make_pull, table):
    tired = {"lambda": lambda t: 0.78 + 0.05 * np.clip((t - 4.5) / 0.5, 0.0, 1.0)}
    found = check.measure(make_pull(6.0, 20.0, tired), table).values
    assert found["lambda_top"] == pytest.approx(0.83, abs=0.005)
    assert found["lambda_mean"] < 0.80
    level = check.measure(make_pull(6.0, 20.0, {"lambda": 0.78}), table).values
    assert level["lambda_top"] == pytest.approx(0.78, abs=0.002)


def test_figure_and_limit_of_lambda_have_the_same_decimals():
    """By boost the limit lies on a line: its fourth decimal says nothing."""
    assert _limit(0.9196, "1") == "0.92" and _limit(0.9333, "1") == "0.933"
    assert _limit(13.79, "kPa") == "13.79 kPa"


def test_a_drift_needs_seconds_whatever_the_number_of_samples(
    make_pull: Make, table: Limits
) -> None:
    def hurried(t: Array) -> Array:
        return 2600.0 + 2600.0 * np.clip(t, 0, 6)

    for duration, seen in ((2.3, False), (6.0, True)):
        pull = make_pull(duration, 100.0, {"engine_speed": hurried})
        assert ("lambda_slope_per_krpm" in check.measure(pull, table).values) is seen, duration
