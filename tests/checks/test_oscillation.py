"""oscillation: a periodic swing is found and measured; noise, one overshoot, a wander, a folded pulse are none."""

from __future__ import annotations

import numpy as np
import pytest

from audit.checks.boost import oscillation as check


def rise(t, level=91.5):
    return -5.0 + (level + 5.0) / (1.0 + np.exp(-(t - 0.8) * 8.0))


def swinging(t, *, pp=20.0, hz=1.8, damping=0.0):
    on = np.clip(t - 1.4, 0, None)
    return rise(t) + 0.5 * pp * np.sin(2 * np.pi * hz * on) * np.exp(-2 * np.pi * hz * damping * on)


@pytest.mark.parametrize("rate", [8.0, 10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("hz", [1.2, 1.9])
def test_a_steady_swing_is_found_with_its_frequency_and_size(make_pull, codes, table, rate, hz):
    pull = make_pull(6.0, rate, {"boost": lambda t: swinging(t, hz=hz)})
    values = check.measure(pull, table).values
    assert values["oscillation_hz"] == pytest.approx(hz, rel=0.04)
    assert values["oscillation_kpa_pp"] == pytest.approx(20.0, rel=0.12)
    assert codes(check, pull, table) == {"boost.oscillation": "hold"}


@pytest.mark.parametrize(
    ("pp", "found"),
    [
        (5.5, {}),
        (9.0, {"boost.oscillation": "watch"}),
        (19.0, {"boost.oscillation": "hold"}),
        (36.0, {"boost.oscillation": "stop"}),
    ],
)
def test_both_sides_of_the_limits(make_pull, codes, table, pp, found):
    assert (
        codes(
            check, make_pull(6.0, 25.0, {"boost": lambda t: swinging(t, pp=pp)}, noise=0.4), table
        )
        == found
    )


def test_a_growing_swing_is_found(make_pull, codes, table):
    def grows(t):
        on = np.clip(t - 1.4, 0, None)
        return rise(t) + np.minimum(1.5 * np.exp(on * 0.55), 15) * np.sin(2 * np.pi * 2.0 * on)

    pull = make_pull(6.0, 20.0, {"boost": grows})
    assert check.measure(pull, table).values["oscillation_damping"] < 0
    assert set(codes(check, pull, table)) == {"boost.oscillation"}


@pytest.mark.parametrize("sigma", [0.3, 1.0, 2.0])
@pytest.mark.parametrize("rate", [8.0, 15.0, 40.0, 100.0])
def test_noise_is_no_swing(make_pull, codes, table, sigma, rate):
    for seed in range(5):
        assert (
            codes(
                check,
                make_pull(6.0, rate, {"boost": rise}, noise={"boost": sigma}, seed=seed),
                table,
            )
            == {}
        )


def test_one_overshoot_that_dies_away_is_no_oscillation(make_pull, codes, table):
    for rate in (10.0, 20.0, 50.0):
        pull = make_pull(6.0, rate, {"boost": lambda t: swinging(t, pp=50.0, hz=1.5, damping=0.3)})
        assert codes(check, pull, table) == {}


def test_a_wander_a_step_and_a_creep_are_no_oscillation(make_pull, codes, table):
    shapes = (
        lambda t: rise(t) + 8 * np.sin(2 * np.pi * 0.22 * t),
        lambda t: rise(t) - np.where(t > 3.5, 15.0, 0.0),
        lambda t: rise(t) + 4 * np.clip(t - 1.5, 0, None),
    )
    for shape in shapes:
        assert (
            codes(check, make_pull(6.0, 20.0, {"boost": shape, "boost_target": None}), table) == {}
        )


def test_a_boost_that_follows_its_swinging_target_is_let_off(make_pull, codes, table):
    def target(t):
        return 91.5 + 10 * np.sin(2 * np.pi * 1.0 * np.clip(t - 1.4, 0, None))

    pull = make_pull(
        6.0, 20.0, {"boost": lambda t: rise(t) + target(t) - 91.5, "boost_target": target}
    )
    assert codes(check, pull, table) == {}


def test_folded_intake_pulsation_is_no_swing(make_pull, rpm_ramp, codes, table):
    def pulses(t):
        turns = np.concatenate(
            ([0.0], np.cumsum(0.5 * np.diff(t) * (rpm_ramp(t)[1:] + rpm_ramp(t)[:-1]) / 30))
        )
        return rise(t) + 5 * np.sin(2 * np.pi * turns)

    for rate in (10.0, 20.0, 50.0):
        assert codes(check, make_pull(6.0, rate, {"boost": pulses}), table) == {}


def test_it_says_how_fast_a_swing_it_could_see(make_pull, table):
    said = check.measure(make_pull(6.0, 10.0, {"boost": swinging}), table).said[
        "oscillation_kpa_pp"
    ]
    assert "10 samples a second" in said
    assert "2.5 Hz" in said


def test_too_little_after_the_rise_is_not_judged(make_pull, table):
    measured = check.measure(
        make_pull(1.8, 20.0, {"boost": lambda t: -5 + 101.5 / (1 + np.exp(-(t - 1.3) * 9))}), table
    )
    assert measured.unable is not None
    assert measured.unable[0] == "too_short"


def test_a_plateau_of_0_8_s_is_judged(make_pull, codes, table):
    assert codes(check, make_pull(2.1, 20.0, {"boost": rise}), table) == {}
