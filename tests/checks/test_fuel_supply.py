"""Fuel pressure by kind of rail, injector time, and the night's trend."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from audit.checks.mixture import fuel_supply as check
from audit.checks.mixture.fuel_rail import read_rail
from audit.model import Array, Car, Pull
from audit.tables import Limits

Make = Callable[..., Pull]
Codes = Callable[[Any, Pull, Limits], dict[str, str]]


def boost(t: Array) -> Array:
    """Cruise at a wandering vacuum, then a pull to 91.5 kPa, then closed throttle."""
    pull = -5 + 101.5 / (1 + np.exp(-(t - 1.0) * 6))
    return np.where(t < 0, -45 + 25 * np.sin(t * 2.0), np.where(t > 6.0, -60.0, pull))


def referenced(drop: float = 0.0, base: float = 300.0) -> Callable[[Array], Array]:
    """A rail that follows the manifold, short by `drop` of its base once boost stands."""
    return lambda t: base * (1 - drop * np.clip((t - 2) / 2, 0, 1) * (t <= 6.0)) + boost(t)


def made(make_pull: Make, rail: Any, **more: Any) -> Pull:
    channels = {"boost": boost, "fuel_pressure": rail, **more.pop("channels", {})}
    return make_pull(lead_s=8.0, channels=channels, **more)


@pytest.mark.parametrize(
    ("drop", "severity"),
    [(0.0, None), (0.052, None), (0.07, "watch"), (0.112, "watch"), (0.13, "hold"), (0.21, "stop")],
)
@pytest.mark.parametrize("rate", [5.0, 20.0, 100.0])
def test_both_sides_of_the_fall(
    make_pull: Make, codes: Codes, table: Limits, drop: float, severity: str | None, rate: float
) -> None:
    assert codes(check, made(make_pull, referenced(drop), rate=rate), table) == (
        {"fuel.pressure_drop": severity} if severity else {}
    )


def test_the_kind_of_rail_is_told_off_load(make_pull: Make) -> None:
    follows, constant = read_rail(made(make_pull, referenced())), read_rail(made(make_pull, 400.0))
    assert follows is not None
    assert constant is not None
    assert (follows.kind, follows.sure) == ("referenced", True)
    assert (constant.kind, constant.sure) == ("constant", True)


def test_a_returnless_rail_is_not_a_fall(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = made(make_pull, 400.0)
    assert codes(check, pull, table) == {}
    assert check.measure(pull, table).values["fuel_differential_min_kpa"] == pytest.approx(
        303.5, abs=4
    )


def test_a_returnless_rail_that_itself_falls_is_one(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert codes(check, made(make_pull, lambda t: np.where(t > 3, 340.0, 400.0)), table) == {
        "fuel.pressure_drop": "hold"
    }


def test_a_short_dip_while_boost_rises_is_no_fall(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    late = lambda t: 300.0 + boost(t - 0.2)  # noqa: E731
    assert codes(check, made(make_pull, late), table) == {}


def test_one_low_sample_is_no_fall(make_pull: Make, codes: Codes, table: Limits) -> None:
    dip = lambda t: referenced()(t) - np.where(np.abs(t - 4) < 0.02, 200.0, 0.0)  # noqa: E731
    assert codes(check, made(make_pull, dip), table) == {}


def test_without_off_load_the_start_of_the_pull_is_the_level(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    assert codes(
        check,
        make_pull(
            lead_s=0.0, tail_s=0.0, channels={"boost": boost, "fuel_pressure": referenced(0.15)}
        ),
        table,
    ) == {"fuel.pressure_drop": "hold"}


def test_a_direct_injection_rail_is_judged_by_itself(
    make_pull: Make, codes: Codes, table: Limits
) -> None:
    maps = lambda t: np.where(t < 0, 5000.0, 15000 + 300 * t)  # noqa: E731
    rises = lambda t: np.where(t < 0.4, 4000.0 + 15000 * np.clip(t, 0, 0.4), 10000 + 900 * t)  # noqa: E731
    assert codes(check, made(make_pull, maps), table) == {}
    assert codes(check, made(make_pull, rises), table) == {}


@pytest.mark.parametrize(
    ("fall", "severity"),
    [
        (0.05, None),
        (0.075, "watch"),
        (0.11, "watch"),
        (0.135, "hold"),
        (0.185, "hold"),
        (0.22, "stop"),
    ],
)
def test_both_sides_of_the_fall_of_a_direct_injection_rail(
    make_pull: Make, codes: Codes, table: Limits, fall: float, severity: str | None
) -> None:
    rail = lambda t: np.where(t < 0, 5000.0, np.where(t > 3.5, 15000.0 * (1 - fall), 15000.0))  # noqa: E731
    found = codes(check, made(make_pull, rail), table)
    assert found == ({"fuel.pressure_drop": severity} if severity else {})


@pytest.mark.parametrize(
    ("duty", "severity"), [(84.0, None), (86.0, "watch"), (93.0, "hold"), (99.0, "stop")]
)
def test_both_sides_of_injector_duty(
    make_pull: Make, codes: Codes, table: Limits, duty: float, severity: str | None
) -> None:
    pull = make_pull(channels={"injector_duty": duty, "fuel_pressure": None})
    assert codes(check, pull, table) == ({"fuel.injector_limit": severity} if severity else {})


def test_one_sample_of_duty_is_nothing(make_pull: Make, codes: Codes, table: Limits) -> None:
    pull = make_pull(
        rate=10, channels={"injector_duty": lambda t: np.where(np.abs(t - 4) < 0.04, 120.0, 60.0)}
    )
    assert codes(check, pull, table) == {}


def test_duty_comes_from_the_pulse_where_it_is_not_logged(make_pull: Make, table: Limits) -> None:
    pull = make_pull(
        channels={"injector_duty": None, "injector_pulse_width": 16.0, "engine_speed": 7200.0},
        noise=0.0,
    )
    assert check.measure(pull, table).values["injector_duty_max_pct"] == pytest.approx(96.0)


def test_a_pulse_that_cannot_be_is_not_believed(make_pull: Make, table: Limits) -> None:
    pull = make_pull(
        channels={"injector_duty": None, "fuel_pressure": None, "injector_pulse_width": 32.0}
    )
    measured = check.measure(pull, table)
    assert measured.unable is not None
    assert measured.unable[0] == "not_believed"


def test_the_cars_own_duty_limit_holds(make_pull: Make, codes: Codes, table: Limits) -> None:
    for duty, severity in ((77.0, None), (79.0, "watch"), (86.0, "hold")):
        pull = make_pull(channels={"injector_duty": duty}, car=Car(injector_duty_limit_pct=85.0))
        assert codes(check, pull, table) == ({"fuel.injector_limit": severity} if severity else {})


def night(make_pull: Make, table: Limits, drops: list[float]) -> list[str]:
    pulls = [made(make_pull, referenced(d), seed=i) for i, d in enumerate(drops)]
    found = check.across(pulls, [check.measure(p, table).values for p in pulls], table)
    return [f.severity for f, _ in found.findings]


def test_a_fall_that_grows_from_pull_to_pull(make_pull: Make, table: Limits) -> None:
    assert night(make_pull, table, [0.0, 0.025, 0.05]) == ["watch"]
    assert night(make_pull, table, [0.0, 0.03, 0.06, 0.09]) == ["hold"]


def test_falls_that_come_and_go_do_not_grow(make_pull: Make, table: Limits) -> None:
    assert night(make_pull, table, [0.0, 0.05, 0.0, 0.05]) == []
    assert night(make_pull, table, [0.0, 0.05]) == []


@pytest.mark.parametrize(("last", "found"), [(91.0, "watch"), (93.2, "hold")])
def test_a_duty_that_climbs_to_the_lift_is_judged_by_its_last_samples(
    make_pull: Make, codes: Codes, table: Limits, last: float, found: str
) -> None:
    """10 % a second: a fifth of a second before the lift it is 2 % less."""
    climbs = lambda t: last - 10.0 * np.clip(6.0 - t, 0.0, None)  # noqa: E731
    channels = {"injector_duty": climbs, "fuel_pressure": None}
    pull = make_pull(duration=6.0, rate=25, channels=channels)
    assert codes(check, pull, table) == {"fuel.injector_limit": found}


def test_a_rail_at_rest_before_the_start_is_no_level_off_load(make_pull: Make) -> None:
    """The pump has stood for most of the time before the pull: the running engine's level counts."""

    def rail(t: Array) -> Array:
        return np.where(t < -3.0, 20.0, referenced()(t))

    def speed(t: Array) -> Array:
        return np.where(t < -3.0, 0.0, 2600.0 + 650.0 * np.clip(t, 0, 6))

    found = read_rail(made(make_pull, rail, channels={"engine_speed": speed}))
    assert found is not None
    assert found.off_load_kpa == pytest.approx(300.0, rel=0.05)
