"""Fuel cut under load, and what looks like it: the limiter, the overrun, the shift, a lean spike, a lone sample."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.mixture import fuel_cut as check
from audit.model import Array, Car, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]
FIRST_S, LONG_S = 2.5, 0.3


def cut_speed(
    rpm_ramp: Callable[..., Array], starts: tuple[float, ...], long_s: float = LONG_S
) -> Callable[[Array], Array]:
    """Engine speed that stops climbing while the fuel is off."""

    def shape(t: Array) -> Array:
        lost = sum(np.clip(t - s, 0.0, long_s) for s in starts)
        return rpm_ramp(t - lost) - 60.0 * np.asarray(lost)

    return shape


def air(
    starts: tuple[float, ...], long_s: float = LONG_S, lag_s: float = 0.15
) -> Callable[[Array], Array]:
    """Lambda that goes to air while the fuel is off, late and with a time constant."""

    def shape(t: Array) -> Array:
        fine = np.arange(t[0], t[-1] + 0.01, 0.01)
        off = np.zeros(len(fine), dtype=np.bool_)
        for s in starts:
            off |= (fine > s + lag_s) & (fine < s + lag_s + long_s)
        out = np.empty(len(fine))
        level = 0.79
        for i, cut in enumerate(off):
            level += ((2.4 if cut else 0.79) - level) * 0.01 / 0.06
            out[i] = level
        return np.interp(t, fine, out)

    return shape


def shut(starts: tuple[float, ...], long_s: float = LONG_S) -> Callable[[Array], Array]:
    return lambda t: np.where(
        np.any([(t >= s) & (t < s + long_s) for s in starts], axis=0), 0.0, 65.0
    )


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("injectors", [True, False])
@pytest.mark.parametrize("starts", [(2.5,), (2.5, 3.4, 4.2)])
def test_a_cut_in_the_pull_holds(
    make_pull: Make,
    codes: Codes,
    table: Limits,
    rpm_ramp: Callable[..., Array],
    rate: float,
    injectors: bool,
    starts: tuple[float, ...],
) -> None:
    pull = make_pull(
        rate=rate,
        channels={
            "engine_speed": cut_speed(rpm_ramp, starts),
            "lambda": air(starts),
            "injector_duty": shut(starts) if injectors else None,
        },
    )
    assert codes(check, pull, table) == {"fuel.cut": "hold"}
    measured = check.measure(pull, table)
    assert measured.values["fuel_cuts"] == len(starts)
    assert measured.at["fuel_cut_s"][0] == pytest.approx(3.0 + 2.5, abs=0.2)


def test_a_healthy_pull_has_none(make_pull: Make, codes: Codes, table: Limits) -> None:
    for rate in (5.0, 10.0, 50.0, 100.0):
        assert codes(check, make_pull(rate=rate), table) == {}


def test_without_lambda_the_injectors_tell(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = make_pull(channels={"lambda": None, "injector_duty": shut((2.5,))})
    assert codes(check, pull, table) == {"fuel.cut": "hold"}


def test_one_dropped_sample_of_the_injectors_is_none(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(channels={"injector_duty": shut((2.5,), 0.049)})
    assert codes(check, pull, table) == {}


def test_a_lean_spike_with_the_engine_climbing_on_is_none(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    """The sensor alone: engine and boost do not feel it, so it is judged as a mixture, not as a cut."""
    pull = make_pull(channels={"lambda": air((2.5,)), "injector_duty": None})
    assert codes(check, pull, table) == {}


@pytest.mark.parametrize("limit", [None, 6600.0])
def test_the_limiter_at_the_top_is_none(
    make_pull: Make,
    codes: Codes,
    table: Limits,
    rpm_ramp: Callable[..., Array],
    limit: float | None,
) -> None:
    starts = (5.4, 5.7)
    pull = make_pull(
        car=Car(engine_limit_rpm=limit),
        channels={
            "engine_speed": lambda t: np.minimum(cut_speed(rpm_ramp, starts, 0.15)(t), 6350.0),
            "lambda": air(starts, 0.15),
            "injector_duty": shut(starts, 0.15),
        },
        ended_by="limiter",
    )
    assert codes(check, pull, table) == {}


@pytest.mark.parametrize(("lift_s", "found"), [(5.9, {}), (6.8, {"fuel.cut": "hold"})])
def test_what_engine_speed_does_off_the_throttle_tells_nothing_of_the_limiter(
    make_pull: Make,
    codes: Codes,
    table: Limits,
    rpm_ramp: Callable[..., Array],
    lift_s: float,
    found: dict[str, str],
) -> None:
    """A cut at the top is the limiter's though speed runs up by 4 % after the lift; with the foot down it is not."""

    def speed(t: Array) -> Array:
        held = np.minimum(cut_speed(rpm_ramp, (5.7,), 0.2)(t), 6350.0)
        return np.where(t > 6.0, 6350.0 * (1.0 + 0.04 * np.clip((t - 6.0) / 0.4, 0.0, 1.0)), held)

    channels = {
        "engine_speed": speed,
        "lambda": air((5.7,), 0.2),
        "injector_duty": shut((5.7,), 0.2),
        "throttle_position": lambda t: np.where((t > 0.0) & (t < lift_s), 100.0, 5.0),
    }
    assert codes(check, make_pull(channels=channels, ended_by="limiter"), table) == found


def test_a_cut_at_the_top_of_the_log_far_below_the_car_s_limit_is_one(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    channels = {
        "engine_speed": lambda t: np.minimum(cut_speed(rpm_ramp, (5.75,))(t) * 0.75, 4810.0),
        "lambda": air((5.75,)),
        "injector_duty": shut((5.75,)),
    }
    near = make_pull(car=Car(engine_limit_rpm=4900.0), channels=channels)
    far = make_pull(car=Car(engine_limit_rpm=7000.0), channels=channels)
    assert codes(check, near, table) == {}
    assert codes(check, far, table) == {"fuel.cut": "hold"}


@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_the_overrun_after_the_lift_is_none(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array], rate: float
) -> None:
    pull = make_pull(
        rate=rate,
        tail_s=3.0,
        channels={
            "engine_speed": lambda t: np.where(t < 4.0, rpm_ramp(t) * 0.8, 4300 - 300 * (t - 4.0)),
            "throttle_position": lambda t: np.where((t >= 0) & (t < 4.0), 100.0, 2.0),
            "lambda": lambda t: np.where(t > 4.2, 2.2, 0.79),
            "injector_duty": lambda t: np.where(t > 4.05, 0.0, 60.0),
        },
        duration=4.0,
    )
    assert codes(check, pull, table) == {}


def test_a_cut_that_the_driver_lifts_after_is_one(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    """Another pull of the log has shown that the engine turns higher."""
    pull = make_pull(
        duration=4.0,
        lead_s=8.0,
        tail_s=3.0,
        channels={
            "engine_speed": lambda t: np.where(
                t < -4, 6800.0, np.where(t < 3.4, rpm_ramp(t) * 0.8, 4150 - 200 * (t - 3.4))
            ),
            "throttle_position": lambda t: np.where((t >= 0) & (t < 4.0), 100.0, 2.0),
            "lambda": lambda t: np.where(t > 3.55, 2.2, 0.79),
            "injector_duty": lambda t: np.where(t > 3.4, 0.0, 60.0),
        },
    )
    assert codes(check, pull, table) == {"fuel.cut": "hold"}


def test_small_injection_while_boost_builds_is_none(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(channels={"injector_duty": lambda t: 8.0 + 60.0 * np.clip(t / 3, 0, 1)})
    assert codes(check, pull, table) == {}


def test_two_dropped_samples_of_a_fast_log_are_none(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    pull = make_pull(rate=100, channels={"injector_duty": shut((2.5,), 0.019)})
    assert codes(check, pull, table) == {}


def test_injection_that_falls_a_little_at_the_tip_in_is_none(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    duty = lambda t: np.where(t < 0.3, 11.0, np.where(t < 0.7, 8.0, 65.0))  # noqa: E731
    assert codes(check, make_pull(channels={"injector_duty": duty}), table) == {}


def test_a_lift_far_below_the_top_of_the_log_is_none(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    """The overrun of a pull that was given up early, in a log that has turned higher before."""
    pull = make_pull(
        duration=4.0,
        lead_s=8.0,
        tail_s=3.0,
        channels={
            "engine_speed": lambda t: np.where(
                t < -4, 6800.0, np.where(t < 4.0, rpm_ramp(t) * 0.8, 4300 - 300 * (t - 4.0))
            ),
            "throttle_position": lambda t: np.where((t >= 0) & (t < 4.0), 100.0, 2.0),
            "lambda": lambda t: np.where(t > 4.2, 2.2, 0.79),
            "injector_duty": lambda t: np.where(t > 4.05, 0.0, 60.0),
        },
    )
    assert codes(check, pull, table) == {}


def test_a_cut_near_the_top_that_the_pull_climbs_on_from_is_one(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    pull = make_pull(
        channels={
            "engine_speed": lambda t: np.minimum(cut_speed(rpm_ramp, (5.2,), 0.15)(t), 6450.0),
            "lambda": air((5.2,), 0.15),
            "injector_duty": shut((5.2,), 0.15),
        }
    )
    assert codes(check, pull, table) == {"fuel.cut": "hold"}


def test_slow_samples_say_nothing(make_pull: Make, table: Limits) -> None:
    from audit.checks.kit.run import run_pull

    _, results = run_pull(make_pull(rate=3.0), table)
    assert results["fuel_supply"].status == "pass"  # pressure and duty are still judged


@pytest.mark.parametrize(("air_from_s", "said"), [(2.5, True), (4.5, False)])
def test_air_after_the_injectors_shut_is_told_with_the_cut_and_no_other(
    make_pull: Make, table: Limits, air_from_s: float, said: bool
) -> None:
    channels = {"lambda": air((air_from_s,)), "injector_duty": shut((2.5,))}
    text = check.measure(make_pull(rate=20.0, channels=channels), table).texts["fuel_cut_s"]
    assert ("lambda went to" in text) is said
