"""A throttle that the engine computer closes, and what looks like it: the lift, the shift, the limiter, a slow opening."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.engine import throttle_closed as check
from audit.checks.kit.registry import check_of
from audit.model import Array, Car, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]
Shape = Callable[[Array], Array]


def down(t: Array) -> Array:
    return np.where((t >= -0.05) & (t < 6.0), 100.0, 12.0)


def closing(to: float, start: float, end: float) -> Shape:
    return lambda t: np.where(
        (t >= start) & (t < end), to, np.where((t >= 0) & (t < 6.05), 99.6, 12.0)
    )


def test_the_code_belongs_to_boost_control() -> None:
    assert check_of("control.throttle_closed") == "boost_control"


@pytest.mark.parametrize("rate", [5.0, 10.0, 50.0, 100.0])
@pytest.mark.parametrize(("to", "end"), [(40.0, 6.0), (70.0, 4.6), (85.0, 6.0)])
def test_a_throttle_that_closes_under_the_pedal_holds(
    make_pull: Make, codes: Codes, table: Limits, rate: float, to: float, end: float
) -> None:
    pull = make_pull(
        rate=rate, channels={"throttle_position": closing(to, 4.0, end), "pedal_position": down}
    )
    assert codes(check, pull, table) == {"control.throttle_closed": "hold"}
    measured = check.measure(pull, table)
    assert measured.values["throttle_closed_pct"] == pytest.approx(100 - to / 0.996, abs=1.0)


@pytest.mark.parametrize(("to", "found"), [(94.0, False), (90.0, True)])
def test_both_sides_of_the_limit(
    make_pull: Make, codes: Codes, table: Limits, to: float, found: bool
) -> None:
    pull = make_pull(channels={"throttle_position": closing(to, 4.0, 6.0), "pedal_position": down})
    assert bool(codes(check, pull, table)) is found


@pytest.mark.parametrize("rate", [5.0, 10.0, 50.0])
@pytest.mark.parametrize("late_s", [0.0, 0.08])
def test_the_lift_is_none(
    make_pull: Make, codes: Codes, table: Limits, rate: float, late_s: float
) -> None:
    """Pedal and throttle fall together, or one of them is read a little later."""
    pull = make_pull(
        rate=rate,
        tail_s=3.0,
        channels={
            "throttle_position": lambda t: np.where((t >= 0) & (t < 6.0 - late_s), 99.6, 3.0),
            "pedal_position": lambda t: np.where((t >= 0) & (t < 6.0), 100.0, 0.0),
        },
    )
    assert codes(check, pull, table) == {}


def test_a_throttle_that_opens_slowly_behind_the_pedal_is_none(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    slow = lambda t: np.where(t < 6.05, np.clip(20 + 80 * t, 12, 99.6), 12.0)  # noqa: E731
    assert (
        codes(check, make_pull(channels={"throttle_position": slow, "pedal_position": down}), table)
        == {}
    )


def test_one_sample_is_none(make_pull: Make, codes: Codes, table: Limits) -> None:
    for rate in (10.0, 50.0):
        pull = make_pull(
            rate=rate,
            channels={
                "throttle_position": closing(60.0, 4.0, 4.0 + 0.99 / rate),
                "pedal_position": down,
            },
        )
        assert codes(check, pull, table) == {}


def test_without_a_pedal_an_angle_that_stands_and_opens_again_holds(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert codes(
        check, make_pull(channels={"throttle_position": closing(60.0, 3.0, 3.8)}), table
    ) == {"control.throttle_closed": "hold"}


@pytest.mark.parametrize(
    "throttle",
    [
        closing(60.0, 5.0, 6.1),  # never opens again: the foot came back
        closing(3.0, 3.0, 3.8),  # shut: a lift
        lambda t: np.where(
            np.abs(t - 3.4) < 0.5, 99.6 - 90 * (0.5 - np.abs(t - 3.4)), closing(0, 9, 9)(t)
        ),
    ],
)
def test_without_a_pedal_a_foot_that_lifts_is_none(
    make_pull: Make, codes: Codes, table: Limits, throttle: Shape
) -> None:
    assert codes(check, make_pull(channels={"throttle_position": throttle}), table) == {}


def test_the_torque_cut_of_a_shift_is_none(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    pull = make_pull(
        channels={
            "throttle_position": closing(40.0, 3.0, 3.3),
            "pedal_position": down,
            "engine_speed": lambda t: np.where(t < 3.05, rpm_ramp(t), rpm_ramp(t) * 0.72),
        }
    )
    assert codes(check, pull, table) == {}


def test_a_limiter_that_works_by_the_throttle_is_none(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    pull = make_pull(
        car=Car(engine_limit_rpm=6500.0),
        channels={
            "throttle_position": closing(50.0, 5.5, 6.0),
            "pedal_position": down,
            "engine_speed": lambda t: np.minimum(rpm_ramp(t), 6400.0),
        },
    )
    assert codes(check, pull, table) == {}


def test_two_samples_of_a_fast_log_are_none(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = make_pull(
        rate=100,
        channels={"throttle_position": closing(60.0, 4.0, 4.045), "pedal_position": down},
    )
    assert codes(check, pull, table) == {}


def test_the_torque_cut_of_a_shift_below_the_top_of_the_log_is_none(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    pull = make_pull(
        lead_s=8.0,
        channels={
            "throttle_position": closing(40.0, 3.0, 3.3),
            "pedal_position": down,
            "engine_speed": lambda t: np.where(
                t < -4, 6800.0, np.where(t < 3.05, rpm_ramp(t), rpm_ramp(t) * 0.72)
            ),
        },
    )
    assert codes(check, pull, table) == {}


def test_the_next_press_of_the_pedal_is_another_pull(
    make_pull: Make, codes: Codes, table: Limits, rpm_ramp: Callable[..., Array]
) -> None:
    """After a lift the pedal goes down again at once and the throttle follows slowly."""
    pull = make_pull(
        duration=4.0,
        lead_s=8.0,
        tail_s=3.0,
        channels={
            "engine_speed": lambda t: np.where(t < -4, 6800.0, rpm_ramp(t)),
            "pedal_position": lambda t: np.where(((t >= 0) & (t < 4.0)) | (t > 4.4), 100.0, 0.0),
            "throttle_position": lambda t: np.where(
                (t >= 0.05) & (t < 4.0),
                99.6,
                np.where(t > 4.4, np.clip(5 + 80 * (t - 4.4), 0, 99), 5.0),
            ),
        },
    )
    assert codes(check, pull, table) == {}
