"""Each figure of a pull of known physics is the known one, and each limit is one of it: both sides, 2 % apart or less.

Every pull here is free of noise, so that the true figure is known from how it was made and not from what the check said
of it; what a check makes of noise is tested beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from audit.checks.boost import boost_control, boost_delivery, boost_overshoot, oscillation
from audit.checks.engine import (
    electrical,
    engine_speed,
    knock,
    lubrication,
    throttle_closed,
    traction,
)
from audit.checks.heat import exhaust, heat_soak
from audit.checks.mixture import banks_differ, fuel_supply, lean_under_load
from audit.model import Array, Car, Limit, Pull
from audit.tables import Limits, limits
from tests.checks.conftest import make_pull, rpm_ramp, step

SIDE = 0.02  # share of a level that its two sides lie off it
ORDER = ("watch", "hold", "stop")


@dataclass(frozen=True)
class Case:
    """A fault of any size in a pull: what it is measured by, and how near the figure must come.

    seen: when it lasts, s from the start of the pull; within: the same for its first and last moment. off: the sides of
    a level where 2 % of it are no measure (a lambda, a temperature).
    """

    check: Any
    code: str
    measure: str
    make: Callable[[float, float], Pull]
    near: float
    seen: tuple[float, float] | None = None
    within: float = 0.11
    rates: tuple[float, ...] = (10.0, 20.0, 50.0)
    off: float | None = None
    boost: float | None = None
    part: bool = False  # the check names any stretch of the fault, not all of it

    @property
    def name(self) -> str:
        return self.measure if self.boost is None else f"{self.measure}@{self.boost:g}"


def box(t: Array, a: float, b: float, inside: float, outside: float) -> Array:
    return np.where((t >= a - 1e-6) & (t <= b + 1e-6), inside, outside)


def pull_with(rate: float, channels: dict[str, Any], **more: Any) -> Pull:
    return make_pull(rate=rate, channels=channels, noise={}, **more)


def flat_boost(level: float) -> Callable[[Array], Array]:
    """Up within a second, then level."""
    return lambda t: np.where(t < 0, -40.0, step(t, to=level, base=-5.0, spool_s=0.6))


def supply(size: float, rate: float) -> Pull:
    return pull_with(rate, {"battery_voltage": lambda t: box(t, 2.0, 3.5, size, 13.8)})


def oil(size: float, rate: float) -> Pull:
    return pull_with(
        rate,
        {
            "engine_speed": lambda t: np.full(t.shape, 4000.0),
            "oil_pressure": lambda t: box(t, 2.0, 4.0, size * 4.0, size * 4.4),
        },
    )


def retard(size: float, rate: float) -> Pull:
    return pull_with(rate, {"knock_retard": lambda t: box(t, 2.0, 2.6, size, 0.0)})


def charge_peak(size: float, rate: float) -> Pull:
    return pull_with(rate, {"intake_air_temp": lambda t: size - 5.0 + 5.0 * np.clip(t / 6, 0, 1)})


def charge_rise(size: float, rate: float) -> Pull:
    return pull_with(rate, {"intake_air_temp": lambda t: 15.0 + size * np.clip(t / 5, 0, 1)})


def coolant_peak(size: float, rate: float) -> Pull:
    return pull_with(rate, {"coolant_temp": lambda t: size - 2.0 + 2.0 * np.clip(t / 5, 0, 1)})


def coolant_rise(size: float, rate: float) -> Pull:
    return pull_with(rate, {"coolant_temp": lambda t: 81.0 + size * np.clip(t / 5, 0, 1)})


def coolant_start(size: float, rate: float) -> Pull:
    return pull_with(rate, {"coolant_temp": lambda t: size + 1.0 * np.clip(t, 0, 6)})


def oil_start(size: float, rate: float) -> Pull:
    return pull_with(rate, {"oil_temp": lambda t: size + 1.0 * np.clip(t, 0, 6)})


def exhaust_peak(size: float, rate: float) -> Pull:
    return pull_with(rate, {"exhaust_gas_temp": lambda t: box(t, 3.0, 5.0, size, size - 120.0)})


def overspeed(size: float, rate: float) -> Pull:
    top = 7000.0 * (1 + size / 100)
    return pull_with(
        rate,
        {"engine_speed": lambda t: np.clip(3000 + (top - 3000) * t / 5.0, 2500, top)},
        car=Car(boost_limit_kpa=250.0, engine_limit_rpm=7000.0),
    )


def injectors(size: float, rate: float) -> Pull:
    return pull_with(rate, {"injector_duty": lambda t: box(t, 4.0, 5.5, size, 60.0)})


def pulse(size: float, rate: float) -> Pull:
    """One shot every two turns: at 6,000 rpm a cycle lasts 20 ms, of which 17 ms are 85 %."""
    return pull_with(
        rate,
        {
            "injector_duty": None,
            "engine_speed": lambda t: np.where(t < 4.0, 3000 + 750 * t, 6000.0),
            "injector_pulse_width": lambda t: np.where(t < 4.0, 8.0, 20.0 * size / 100),
        },
    )


def rail(size: float, rate: float) -> Pull:
    """A regulator that follows the manifold: 300 kPa over it, in the pull less by the fault."""
    boost = flat_boost(90.0)
    return pull_with(
        rate,
        {
            "boost": boost,
            "fuel_pressure": lambda t: box(t, 3.0, 5.0, 300 * (1 - size / 100), 300.0) + boost(t),
        },
        lead_s=10.0,
    )


def direct_rail(size: float, rate: float) -> Pull:
    return pull_with(
        rate,
        {"fuel_pressure": lambda t: box(t, 3.0, 5.0, 15000 * (1 - size / 100), 15000.0)},
    )


def lean(boost: float) -> Callable[[float, float], Pull]:
    def make(size: float, rate: float) -> Pull:
        return pull_with(
            rate,
            {
                "boost": flat_boost(boost),
                "lambda": lambda t: box(t, 3.0, 4.5, size, 0.77),
            },
        )

    return make


def lean_low(size: float, rate: float) -> Pull:
    return pull_with(
        rate, {"boost": flat_boost(28.0), "lambda": lambda t: box(t, 3.0, 4.5, size, 0.85)}
    )


def over_target(size: float, rate: float) -> Pull:
    return pull_with(
        rate,
        {
            "boost": flat_boost(60.0),
            "lambda_target": 0.72,
            "lambda": lambda t: 0.72 + box(t, 3.0, 4.5, size, 0.0),
        },
    )


def spike(boost: float) -> Callable[[float, float], Pull]:
    def make(size: float, rate: float) -> Pull:
        return pull_with(
            rate,
            {
                "boost": flat_boost(boost),
                "lambda": lambda t: box(t, 3.0, 3.1 + 1e-3, size, 0.77),
            },
        )

    return make


def rich(size: float, rate: float) -> Pull:
    return pull_with(rate, {"lambda": lambda t: box(t, 3.0, 4.5, size, 0.79)})


def drift(size: float, rate: float) -> Pull:
    """Leaner by so much each 1000 rpm, 0.83 at the top."""
    speed = lambda t: 3000 + 500 * np.clip(t, -2, 8)  # noqa: E731
    return pull_with(
        rate,
        {
            "engine_speed": speed,
            "boost": flat_boost(60.0),
            "lambda": lambda t: 0.835 - size * (6000.0 - speed(t)) / 1000,
        },
    )


def banks(size: float, rate: float) -> Pull:
    return pull_with(
        rate, {"lambda": 0.78, "lambda_2": lambda t: 0.78 + box(t, 3.0, 4.5, size, 0.0)}
    )


def overshoot(size: float, rate: float) -> Pull:
    """Half a sine of 0.6 s on 300 kPa, so that its share alone says nothing; its top falls on a sample at any rate."""

    def boost(t: Array) -> Array:
        bump = np.where((t >= 1.2) & (t <= 1.8), np.sin(np.pi * (t - 1.2) / 0.6), 0.0)
        return np.where(t < 0, -40.0, step(t, to=300.0, base=-5.0, spool_s=0.6)) + size * bump

    car = Car(boost_limit_kpa=400.0)
    return pull_with(rate, {"boost": boost, "boost_target": None}, car=car)


def over_its_target(size: float, rate: float) -> Pull:
    return pull_with(rate, {"boost": flat_boost(90.0 + size), "boost_target": 90.0})


def over_limit(size: float, rate: float) -> Pull:
    top = 120.0 * (1 + size / 100)
    return pull_with(
        rate, {"boost": flat_boost(top), "boost_target": None}, car=Car(boost_limit_kpa=120.0)
    )


def no_limit(size: float, rate: float) -> Pull:
    return pull_with(rate, {"boost": flat_boost(size), "boost_target": None}, car=Car())


def creep(size: float, rate: float) -> Pull:
    speed = lambda t: 3000 + 500 * np.clip(t, -2, 8)  # noqa: E731
    return pull_with(
        rate,
        {
            "engine_speed": speed,
            "boost": lambda t: (
                flat_boost(80.0)(t) + size * np.clip(speed(t) - 3750, 0, None) / 1000
            ),
            "boost_target": None,
        },
        duration=7.0,
    )


def under_target(size: float, rate: float) -> Pull:
    return pull_with(
        rate,
        {
            "boost": flat_boost(100.0 - size),
            "boost_target": 100.0,
            "wastegate_duty": lambda t: 50 + 20 * np.clip(t / 6, 0, 1),
        },
    )


def lost(size: float, rate: float) -> Pull:
    """Within 0.2 s to what is left, for good."""

    def boost(t: Array) -> Array:
        fall = np.clip((t - 3.5) / 0.2, 0, 1)
        return flat_boost(90.0)(t) * (1 - size / 100 * fall)

    return pull_with(rate, {"boost": boost, "boost_target": None})


def fade(size: float, rate: float) -> Pull:
    """Falls in one line from its settled peak to the end."""

    def boost(t: Array) -> Array:
        return flat_boost(100.0)(t) * (1 - size / 100 * np.clip((t - 1.5) / 4.5, 0, 1))

    return pull_with(rate, {"boost": boost, "boost_target": None, "wastegate_duty": None})


def swing(size: float, rate: float) -> Pull:
    """A steady sine, 1.5 Hz, from the plateau on; size peak to peak."""

    def boost(t: Array) -> Array:
        wave = np.where(t > 1.2, np.sin(2 * np.pi * 1.5 * (t - 1.2)), 0.0)
        return flat_boost(90.0)(t) + 0.5 * size * wave

    return pull_with(rate, {"boost": boost, "boost_target": None})


def saturated(size: float, rate: float) -> Pull:
    return pull_with(
        rate,
        {
            "boost": flat_boost(100.0 - size),
            "boost_target": 100.0,
            "wastegate_duty": 95.0,
        },
    )


def over_spring(size: float, rate: float) -> Pull:
    """8 % of duty may add 1.5 kPa each to the spring's 50 kPa."""
    return pull_with(
        rate,
        {
            "boost": flat_boost(50.0 + 8 * 1.5 + size),
            "boost_target": None,
            "wastegate_duty": 8.0,
        },
        car=Car(boost_limit_kpa=250.0, spring_kpa=50.0),
    )


def closed(size: float, rate: float) -> Pull:
    return pull_with(
        rate,
        {
            "pedal_position": lambda t: np.where((t >= 0) & (t <= 6.0), 100.0, 15.0),
            "throttle_position": lambda t: np.where(
                (t >= 0) & (t <= 6.0), box(t, 3.0, 4.5, 100.0 - size, 100.0), 15.0
            ),
        },
    )


def slips(gear: int, begins: float, ends: float) -> Callable[[float, float], Pull]:
    def make(size: float, rate: float) -> Pull:
        road = lambda t: 60.0 + 8.0 * np.clip(t, -3, 7)  # noqa: E731
        return pull_with(
            rate,
            {
                "vehicle_speed": road,
                "engine_speed": lambda t: (
                    53.0 * road(t) * (1 + box(t, begins, ends, size, 0.0) / 100)
                ),
            },
            gear=gear,
        )

    return make


def cut(size: float, rate: float) -> Pull:
    """No injection for so long, and engine speed falters."""
    speed = lambda t: rpm_ramp(t) - 900 * np.clip(t - 3.0, 0, size) + 0.0 * t  # noqa: E731
    return pull_with(
        rate,
        {
            "engine_speed": speed,
            "injector_duty": lambda t: box(t, 3.0, 3.0 + size - 0.5 / rate, 0.0, 65.0),
        },
    )


CASES = (
    Case(electrical, "electrical.voltage", "battery_min_v", supply, 0.001, (2.0, 3.5), off=0.05),
    Case(lubrication, "oil.pressure", "oil_pressure_per_krpm_kpa", oil, 0.5, (2.0, 4.0), part=True),
    Case(knock, "knock.retard", "knock_retard_max_deg", retard, 0.001, (2.0, 2.6)),
    Case(heat_soak, "heat.intake", "intake_peak_c", charge_peak, 0.01, (6.0, 6.0), off=0.5),
    Case(heat_soak, "heat.intake", "intake_rise_c", charge_rise, 0.01, (0.0, 5.0)),
    Case(heat_soak, "heat.coolant", "coolant_peak_c", coolant_peak, 0.01, (5.0, 6.0), off=0.5),
    Case(heat_soak, "heat.coolant", "coolant_rise_c", coolant_rise, 0.01, (0.0, 5.0)),
    Case(heat_soak, "heat.cold", "coolant_start_c", coolant_start, 0.01, off=0.5),
    Case(heat_soak, "heat.cold", "oil_start_c", oil_start, 0.01, off=0.5),
    Case(exhaust, "heat.exhaust", "exhaust_peak_c", exhaust_peak, 0.01, (3.0, 5.0), off=2.0),
    Case(engine_speed, "engine.overspeed", "overspeed_pct", overspeed, 0.01, off=0.1),
    Case(fuel_supply, "fuel.injector_limit", "injector_duty_max_pct", injectors, 0.01, (4.0, 5.5)),
    Case(fuel_supply, "fuel.injector_limit", "injector_duty_max_pct", pulse, 0.01, (4.0, 6.0)),
    Case(
        fuel_supply,
        "fuel.pressure_drop",
        "fuel_pressure_drop_pct",
        rail,
        0.1,
        (3.0, 5.0),
        part=True,
    ),
    Case(
        fuel_supply,
        "fuel.pressure_drop",
        "direct_rail_drop_pct",
        direct_rail,
        0.1,
        (3.0, 5.0),
        part=True,
    ),
    *(
        Case(
            lean_under_load,
            "mixture.lean",
            "lean_lambda",
            lean(boost),
            0.0015,
            (3.0, 4.5),
            off=0.004,
            boost=boost,
        )
        for boost in (45.0, 70.0, 100.0, 140.0, 170.0)
    ),
    *(
        Case(
            lean_under_load,
            "mixture.lean_spike",
            "lean_spike_lambda",
            spike(boost),
            0.0015,
            (3.0, 3.1),
            off=0.004,
            rates=(20.0, 50.0),
            boost=boost,
        )
        for boost in (70.0, 140.0)
    ),
    Case(
        lean_under_load,
        "mixture.lean",
        "lean_low_boost_lambda",
        lean_low,
        0.0015,
        (3.0, 4.5),
        off=0.004,
    ),
    Case(
        lean_under_load,
        "mixture.lean",
        "lean_over_target",
        over_target,
        0.0015,
        (3.0, 4.5),
        off=0.002,
    ),
    Case(lean_under_load, "mixture.rich", "rich_lambda", rich, 0.0015, (3.0, 4.5), off=0.004),
    Case(lean_under_load, "mixture.drifts_lean", "lambda_drift_per_krpm", drift, 0.0005),
    Case(
        banks_differ, "mixture.banks_differ", "lambda_banks_differ", banks, 0.001, (3.0, 4.5), 0.3
    ),
    Case(
        boost_overshoot,
        "boost.overshoot",
        "boost_overshoot_alone_kpa",
        overshoot,
        0.35,
        (1.5, 1.5),
        0.21,
    ),
    Case(
        boost_overshoot, "boost.over_target", "boost_over_target_kpa", over_its_target, 0.1, off=0.6
    ),
    Case(boost_overshoot, "boost.over_limit", "boost_over_limit_pct", over_limit, 0.1, off=0.5),
    Case(boost_overshoot, "boost.no_limit", "boost_no_limit_kpa", no_limit, 0.1, off=0.6),
    Case(boost_overshoot, "boost.creep", "boost_creep_kpa_per_krpm", creep, 0.1),
    Case(boost_delivery, "boost.under_target", "boost_under_target_kpa", under_target, 0.1),
    Case(boost_delivery, "boost.lost", "boost_lost_pct", lost, 0.7, (3.5, 4.0), 0.25),
    Case(
        oscillation,
        "boost.oscillation",
        "oscillation_kpa_pp",
        swing,
        0.65,
        (1.2, 6.0),
        0.5,
        off=1.0,
    ),
    Case(boost_control, "control.saturated", "duty_saturated_short_kpa", saturated, 0.1),
    Case(boost_control, "control.no_response", "boost_over_spring_kpa", over_spring, 0.1),
    Case(
        throttle_closed, "control.throttle_closed", "throttle_closed_pct", closed, 0.01, (3.0, 4.5)
    ),
    Case(
        traction,
        "traction.clutch_slip",
        "clutch_slip_pct",
        slips(3, 2.0, 4.5),
        0.1,
        (2.0, 4.5),
        part=True,
    ),
    Case(
        traction,
        "traction.wheelspin",
        "wheelspin_pct",
        slips(3, 2.0, 2.6),
        0.1,
        (2.0, 2.6),
        part=True,
    ),
)


def row_of(case: Case) -> Limit:
    return limits().row(case.code, case.measure).when(case.boost)


def sized() -> list[Any]:
    out = []
    for case in CASES:
        row = row_of(case)
        for level in ORDER:
            at = getattr(row, level)
            if at is None:
                continue
            off = case.off if case.off is not None else SIDE * abs(at)
            worse = -off if row.below else off
            for rate in case.rates:
                name = f"{case.name}-{level}-{rate:g}"
                out.append(pytest.param(case, rate, at + worse, level, id=f"{name}-reached"))
                out.append(pytest.param(case, rate, at - worse, level, id=f"{name}-not"))
    return out


@pytest.mark.parametrize(("case", "rate", "size", "level"), sized())
def test_the_figure_is_the_known_one_and_the_limit_has_two_sides(
    case: Case, rate: float, size: float, level: str, table: Limits
) -> None:
    pull = case.make(size, rate)
    measured = case.check.measure(pull, table)
    assert measured.values[case.measure] == pytest.approx(size, abs=max(case.near, 1e-6)), measured
    row = row_of(case)
    reached = row.severity(size)
    judged = [f for f in case.check.judge(measured, table).findings if f.code == case.code]
    if reached is None:
        assert not [
            f for f in judged if f.unit == row.unit and f.value == measured.values[case.measure]
        ]
        return
    (finding,) = judged
    assert finding.severity == reached
    assert finding.limit == pytest.approx(getattr(row, reached))
    if case.seen is not None:
        first, last = finding.start_s - pull.start_s, finding.end_s - pull.start_s
        slack = max(case.within, 1.01 / rate)
        if case.part:
            assert case.seen[0] - slack <= first < last <= case.seen[1] + slack
            return
        assert (first, last) == pytest.approx(case.seen, abs=slack), measured


def test_banks_are_told_apart_for_as_long_as_they_are_nearly_so_far(table: Limits) -> None:
    """0.05 for a second, and 0.045 for another: 0.8 of it or more."""
    apart = lambda t: 0.78 + box(t, 3.0, 4.0, 0.05, box(t, 4.0, 5.0, 0.045, 0.0))  # noqa: E731
    pull = pull_with(50.0, {"lambda": 0.78, "lambda_2": apart})
    (finding,) = banks_differ.judge(banks_differ.measure(pull, table), table).findings
    assert finding.end_s - pull.start_s == pytest.approx(5.0, abs=0.35)
    assert finding.value == pytest.approx(0.05, abs=0.001)


@pytest.mark.parametrize("rate", [20.0, 50.0])
def test_rise_spool_and_slope_are_those_of_the_pull(table: Limits, rate: float) -> None:
    """A straight rise of 100 kPa in 1 s from 3,000 rpm on, 1,000 rpm a second; then 1 kPa more a 1,000 rpm."""
    pull = pull_with(
        rate,
        {
            "engine_speed": lambda t: 3000.0 + 1000.0 * np.clip(t, -1, 7),
            "boost": lambda t: np.clip(100.0 * (t - 0.01), -40, 100) + np.clip(t - 1.01, 0, 5),
            "boost_target": None,
        },
    )
    values = boost_overshoot.measure(pull, table).values
    assert values["boost_rise_s"] == pytest.approx(0.8, abs=0.02)
    assert values["spool_rpm"] == pytest.approx(3932.0, abs=40.0)
    assert values["boost_slope_kpa_per_krpm"] == pytest.approx(1.0, abs=0.02)
    assert values["boost_peak_kpa"] == pytest.approx(105.0, abs=0.2)
    assert values["boost_settled_kpa"] == pytest.approx(102.5, abs=0.5)


@pytest.mark.parametrize("hz", [0.8, 1.5, 3.0])
def test_a_swings_frequency_is_measured(table: Limits, hz: float) -> None:
    boost = lambda t: (
        flat_boost(90.0)(t) + np.where(t > 1.2, 8.0 * np.sin(2 * np.pi * hz * (t - 1.2)), 0.0)
    )  # noqa: E731
    pull = pull_with(50.0, {"boost": boost, "boost_target": None}, duration=8.0)
    values = oscillation.measure(pull, table).values
    assert values["oscillation_hz"] == pytest.approx(hz, rel=0.02)
    assert values["oscillation_kpa_pp"] == pytest.approx(16.0, rel=0.04)
    assert abs(values["oscillation_damping"] or 0.0) < 0.02


def test_duty_at_the_peak_is_that_of_the_moment_before_it(table: Limits) -> None:
    """The peak is at 1.5 s; duty goes from 40 to 80 % right after it."""
    pull = overshoot(20.0, 50.0)
    duty = lambda t: np.where(t < 1.53, 40.0, 80.0)  # noqa: E731
    beside = pull_with(
        50.0,
        {
            "manifold_pressure": pull.log.values("manifold_pressure"),
            "boost": None,
            "boost_target": None,
            "wastegate_duty": duty,
        },
        car=Car(boost_limit_kpa=400.0),
    )
    assert boost_overshoot.measure(beside, table).values["duty_at_peak_pct"] == 40.0


@pytest.mark.parametrize(
    ("duty", "severity"), [(93.9, "watch"), (97.1, "hold"), (99.0, "hold"), (100.1, "stop")]
)
def test_the_cars_own_duty_limit_moves_its_neighbours(
    table: Limits, duty: float, severity: str
) -> None:
    """97 %: watch as far below as before (7), stop no nearer than 3 over it."""
    car = Car(boost_limit_kpa=250.0, injector_duty_limit_pct=97.0)
    pull = pull_with(20.0, {"injector_duty": lambda t: box(t, 4.0, 5.5, duty, 60.0)}, car=car)
    (found,) = fuel_supply.judge(fuel_supply.measure(pull, table), table).findings
    assert found.severity == severity


@pytest.mark.parametrize(("samples", "is_one"), [(9, True), (10, False)])
def test_a_lean_second_is_no_spike(table: Limits, samples: int, is_one: bool) -> None:
    """Ten samples a tenth of a second apart have lasted a second."""
    end = 3.0 + 0.1 * (samples - 1)
    pull = pull_with(
        10.0, {"lambda": lambda t: box(t, 3.0, end, 0.9, 0.77), "boost": flat_boost(90.0)}
    )
    values = lean_under_load.measure(pull, table).values
    assert ("lean_spike_lambda" in values) == is_one
