"""Over the engine speed of the car file, or far over where every other pull ends."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.engine import engine_speed as check
from audit.model import Array, Car, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]
CAR = Car(engine_limit_rpm=6000.0)


def up_to(top: float) -> Callable[[Array], Array]:
    return lambda t: np.interp(t, [-1, 0, 6], [2500.0, 2600.0, top])


@pytest.mark.parametrize(
    ("share", "severity"),
    [
        (0.97, None),
        (0.995, None),
        (1.005, "watch"),
        (1.025, "watch"),
        (1.035, "hold"),
        (1.055, "hold"),
        (1.065, "stop"),
    ],
)
def test_both_sides_of_each_level_over_the_car_s_limit(
    make_pull: Make, codes: Codes, table: Limits, share: float, severity: str | None
) -> None:
    pull = make_pull(rate=50, car=CAR, channels={"engine_speed": up_to(6000 * share)}, noise={})
    assert codes(check, pull, table).get("engine.overspeed") == severity


def test_one_wild_sample_is_none(make_pull: Make, codes: Codes, table: Limits) -> None:
    wild = lambda t: np.where(np.abs(t - 3) < 0.02, 9000.0, up_to(5800)(t))  # noqa: E731
    assert codes(check, make_pull(car=CAR, channels={"engine_speed": wild}), table) == {}


def test_the_run_on_into_the_shift_counts(make_pull: Make, codes: Codes, table: Limits) -> None:
    speed = lambda t: np.where((t > 6.1) & (t < 6.4), 6250.0, up_to(5900)(t))  # noqa: E731
    pull = make_pull(car=CAR, channels={"engine_speed": speed})
    assert codes(check, pull, table) == {"engine.overspeed": "hold"}


def test_without_a_limit_in_the_car_file_a_pull_alone_says_nothing(
    make_pull: Make, table: Limits
) -> None:
    measured = check.measure(make_pull(), table)
    assert measured.unable is not None and measured.unable[0] == "missing"


@pytest.mark.parametrize(
    ("tops", "severity"),
    [
        ([6500, 6520, 6490, 6900], None),
        ([6500, 6520, 7100, 6490], "watch"),
        ([7500, 6500, 6520, 6490], "hold"),
        ([6500, 6520, 7500], None),  # too few to tell
        ([4000, 5000, 6000, 7500], None),  # a night of pulls of every length
    ],
)
def test_far_over_where_every_other_pull_ends(
    make_pull: Make, table: Limits, tops: list[float], severity: str | None
) -> None:
    pulls = [make_pull(channels={"engine_speed": up_to(top)}) for top in tops]
    measures = [check.measure(p, table).values for p in pulls]
    across = check.across(pulls, measures, table)
    assert [f.severity for f, _ in across.findings] == ([severity] if severity else [])
    if severity:
        assert across.findings[0][1] == (tops.index(max(tops)),)


def test_a_gear_too_low_on_the_overrun_is_found_outside_the_pull(
    make_pull: Make, table: Limits
) -> None:
    speed = lambda t: np.where((t > 8) & (t < 10), 6800.0, up_to(5500)(t))  # noqa: E731
    pull = make_pull(car=CAR, tail_s=6.0, channels={"engine_speed": speed})
    judged = check.whole_log(pull.log, pull.sanity, CAR, table)
    assert [f.severity for f in judged.findings] == ["stop"]
    assert "throttle shut" in judged.findings[0].message
    quiet = make_pull(car=CAR, tail_s=6.0, channels={"engine_speed": up_to(5500)})
    assert check.whole_log(quiet.log, quiet.sanity, CAR, table).findings == ()


def test_without_a_throttle_all_that_is_no_pull_counts(make_pull: Make, table: Limits) -> None:
    speed = lambda t: np.where((t > 8) & (t < 10), 6800.0, up_to(5500)(t))  # noqa: E731
    shapes = {"engine_speed": speed, "throttle_position": None}
    pull = make_pull(car=CAR, tail_s=6.0, channels=shapes)
    judged = check.whole_log(pull.log, pull.sanity, CAR, table)
    assert [f.severity for f in judged.findings] == ["stop"]
