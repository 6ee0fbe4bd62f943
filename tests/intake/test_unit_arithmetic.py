"""What is measured of a column, and how candidates become a decision: each figure on made samples, both sides of it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from audit.intake.units import barometric, candidates, evidence
from audit.intake.units import measured as see
from audit.intake.units.candidates import reference_prior, retard, said_reference
from audit.intake.units.evidence import CAR_FILE, Measured, Scored, Source
from audit.intake.units.infer_units import temperatures
from audit.intake.units.scene import (
    Scene,
    opening_of,
    quantile,
    temperature_without_rails,
    without_dropouts,
    without_rails,
)
from audit.units import Unit, standard_pressure_kpa, turned, units

UNITS = units()
T = np.arange(0.0, 60.0, 0.1)


def source(values, stated=None, *, hints=(), words=(), stated_from="header", still=False):
    unit = None if stated is None else UNITS[stated]
    return Source(
        np.asarray(values, float),
        unit,
        stated_from if unit else "",
        frozenset(hints),
        tuple(words),
        still,
    )


def full(value):
    return np.full(T.shape, float(value))


# ---- the scene ----


@pytest.mark.parametrize(
    ("name", "opening", "rpm", "holds"),
    [
        ("closed", 0.059, 3000, True), ("closed", 0.061, 3000, False),
        ("stopped", 0.0, 49, True), ("stopped", 0.0, 51, False),
        ("idle", 0.0, 451, True), ("idle", 0.0, 449, False), ("idle", 0.0, 1299, True),
        ("idle", 0.0, 1301, False), ("idle", 0.1, 900, False),
        ("overrun", 0.0, 1801, True), ("overrun", 0.0, 1799, False), ("overrun", 0.1, 3000, False),
        ("wide", 0.86, 1001, True), ("wide", 0.84, 1001, False), ("wide", 0.86, 999, False),
        ("steady", 0.061, 1001, True), ("steady", 0.059, 1001, False), ("steady", 0.39, 1001, True),
        ("steady", 0.41, 1001, False), ("steady", 0.2, 999, False),
    ],
)  # fmt: skip
def test_what_the_engine_was_doing(name, opening, rpm, holds):
    found = Scene(T, rpm=full(rpm), opening=full(opening)).states[name]
    assert found.all() == holds and found.any() == holds


def test_without_a_throttle_idle_is_slow_and_standing():
    assert (
        Scene(T, rpm=full(990.0)).states["idle"].all()
        and not Scene(T, rpm=full(1010.0)).states["idle"].any()
    )
    assert Scene(T, rpm=full(1200.0), speed=full(1.9)).states["idle"].all()
    assert not Scene(T, rpm=full(1200.0), speed=full(2.1)).states["idle"].any()
    bare = Scene(T)
    assert len(bare.states) == 6 and not any(rows.any() for rows in bare.states.values())
    assert Scene(T, opening=full(0.9)).states["wide"].all()


def test_a_lone_wide_sample_is_none():
    opening = full(0.2)
    opening[[10, 20, 21]] = 0.9
    assert np.flatnonzero(Scene(T, rpm=full(2000), opening=opening).states["wide"]).tolist() == [21]


def test_a_level_is_the_quantile_of_four_samples_or_more():
    scene = Scene(T, rpm=full(900), opening=full(0.0))
    values = np.full(T.shape, np.nan)
    values[:5] = [5.0, 1.0, 4.0, 2.0, 3.0]
    assert scene.level(values, "idle") == 3.0
    assert scene.level(values, "idle", share=0.75) == 4.0
    values[3:] = np.nan
    assert scene.level(values, "idle") is None
    values[3] = 2.0
    assert scene.level(values, "idle", share=0.0) == 1.0
    assert Scene(T).level(values, "idle") is None
    assert quantile(np.array([1.0, 2, 3, 4, 5]), 0.6) == 3.0


@pytest.mark.parametrize(
    ("low", "high", "closed", "wide"),
    [
        (10.0, 100.0, 0.0, 1.0),
        (10.0, 40.0, 0.0, 30.0 / 55.0),  # 30 % of travel is not yet wide open
        (10.0, 34.0, 0.0, 24.0 / 80.0),  # too little to tell its ends
        (75.0, 90.0, 75.0 / 90.0, 1.0),
        (40.0, 90.0, 0.0, 1.0),
    ],
)
def test_an_opening_goes_from_the_rest_to_the_highest(low, high, closed, wide):
    throttle = np.concatenate((np.full(300, low), np.full(300, high)))
    found = opening_of(throttle)
    assert (found[0], found[-1]) == pytest.approx((closed, wide))
    assert opening_of(np.full(3, 5.0)) is None
    assert opening_of(np.full(4, 5.0)) is not None


# ---- ambient pressure ----


@pytest.mark.parametrize(
    ("kpa", "known"), [(57.0, False), (59.0, True), (106.0, True), (108.0, False)]
)
def test_ambient_pressure_lies_where_roads_are(kpa, known):
    found = barometric.from_channel(full(kpa))
    assert (found is not None) == known
    stopped = Scene(T, rpm=full(0.0))
    assert (barometric.from_stopped(full(kpa), stopped) is not None) == known
    gauge = 20 * np.sin(T)
    assert (barometric.from_pair(gauge + kpa, gauge) is not None) == known
    if known:
        assert found.kpa == kpa and found.uncertainty_kpa == 1.0 and found.kind == "channel"
        assert barometric.from_stopped(full(kpa), stopped).uncertainty_kpa == 0.5


def test_a_barometer_that_mostly_reads_nonsense_is_none():
    value = full(99.0)
    value[: int(0.79 * len(T))] = 500.0
    assert barometric.from_channel(value) is not None
    value[: int(0.81 * len(T))] = 500.0
    assert barometric.from_channel(value) is None
    assert barometric.from_channel(None) is None


def test_two_readings_of_one_pressure_differ_by_ambient():
    gauge = 40 * np.sin(T)
    clipped = np.maximum(gauge, 0.0)  # knows no vacuum: the rows at its lowest say nothing
    found = barometric.from_pair(gauge + 97.0, clipped)
    assert found.kpa == pytest.approx(97.0, abs=0.5)
    few = np.full(T.shape, np.nan)
    few[:19] = gauge[:19]
    assert barometric.from_pair(gauge + 97.0, few) is None
    few[:20] = gauge[:20]
    assert barometric.from_pair(gauge + 97.0, few).kpa == pytest.approx(97.0)
    rng = np.random.default_rng(3)
    for spread, known in ((5.0, True), (7.5, False)):
        loose = barometric.from_pair(gauge + 97.0 + rng.normal(0, spread, len(T)), gauge)
        assert (loose is not None) == known
        if known:  # three standard deviations of a median of 600
            assert loose.uncertainty_kpa == pytest.approx(
                3 * 1.2533 * 5.0 / np.sqrt(600), rel=0.15
            ) or (loose.uncertainty_kpa == 1.0)


@pytest.mark.parametrize(("reach", "known"), [(3.9, True), (4.1, False)])
def test_wide_open_before_the_spool_is_ambient_but_for_the_filter(reach, known):
    """The lower half within 4 kPa: a spooled turbo is not the weather."""
    n = 40
    manifold = np.full(T.shape, np.nan)
    manifold[:n] = np.concatenate((np.full(10, 98.0 - reach), np.full(30, 98.0)))
    rpm = np.where(np.arange(len(T)) < n, 2700.0, 4000.0)
    scene = Scene(T, rpm=rpm, opening=full(1.0))
    found = barometric.from_wide_open(manifold, scene)
    assert (found is not None) == known
    if known:
        assert found.kpa == pytest.approx(99.0)
    assert (
        barometric.from_wide_open(full(98.0), Scene(T, rpm=full(2900), opening=full(1.0))) is None
    )
    assert (
        barometric.from_wide_open(full(103.0), Scene(T, rpm=full(2700), opening=full(1.0)))
        is not None
    )
    assert (
        barometric.from_wide_open(full(105.0), Scene(T, rpm=full(2700), opening=full(1.0))) is None
    )
    seven = np.full(T.shape, np.nan)
    seven[1:8] = 98.0
    assert barometric.from_wide_open(seven, Scene(T, rpm=full(2700), opening=full(1.0))) is None


def test_the_surest_source_of_ambient_pressure_comes_first():
    scene = Scene(T, rpm=np.where(T < 5, 0.0, 2700.0), opening=full(1.0))
    manifold, gauge = full(98.0), 20 * np.sin(T)
    known = {
        "channel_kpa": full(97.0),
        "manifold_kpa": manifold,
        "scene": scene,
        "altitude_m": 500.0,
    }
    pairs = [(gauge + 96.0, gauge)]
    assert barometric.best(**known, pairs=pairs).kpa == 97.0
    known["channel_kpa"] = None
    assert barometric.best(**known, pairs=pairs).kind == "stopped"
    known["scene"] = Scene(T, rpm=full(2700.0), opening=full(1.0))
    assert barometric.best(**known, pairs=pairs).kpa == pytest.approx(96.0)
    assert barometric.best(**known).kind == "altitude"
    known["altitude_m"] = None
    assert barometric.best(**known).kind == "wide_open"
    known["manifold_kpa"] = None
    assert barometric.best(**known).kind == "assumed"


# ---- broken sensors ----


@pytest.mark.parametrize(("away", "out"), [(9.0, False), (11.0, True), (-11.0, True)])
def test_what_stands_alone_beyond_a_gap_is_left_out(away, out):
    values = np.linspace(50.0, 60.0, 100)
    values[:4] = 60.0 + away if away > 0 else 50.0 + away
    found = without_rails(values, gap=10.0)
    assert np.isnan(found[:4]).all() == out and np.isfinite(found[4:]).all()
    assert np.isfinite(without_rails(values, gap=10.0, most=0.03)).all()
    assert np.isfinite(without_rails(values[:39], gap=10.0)).all()
    few = np.concatenate((np.full(81, 500.0), np.linspace(50, 60, 19)))
    assert np.isfinite(without_rails(few, gap=10.0)).all()
    assert np.isnan(without_rails(np.append(few, 55.5), gap=10.0)).sum() == 81


def test_a_temperature_leaps_by_12_and_an_exhaust_by_200():
    values = np.linspace(20.0, 30.0, 60)
    for name, gap in (
        ("coolant_temp", 12.0),
        ("exhaust_gas_temp", 200.0),
        ("exhaust_gas_temp_2", 200.0),
    ):
        for off, out in ((0.9, False), (1.1, True)):
            broken = values.copy()
            broken[5] = 30.0 + off * gap
            assert np.isnan(temperature_without_rails(name, broken)[5]) == out


def test_a_pressures_dropouts_are_few_and_far():
    values = np.linspace(40.0, 140.0, 200)
    for n, at, out in ((10, 37.0, True), (10, 38.0, False), (13, 30.0, False)):
        broken = values.copy()
        broken[:n] = at
        found = without_dropouts(broken)
        assert np.isnan(found[:n]).all() == out, (n, at)


# ---- candidates and decisions ----


def test_a_candidate_turns_a_value():
    psi = UNITS["psi"]._replace(scale=6.894757, offset=100.0)
    assert psi.turned(10.0) == pytest.approx(168.94757)
    reciprocal = UNITS["phi"]
    assert reciprocal.turned(1.25) == 0.8 and math.isnan(reciprocal.turned(0.0))
    mixed = UNITS["inhg_psi"]._replace(scale=6.894757, offset=100.0)
    assert mixed.turned(10.0) == pytest.approx(168.94757)
    assert mixed.turned(-20.0) == pytest.approx(100.0 - 20 * 3.386389, abs=0.01)
    values = np.array([-20.0, 0.0, 10.0])
    assert turned(values, mixed) == pytest.approx([32.27, 100.0, 168.948], abs=0.01)
    assert turned(np.array([1.25, 0.0]), reciprocal)[0] == 0.8
    assert np.isnan(turned(np.array([1.25, 0.0]), reciprocal)[1])
    assert turned(values, psi) == pytest.approx(values * 6.894757 + 100.0)


def scores(*totals, scales=(1.0, 2.0, 4.0), **more):
    keys = ("kpa", "psi", "bar")
    return [
        Scored(Unit(k, k, "pressure", s, **more), 0.0, total)
        for k, s, total in zip(keys, scales, totals, strict=False)
    ]


def decide(scored, of, *, typical, safest=False):
    return evidence.decide(
        "manifold_pressure", scored, of, Measured(typical=typical, safest=safest)
    )


@pytest.mark.parametrize(("behind", "doubt"), [(1.9, True), (2.1, False)])
def test_less_than_two_points_of_lead_are_a_doubt(behind, doubt):
    found = decide(scores(0.0, -behind), source([1.0]), typical=10.0)
    assert found.doubtful == doubt and found.candidate.key == "kpa" and found.runner_up == "psi"
    assert found.confidence == pytest.approx(1.0 / (1.0 + math.exp(-behind)), abs=6e-4)


def test_of_what_is_in_doubt_the_safest_reads_the_most():
    safe = decide(scores(0.0, -1.0, -1.5), source([1.0]), typical=10.0, safest=True)
    assert safe.candidate.key == "bar" and safe.runner_up == "kpa"
    sure = decide(scores(0.0, -1.0, -2.5), source([1.0]), typical=10.0, safest=True)
    assert sure.candidate.key == "psi"
    assert sure.confidence < 0.5


@pytest.mark.parametrize(("scale", "same"), [(1.03, True), (1.05, False)])
def test_two_readings_within_4_percent_are_one(scale, same):
    found = decide(scores(0.0, -0.5, scales=(1.0, scale)), source([1.0]), typical=100.0)
    assert found.doubtful != same and (found.runner_up == "") == same


def test_what_the_car_file_says_stands_and_so_does_a_still_columns_unit():
    said = source([1.0], "kpa", stated_from=CAR_FILE)
    found = decide(scores(-5.0, 0.0), said, typical=10.0)
    assert found.candidate.key == "kpa" and not found.doubtful and found.unit_from == CAR_FILE
    still = source([1.0], "kpa", still=True)
    assert decide(scores(-5.0, 0.0), still, typical=10.0).candidate.key == "kpa"
    moving = source([1.0], "kpa")
    odd = decide(scores(-5.0, 0.0), moving, typical=10.0)
    assert odd.candidate.key == "psi" and odd.doubtful and odd.confidence <= 0.6
    assert "the header says" in odd.unit_why


@pytest.mark.parametrize(("evidence", "doubt"), [(-6.9, False), (-7.1, True)])
def test_values_that_fit_a_stated_unit_badly_make_a_doubt(evidence, doubt):
    found = decide(scores(evidence), source([1.0], "kpa"), typical=10.0)
    assert found.doubtful == doubt and found.unit_from == "header"


def test_where_a_unit_is_from():
    assert decide(scores(0.0), source([1.0]), typical=10.0).unit_from == "assumed"
    assert decide(scores(0.0, -3.0), source([1.0]), typical=10.0).unit_from == "physics"
    assert decide(scores(-6.5, -9.0), source([1.0]), typical=10.0).unit_from == "assumed"
    told = scores(0.0)
    told[0].add(0.9, "small")
    assert told[0].why == [] and told[0].evidence == 0.9
    told[0].add(-1.0, "large")
    assert told[0].why == ["large"] and told[0].total == pytest.approx(-0.1)
    assert decide(told, source([1.0]), typical=10.0).unit_why == "large"


@pytest.mark.parametrize(
    ("hints", "words", "stated", "points"),
    [
        ((), (), None, 0.0), ((), ("map",), None, -1.5), (("gauge",), ("map",), None, 2.5),
        (("absolute",), (), None, -3.0), (("absolute",), ("map",), None, -1.5),
        (("boost",), (), None, 1.2), (("vacuum", "boost"), (), None, 2.5),
        ((), (), "psi_gauge", 3.5), ((), ("map",), "psi_gauge", 3.5), (("boost",), ("map",), None, -0.3),
    ],
)  # fmt: skip
def test_what_a_name_says_of_gauge_or_absolute(hints, words, stated, points):
    unit = UNITS[stated] if stated else None
    assert reference_prior(frozenset(hints), words, unit) == pytest.approx(points)


def test_a_reference_is_said_by_the_unit_or_else_by_one_word():
    assert said_reference(source([1.0], "psi_gauge", hints=["absolute"])) == "gauge"
    assert said_reference(source([1.0], hints=["absolute"])) == "absolute"
    assert said_reference(source([1.0], hints=["absolute", "gauge"])) == ""
    assert said_reference(source([1.0], hints=["boost"])) == ""


def test_a_throttle_in_volts_is_stretched_between_its_ends():
    values = np.concatenate((np.full(300, 0.6), np.full(300, 4.6)))
    found = {s.candidate.key: s for s in candidates.throttle("throttle_position", source(values))}
    volts = found["throttle_v"].candidate
    assert turned(values, volts)[[0, -1]] == pytest.approx([0.0, 100.0])
    assert found["throttle_v"].prior == -1.0
    for low, high, there in ((0.15, 4.6, False), (0.25, 4.6, True), (1.2, 4.6, True), (1.4, 4.6, False),
                             (0.6, 3.1, False), (0.6, 3.3, True), (0.6, 5.0, True), (0.6, 5.2, False)):  # fmt: skip
        values = np.concatenate((np.full(300, low), np.full(300, high)))
        keys = {s.candidate.key for s in candidates.throttle("throttle_position", source(values))}
        assert ("throttle_v" in keys) == there, (low, high)
    own = candidates.throttle("throttle_position", source(np.linspace(0.6, 4.6, 600), "throttle_v"))
    assert [s.prior for s in own if s.candidate.key == "throttle_v"] == [0.0]
    stated = candidates.throttle("throttle_position", source(np.full(9, 2.0), "throttle_v"))
    fixed = next(s for s in stated if s.candidate.key == "throttle_v").candidate
    assert (fixed.turned(0.5), fixed.turned(4.5)) == pytest.approx((0.0, 100.0))


def test_pressures_are_tried_in_both_references():
    found = candidates.pressure("manifold_pressure", source(full(50.0), "kpa"), ambient_kpa=99.0)
    own = {s.candidate.reference: s for s in found if s.candidate.key == "kpa"}
    assert own["absolute"].candidate.turned(50.0) == 50.0
    assert own["gauge"].candidate.turned(50.0) == 149.0
    assert own["gauge"].prior == own["absolute"].prior == 0.0
    others = [s for s in found if s.candidate.scale != 1.0 and not s.candidate.special]
    assert all(s.prior <= -4.0 for s in others)
    rail = candidates.pressure("fuel_pressure", source(full(300.0), "kpa"), ambient_kpa=99.0)
    own = {s.candidate.reference: s for s in rail if s.candidate.key == "kpa"}
    assert (
        own["absolute"].candidate.turned(399.0) == 300.0
        and own["gauge"].candidate.turned(300.0) == 300.0
    )


def test_a_name_leans_to_one_reference_and_takes_from_the_other():
    boost = candidates.pressure(
        "manifold_pressure", source(full(50.0), "kpa", hints=["boost"]), ambient_kpa=99.0
    )
    own = {s.candidate.reference: s.prior for s in boost if s.candidate.key == "kpa"}
    assert own == {"absolute": -1.2, "gauge": 0.0}
    named = candidates.pressure(
        "manifold_pressure", source(full(50.0), "kpa", words=["map"]), ambient_kpa=99.0
    )
    own = {s.candidate.reference: s.prior for s in named if s.candidate.key == "kpa"}
    assert own == {"absolute": 0.0, "gauge": -1.5}


def test_inches_below_and_psi_above_are_tried_where_there_is_vacuum():
    def keys(values, stated=None, hints=()):
        found = candidates.pressure(
            "manifold_pressure", source(values, stated, hints=hints), ambient_kpa=99.0
        )
        return {s.candidate.key: s for s in found if s.candidate.special == "inhg_psi"}

    assert keys(full(-5.0))["inhg_psi"].prior == -5.5
    assert keys(full(-5.0), "psi")["inhg_psi"].prior == -3.3
    assert keys(full(-5.0), "psi", ["absolute"])["inhg_psi"].prior == pytest.approx(-6.3)
    assert keys(full(-5.0), "kpa") == {} and keys(full(5.0)) == {}
    vacuum = candidates.pressure(
        "manifold_pressure", source(full(15.0), "inhg", hints=["vacuum"]), ambient_kpa=99.0
    )
    up = [s.candidate for s in vacuum if s.candidate.scale < 0 and s.candidate.key == "inhg"]
    assert up and up[0].turned(15.0) == pytest.approx(99.0 - 15 * 3.386389, abs=0.01)


def test_mixtures_are_tried_on_the_fuels_and_the_petrol_scale():
    def scales(afr, car_says, stated=None, hints=(), words=()):
        found = candidates.mixture(
            source([1.0], stated, hints=hints, words=words), afr=afr, car_says=car_says
        )
        return {
            round(1.0 / s.candidate.scale, 2): s.prior for s in found if s.candidate.key == "afr"
        }

    assert scales(14.7, car_says=False) == {14.7: -0.5, 9.8: -3.5}
    assert scales(14.7, car_says=True) == {14.7: -0.5}
    assert scales(14.08, car_says=True) == {14.08: -0.5}
    assert scales(9.8, car_says=True) == {9.8: -0.5, 14.7: -1.2}
    assert scales(14.7, car_says=True, hints=["afr"]) == {14.7: 0.0}
    assert scales(14.7, car_says=True, hints=["ratio", "air"]) == {14.7: 0.0}
    assert scales(14.7, car_says=True, hints=["ratio", "air", "equiv"]) == {14.7: -0.5}
    assert scales(14.7, car_says=True, stated="lambda") == {14.7: -6.0}
    plainly = candidates.mixture(source([1.0]), afr=14.7, car_says=True)
    assert {s.candidate.key: s.prior for s in plainly} == {"lambda": 0.0, "afr": -0.5}
    with_phi = candidates.mixture(source([1.0], words=["phi"]), afr=14.7, car_says=True)
    assert {s.candidate.key: s.prior for s in with_phi}["phi"] == 2.0


@pytest.mark.parametrize(("lead", "kept"), [(1.9, 9.8), (2.1, 14.7)])
def test_another_afr_scale_than_the_cars_must_lead_by_two_points(lead, kept):
    found = candidates.mixture(source([1.0]), afr=9.8, car_says=True)
    petrol = next(s for s in found if s.candidate.key == "afr" and s.candidate.scale < 0.08)
    own = next(s for s in found if s.candidate.key == "afr" and s is not petrol)
    petrol.evidence = own.total - petrol.prior + lead
    left = [s for s in candidates.by_the_car(found, 9.8) if s.candidate.key == "afr"]
    assert [round(1.0 / s.candidate.scale, 1) for s in left] == [kept]


# ---- knock ----


@pytest.mark.parametrize(
    ("below", "above", "negative", "mixed"),
    [(0, 0, False, False), (50, 0, True, False), (0, 50, False, False), (200, 4, True, False),
     (200, 5, True, True), (2, 9, False, False), (3, 9, False, True), (300, 6, True, False), (300, 7, True, True)],
)  # fmt: skip
def test_the_sign_of_timing_taken_out(below, above, negative, mixed):
    values = np.concatenate((np.full(below, -2.0), np.full(above, 2.0), np.zeros(400)))
    found = retard(source(values), [values])
    assert (found.candidate.scale < 0) == negative and found.doubtful == mixed
    assert found.confidence == (0.6 if mixed else 1.0)


def test_near_nought_a_reading_tells_no_sign_and_the_other_sensors_do():
    still = source(np.full(40, -0.29))
    assert retard(still, [still.values]).candidate.scale == 1.0
    assert retard(source(np.full(40, -0.31)), []).candidate.scale == -1.0
    assert retard(still, [still.values, np.full(40, -3.0)]).candidate.scale == -1.0
    own = source(np.full(40, 3.0))
    assert retard(own, [own.values, np.full(90, -3.0)]).candidate.scale == 1.0


# ---- what is measured ----


def test_engine_speed_is_measured_where_it_turns():
    rpm = np.concatenate((np.zeros(300), np.full(300, 3000.0)))
    rpm[-1] = 90000.0  # one stray
    seen = see.measure("engine_speed", source(rpm), Scene(T)).seen
    assert set(seen.values()) == {3000.0}
    assert see.measure("engine_speed", source(np.zeros(600)), Scene(T)).typical == 0.0


def test_the_longest_gear_is_the_lowest_ratio_of_fast_rows():
    speed = np.where(T < 30, 50.0, 100.0)
    rpm = np.where(T < 30, 50.0 * 60, 100.0 * 30)
    found = see.measure("vehicle_speed", source(speed), Scene(T, rpm=rpm)).seen
    assert found["longest_gear"] == pytest.approx(30.0)
    slow = see.measure("vehicle_speed", source(speed), Scene(T, rpm=np.full_like(rpm, 1400.0))).seen
    assert "longest_gear" not in slow
    assert (
        "longest_gear"
        not in see.measure("vehicle_speed", source(speed, "kmh"), Scene(T, rpm=rpm)).seen
    )
    assert (
        "longest_gear"
        not in see.measure("vehicle_speed", source(speed), Scene(T, rpm=rpm, geared=True)).seen
    )


def test_a_second_speed_column_is_put_over_the_first_where_the_car_moves():
    speed = np.where(T < 30, 5.0, 40.0)
    other = np.where(T < 30, 19.0, 64.4)
    found = see.measure("vehicle_speed", source(speed), Scene(T, second_kmh=other)).seen
    assert found["second_column"] == pytest.approx(1.61)
    slow = see.measure(
        "vehicle_speed", source(speed), Scene(T, second_kmh=np.full_like(T, 19.0))
    ).seen
    assert "second_column" not in slow


def test_the_swept_volume_that_would_breathe_a_flow():
    """2 litres, four-stroke, filled to 85 % with air of 25 °C (ideal gas, 287.05 J/kg K)."""
    rpm, kpa = full(3000.0), full(100.0)
    density = 100e3 / (287.05 * 298.0)  # g/l are kg/m³
    flow = 2.0 * 3000.0 / 120.0 * density * 0.85
    found = see.measure(
        "mass_air_flow", source(full(flow)), Scene(T, rpm=rpm, manifold_kpa=kpa)
    ).seen
    assert found["swept_litres"] == pytest.approx(2.0, rel=1e-3)
    idle = see.measure(
        "mass_air_flow", source(full(flow)), Scene(T, rpm=full(1100.0), manifold_kpa=kpa)
    ).seen
    assert "swept_litres" not in idle


def test_an_acceleration_is_put_over_the_change_of_speed():
    speed = 60.0 + 30.0 * np.sin(T / 4)
    per_s = 30.0 / 4 * np.cos(T / 4) / 3.6
    for factor in (1.0, 1.0 / 9.80665, -1.0):
        found = see.measure(
            "acceleration_longitudinal", source(factor * per_s), Scene(T, speed_kmh=speed)
        ).seen
        if factor > 0:
            assert found["over_speed_change"] == pytest.approx(factor, rel=0.03)
        else:
            assert "over_speed_change" not in found


def test_a_pressure_of_oil_or_fuel_is_measured_with_the_engine_at_work():
    rpm = np.where(T < 20, 0.0, np.where(T < 40, 1400.0, 3000.0))
    values = np.where(T < 20, 0.0, np.where(T < 40, 150.0, 400.0))
    assert see.measure("oil_pressure", source(values), Scene(T, rpm=rpm)).seen["mid"] == 400.0
    assert see.measure("oil_pressure", source(values), Scene(T)).seen["mid"] == 150.0
    assert "rail" in see.measure("fuel_pressure", source(values, hints=["rail"]), Scene(T)).flags


def test_a_coolants_change_is_that_of_its_ends():
    values = 20.0 + T  # middle of the first tenth 22.95, of the last quarter 72.45
    found = see.measure("coolant_temp", source(values), Scene(T, rpm=full(900.0))).seen
    assert found["late"] == pytest.approx(72.45, abs=0.06)
    assert found["change"] == pytest.approx(49.5, abs=0.1)
    assert found["change_a_second"] == pytest.approx(1.0, abs=0.01)
    assert "late" not in see.measure("coolant_temp", source(values), Scene(T, rpm=full(390.0))).seen
    short = T[:150]
    brief = see.measure(
        "coolant_temp", source(values[:150]), Scene(short, rpm=np.full(150, 900.0))
    ).seen
    assert "late" in brief and "change_a_second" not in brief


def test_a_manifold_pressure_is_loaded_where_the_engine_was_driven():
    ambient = see.known_ambient(99.0, 3.0)

    def flags(rpm, values=None, pair=None):
        scene = Scene(T, rpm=None if rpm is None else full(rpm), opening=full(0.5))
        return see.manifold(source(full(60.0) if values is None else values), scene, ambient, pair)

    assert "loaded" in flags(2001.0).flags and "loaded" not in flags(1999.0).flags
    assert "only_wide" in flags(2001.0).flags
    swing = np.where(T < 30, 71.0, 100.0)
    assert "loaded" not in flags(None, swing).flags
    assert "loaded" in flags(None, np.where(T < 30, 69.0, 100.0)).flags
    assert "cut_at_zero" in flags(2500.0, np.where(T < 30, 0.0, 50.0)).flags
    assert "cut_at_zero" not in flags(2500.0, np.where(T < 30, 0.1, 50.0)).flags
    pair = np.where(T < 30, -40.0, 60.0) + np.sin(T)
    found = flags(2500.0, 0.1 * (pair + 99.0), pair).seen
    assert found["other_at_zero"] == pytest.approx(9.9, abs=1e-6)
    assert flags(2500.0, -pair, pair).seen["other_at_zero"] is None
    rng = np.random.default_rng(1)
    assert flags(2500.0, rng.normal(0, 1, len(T)), pair).seen["other_at_zero"] is None


def test_what_is_known_of_ambient_pressure():
    known = see.known_ambient(99.0, 3.0)
    assert known == {"ambient_low": 96.0, "ambient": 99.0, "ambient_high": 102.0}
    vague = see.known_ambient()  # from a road at 2,900 m (ISO 2533) to heavy weather at sea
    assert vague["ambient_low"] == pytest.approx(standard_pressure_kpa(2900.0), abs=0.5)
    assert vague == {"ambient_low": 71.0, "ambient": 79.5, "ambient_high": 105.0}
    assert see.known_ambient(90.0, 7.9)["ambient"] == 90.0
    assert see.known_ambient(90.0, 8.1)["ambient"] == pytest.approx(85.95)


def test_a_target_is_held_against_what_was_reached():
    scene = Scene(T, rpm=full(4000), opening=full(1.0), manifold_kpa=full(160.0))
    found = see.boost_target(source(full(60.0)), scene, ambient_kpa=100.0, said_kpa=[50.0, 70.0])
    assert found.known == {
        "said_low": 50.0,
        "said_high": 70.0,
        "reached": 60.0,
        "reached_absolute": 160.0,
    }
    assert "boosted" in found.flags and "moving" not in found.flags
    assert found.seen["asked"] == 60.0
    low = Scene(T, rpm=full(4000), opening=full(1.0), manifold_kpa=full(124.0))
    assert (
        "boosted"
        not in see.boost_target(source(full(60.0)), low, ambient_kpa=100.0, said_kpa=[]).flags
    )
    moving = see.boost_target(
        source(np.where(T < 9, 0.0, 60.0)), scene, ambient_kpa=100.0, said_kpa=[]
    )
    assert {"moving", "from_zero"} <= moving.flags


def test_driven_rows_are_fast_ones():
    speed = np.array([10.0, 49.0, 51.0, 100.0, 100.0])
    rpm = np.array([3000.0, 3000.0, 3000.0, 1400.0, 1600.0])
    assert see.driven(speed, rpm, 0.5).tolist() == [False, False, True, False, True]


# ---- temperatures ----


def test_water_and_air_that_start_alike_and_part_tell_a_cold_start():
    """In °F: 50 to 190 of the water, 55 of the air. Without it 55 would pass for °C."""
    water = np.linspace(50.0, 190.0, len(T))
    air = np.linspace(55.0, 80.0, len(T))
    found = temperatures(
        {"coolant_temp": source(water), "intake_air_temp": source(air)},
        Scene(T, rpm=full(1500.0)),
        us_hint=0.0,
    )
    assert {n: d.candidate.key for n, d in found.items()} == {
        "coolant_temp": "f", "intake_air_temp": "f",
    }  # fmt: skip


def test_temperatures_follow_the_unit_of_the_others():
    stated = {
        name: source(full(v), "f") for name, v in (("coolant_temp", 190.0), ("oil_temp", 200.0))
    }
    alone = temperatures({"intake_air_temp": source(full(60.0))}, Scene(T), us_hint=0.0)
    beside = temperatures({**stated, "intake_air_temp": source(full(60.0))}, Scene(T), us_hint=0.0)
    assert alone["intake_air_temp"].doubtful
    assert beside["intake_air_temp"].candidate.key == "f"
    assert not beside["intake_air_temp"].doubtful
    assert UNITS["f"].turned(212.0) == pytest.approx(100.0)
