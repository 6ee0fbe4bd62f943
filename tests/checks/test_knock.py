"""Knock retard and knock count: signs, offsets, wraps and resets."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.engine import knock as check
from audit.model import Array, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]


def pulled(deg: float, start: float = 3.0, end: float = 3.8) -> Callable[[Array], Array]:
    return lambda t: np.where((t >= start) & (t < end), deg, 0.0)


@pytest.mark.parametrize(
    ("deg", "severity"),
    [(1.9, None), (2.1, "watch"), (2.9, "watch"), (3.1, "hold"), (5.9, "hold"), (6.1, "stop")],
)
def test_both_sides_of_retard(
    make_pull: Make, codes: Codes, table: Limits, deg: float, severity: str | None
) -> None:
    found = codes(check, make_pull(channels={"knock_retard": pulled(deg)}), table)
    assert found == ({"knock.retard": severity} if severity else {})


def test_the_sign_is_not_decided_here(make_pull: Make, codes: Codes, table: Limits) -> None:
    """Retard is positive in a log; what is below 0 here is timing given back, whatever the rest of the log reads."""
    assert (
        codes(check, make_pull(channels={"knock_retard": lambda t: -pulled(6.5)(t)}), table) == {}
    )


@pytest.mark.parametrize(
    ("degrees", "severity"),
    [
        ([1.4, 1.4, 1.4], None),
        ([1.6, 0.0, 1.6], "watch"),
        ([1.9, 0.0, 0.0], None),
        ([2.4, 2.4], "watch"),
        ([2.6, 2.6], "hold"),
        ([2.9, 0.0], None),
    ],
)
def test_retard_that_two_pulls_reach_counts_sooner(
    make_pull: Make, table: Limits, degrees: list[float], severity: str | None
) -> None:
    pulls = [make_pull(channels={"knock_retard": pulled(d)}) for d in degrees]
    across = check.across(pulls, [check.measure(p, table).values for p in pulls], table)
    assert [f.severity for f, _ in across.findings] == ([severity] if severity else [])
    if severity:
        assert across.findings[0][1] == tuple(i for i, d in enumerate(degrees) if d)


@pytest.mark.parametrize("rate", [5.0, 20.0, 100.0])
def test_one_sample_of_retard_is_nothing(
    make_pull: Make, codes: Codes, table: Limits, rate: float
) -> None:
    assert (
        codes(
            check,
            make_pull(rate=rate, channels={"knock_retard": pulled(8.0, 4.0, 4.0 + 0.9 / rate)}),
            table,
        )
        == {}
    )


@pytest.mark.parametrize("believed", [True, False])
@pytest.mark.parametrize(("deg", "severity"), [(11.8, None), (12.2, "hold"), (25.5, "hold")])
def test_one_sample_that_nobody_can_explain_is_missing_evidence(
    make_pull: Make,
    codes: Codes,
    table: Limits,
    deg: float,
    severity: str | None,
    believed: bool,
) -> None:
    """Whether or not the sensor tests took it out as a spike."""
    lone = pulled(deg, 4.0, 4.04)
    flags = {} if believed else {"knock_retard": lambda t: np.where(lone(t) > 0, 3, 1)}
    found = codes(check, make_pull(channels={"knock_retard": lone}, flags=flags), table)
    assert found == ({"knock.retard": severity} if severity else {})


def test_a_learned_offset_is_not_active_knock(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert codes(check, make_pull(channels={"knock_retard": 3.0}), table) == {}
    found = codes(
        check, make_pull(channels={"knock_retard": lambda t: 3.0 + pulled(4.5)(t)}), table
    )
    assert found == {"knock.retard": "hold"}


def test_a_little_noise_is_fine(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = make_pull(
        channels={"knock_retard": 0.3}, noise={"knock_retard": 0.4}, quantise={"knock_retard": 0.5}
    )
    assert codes(check, pull, table) == {}


def counted(events: int, before: int = 100) -> Callable[[Array], Array]:
    return lambda t: before + np.round(np.clip((t - 2) / 3, 0, 1) * events)


@pytest.mark.parametrize(
    ("events", "severity"), [(1, None), (2, "watch"), (5, "hold"), (30, "hold")]
)
def test_both_sides_of_the_count(
    make_pull: Make, codes: Codes, table: Limits, events: int, severity: str | None
) -> None:
    found = codes(check, make_pull(channels={"knock_count": counted(events)}), table)
    assert found == ({"knock.count": severity} if severity else {})


def test_events_before_the_pull_do_not_count(make_pull: Make, codes: Codes, table: Limits) -> None:
    assert (
        codes(
            check,
            make_pull(channels={"knock_count": lambda t: np.where(t < -0.3, 3.0, 20.0)}),
            table,
        )
        == {}
    )


@pytest.mark.parametrize("top", [256, 65536])
def test_a_counter_that_wraps_goes_on(make_pull: Make, table: Limits, top: int) -> None:
    pull = make_pull(channels={"knock_count": lambda t: (counted(6, before=top - 3)(t)) % top})
    assert check.measure(pull, table).values["knock_count_rise"] == 6


def test_a_counter_that_is_reset_starts_again(make_pull: Make, table: Limits) -> None:
    pull = make_pull(
        channels={"knock_count": lambda t: np.where(t < 3, 120.0, np.where(t < 4, 0.0, 3.0))}
    )
    assert check.measure(pull, table).values["knock_count_rise"] == 3


def test_a_dropout_of_the_counter_is_nothing(make_pull: Make, table: Limits) -> None:
    pull = make_pull(channels={"knock_count": lambda t: np.where(np.abs(t - 4) < 0.02, 0.0, 120.0)})
    assert check.measure(pull, table).values["knock_count_rise"] == 0


def test_a_value_that_goes_up_and_down_is_no_count(make_pull: Make, table: Limits) -> None:
    pull = make_pull(
        channels={"knock_count": lambda t: np.round(5 + 5 * np.sin(t * 5)), "knock_retard": None}
    )
    measured = check.measure(pull, table)
    assert measured.values.get("knock_count_rise") is None
    assert measured.unable is not None


@pytest.mark.parametrize(
    ("events", "severity"), [([1, 1, 1], None), ([2, 2], "watch"), ([3, 4, 3], "hold"), ([4], None)]
)
def test_events_that_two_pulls_reach_count_sooner(
    make_pull: Make, table: Limits, events: list[int], severity: str | None
) -> None:
    shapes = [{"knock_count": counted(n), "knock_retard": None} for n in events]
    pulls = [make_pull(channels=shape) for shape in shapes]
    across = check.across(pulls, [check.measure(p, table).values for p in pulls], table)
    found = [("knock.count", severity)] if severity else []
    assert [(f.code, f.severity) for f, _ in across.findings] == found
