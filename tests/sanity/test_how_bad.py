"""Troubles to findings: when a channel that is not believed takes evidence away, and when it is a glitch."""

from __future__ import annotations

import functools
from dataclasses import replace

import numpy as np
import pytest

from audit.engine import state_of
from audit.model import FAIL, GOOD, MISSING, NOT_EVALUATED, SUSPECT, Log
from audit.sanity.aggregate import of_channel, of_test, worst_of
from audit.sanity.findings import finding_of, is_needed, listed, together_with
from audit.sanity.supply import clock_findings, slow
from audit.sanity.tests.dropouts import blanks
from audit.sanity.tests.noise import noise_and_step
from audit.sanity.tests.ranges import gross_range, pinned, rail
from audit.sanity.tests.spikes import rate_of_change, spike
from audit.sanity.tests.still import still_runs
from audit.sanity.trouble import Trouble, trouble_of

from .conftest import make_log


@functools.cache
def log() -> Log:
    return make_log()


def trouble(code, channel="manifold_pressure", **changed):
    return replace(Trouble(code, channel, 1, 0.1, 31.0, 31.1, value=5.0, limit=4.0), **changed)


def severity(code, channel="manifold_pressure", **changed):
    return finding_of(trouble(code, channel, **changed), log()).severity


@pytest.mark.parametrize(
    "code", ["sensor.range", "sensor.rail", "sensor.flat_line", "sensor.dropout"]
)
def test_half_a_second_of_a_pull_without_a_needed_channel_holds(code):
    assert severity(code, loaded=1, loaded_s=0.49) == "note"
    assert severity(code, loaded=1, loaded_s=0.51) == "hold"
    assert severity(code, "vehicle_speed", loaded=1, loaded_s=0.51) == "watch"


@pytest.mark.parametrize(
    "code", ["sensor.range", "sensor.rail", "sensor.flat_line", "sensor.dropout"]
)
def test_elsewhere_three_seconds_are_worth_a_look(code):
    assert severity(code, seconds=2.9) == "note"
    assert severity(code, seconds=3.1) == "watch"


@pytest.mark.parametrize(
    "code", ["sensor.range", "sensor.dropout", "sensor.spike", "sensor.rate_of_change"]
)
def test_three_glitches_are_a_train(code):
    assert severity(code, count=2) == "note"
    assert severity(code, count=3) == "watch"


@pytest.mark.parametrize("code", ["sensor.rail", "sensor.flat_line"])
def test_of_what_stands_the_number_of_times_says_nothing(code):
    assert severity(code, count=9) == "note"


def test_spikes_in_pulls_take_evidence_by_their_share_and_number():
    assert severity("sensor.spike", count=3, loaded=3, loaded_share=0.021) == "hold"
    assert severity("sensor.spike", count=3, loaded=3, loaded_share=0.019) == "watch"
    assert severity("sensor.spike", count=3, loaded=2, loaded_share=0.021) == "watch"


def test_leaps_in_pulls_take_evidence_by_their_number():
    assert severity("sensor.rate_of_change", count=3, loaded=3) == "hold"
    assert severity("sensor.rate_of_change", count=3, loaded=2) == "watch"


def test_contradictions_hold_where_the_channel_is_needed():
    assert severity("sensor.disagree", text="apart") == "hold"
    assert severity("sensor.disagree", "vehicle_speed", text="apart") == "watch"


def test_where_nothing_tells_a_pull_manifold_pressure_counts_everywhere():
    blind = make_log(change={"throttle_position": None})
    sick = trouble("sensor.range", count=2, seconds=0.6)
    assert finding_of(sick, blind).severity == "hold"
    assert finding_of(sick, log()).severity == "note"


def test_throttle_or_pedal_is_needed_and_a_further_sensor_like_its_first():
    both = make_log(change={"pedal_position": lambda t, v: v})
    only = make_log(change={"pedal_position": lambda t, v: v, "throttle_position": None})
    assert is_needed(both, "throttle_position") and not is_needed(both, "pedal_position")
    assert is_needed(only, "pedal_position")
    assert is_needed(log(), "lambda") and is_needed(log(), "lambda_2")
    assert not is_needed(log(), "vehicle_speed")


def test_the_figure_has_as_many_digits_as_it_needs():
    texts = [
        finding_of(trouble("sensor.range", value=v, limit=1.0), log()).message
        for v in (9.99, 10.04, 99.9, 100.4)
    ]
    assert [t.split("reads ")[1].split(",")[0] for t in texts] == [
        "9.99 kPa",
        "10.0 kPa",
        "99.9 kPa",
        "100 kPa",
    ]
    once = finding_of(trouble("sensor.range", start_s=31.0, end_s=31.04), log())
    assert "once" in once.message and "(at 31.0 s)" in once.message
    more = finding_of(trouble("sensor.range", count=2, start_s=31.0, end_s=31.06), log())
    assert "2 times" in more.message and "(from 31.0 s to 31.1 s)" in more.message


def test_the_unit_of_a_figure_is_that_of_what_it_measures():
    assert finding_of(trouble("sensor.rate_of_change"), log()).unit == "kPa/s"
    assert finding_of(trouble("sensor.rate_of_change", "lambda"), log()).unit == "1/s"
    assert finding_of(trouble("sensor.disagree", "throttle_position", text="x"), log()).unit == "s"
    assert finding_of(trouble("sensor.disagree", "vehicle_speed", text="x"), log()).unit == "%"
    assert finding_of(trouble("sensor.disagree", "intake_air_temp", text="x"), log()).unit == "K"
    assert finding_of(trouble("sensor.disagree", text="x", value=None), log()).unit is None


def test_names_in_a_sentence():
    assert listed(["a"]) == "a"
    assert listed(["a", "b"]) == "a and b"
    assert listed(["a", "b", "c"]) == "a, b and c"


@pytest.mark.parametrize(("off", "shared"), [(0.05, True), (0.07, False), (-0.05, True)])
def test_glitches_at_the_same_moments_share_a_cause(off, shared):
    times = (1.0, 5.0, 9.0)
    a = trouble("sensor.spike", "lambda", times=times)
    b = trouble("sensor.dropout", "oil_pressure", times=tuple(t + off for t in times))
    assert together_with([a, b]) == (
        {"lambda": ("oil_pressure",), "oil_pressure": ("lambda",)} if shared else {}
    )
    few = replace(b, times=b.times[:2])
    assert together_with([a, few]) == {}
    apart = replace(b, times=(*b.times[:2], 20.0))
    assert together_with([a, apart]) == {}
    other = replace(b, code="sensor.rail")
    assert together_with([a, other]) == {}
    if shared:
        text = finding_of(a, log(), ("oil_pressure",)).message
        assert "Oil pressure glitches at the same moments" in text
        assert (
            "Oil pressure and boost glitch at"
            in finding_of(a, log(), ("oil_pressure", "boost")).message
        )


@pytest.mark.parametrize(
    ("bad", "n", "flag"),
    [
        (0, 100, GOOD),
        (1, 100, SUSPECT),
        (2, 100, SUSPECT),
        (3, 100, FAIL),
        (3, 160, SUSPECT),
        (4, 190, FAIL),
    ],
)
def test_three_samples_and_two_percent_fail_a_channel(bad, n, flag):
    flags = np.full(n, GOOD, dtype=np.uint8)
    flags[:bad] = FAIL
    assert of_test(flags) == flag
    if bad >= 2:
        flags[1:bad] = SUSPECT
        assert of_test(flags) == flag
        flags[0] = SUSPECT
        assert of_test(flags) == SUSPECT


def test_what_a_channel_and_a_sample_make_of_several_tests():
    assert of_test(np.empty(0, dtype=np.uint8)) == MISSING
    assert of_test(np.full(3, NOT_EVALUATED, dtype=np.uint8)) == NOT_EVALUATED
    assert of_test(np.array([NOT_EVALUATED, GOOD], dtype=np.uint8)) == GOOD
    assert of_test(np.array([MISSING, GOOD], dtype=np.uint8)) == GOOD
    assert [
        of_channel(x) for x in ((GOOD, FAIL, SUSPECT), (GOOD, SUSPECT), (2, GOOD), (2, 9), ())
    ] == [
        FAIL,
        SUSPECT,
        GOOD,
        NOT_EVALUATED,
        MISSING,
    ]
    a = np.array([1, 2, 2, 1, 9], dtype=np.uint8)
    b = np.array([3, 1, 2, 4, 1], dtype=np.uint8)
    assert worst_of([a, b]).tolist() == [3, 1, 2, 4, 9]
    assert worst_of([a]) is a and worst_of([a, a]) is a


def test_gross_range_at_and_beyond_its_bounds():
    value = np.array([0.9, 1.0, 1.9, 2.0, 5.0, 8.0, 8.1, 9.0, 9.1, np.nan])
    assert gross_range(value, fail_span=(1.0, 9.0), suspect_span=(2.0, 8.0)).tolist() == [
        4,
        3,
        3,
        1,
        1,
        1,
        3,
        3,
        4,
        9,
    ]
    assert gross_range(value[:9], fail_span=(1.0, 9.0)).tolist() == [4, 1, 1, 1, 1, 1, 1, 1, 4]
    assert (
        gross_range(value[3:6], fail_span=(1.0, 9.0), suspect_span=(2.0, 8.0)).tolist() == [1] * 3
    )


@pytest.mark.parametrize(("n", "found"), [(3, False), (4, True)])
def test_pinned_lasts_long_enough_and_counts(n, found):
    t = np.arange(20) * 0.1
    value = np.full(20, 50.0)
    value[5 : 5 + n] = 100.4
    mask = pinned(t, value, at=100.0, within=0.5, least_s=0.3)
    assert mask.sum() == (n if found else 0)
    assert not pinned(t, value, at=100.0, within=0.3, least_s=0.1).any()
    assert not pinned(t, value, at=100.0, within=0.5, least_s=0.1, least_count=5).any()


@pytest.mark.parametrize(("hole", "found"), [(0.35, 0), (0.55, 1)])
def test_a_blank_is_longer_than_its_least_and_four_intervals(hole, found):
    t = np.concatenate((np.arange(0, 5, 0.1), 4.9 + hole + np.arange(0, 5, 0.1)))
    spans = blanks(t, until_s=float(t[-1]), least_s=0.3)
    assert len(spans) == found
    if found:
        assert spans[0] == pytest.approx((4.9, 4.9 + hole))
    assert blanks(t, until_s=float(t[-1]), least_s=0.6) == []
    died = blanks(np.arange(0, 5, 0.1), until_s=6.0, least_s=0.3)
    assert died == [pytest.approx((4.9, 6.0))]
    assert blanks(np.arange(0, 5, 0.1), until_s=5.2, least_s=0.3) == []
    assert blanks(np.array([0.0, 0.1]), until_s=9.0, least_s=0.3) == []


def leaping(height, width=1, n=40, at=20, beside=0.0):
    value = np.full(n, 10.0)
    value[at : at + width] += height
    value[at + width] += beside
    return np.arange(n) * 0.05, value


@pytest.mark.parametrize(("height", "found"), [(4.9, False), (5.1, True), (-5.1, True)])
def test_a_spike_is_higher_than_its_least(height, found):
    t, value = leaping(height)
    flags = spike(t, value, least=5.0)
    assert (flags == SUSPECT).sum() == int(found)
    if found:
        assert flags[20] == SUSPECT
    assert flags[[0, 1, -2, -1]].tolist() == [NOT_EVALUATED] * 4


@pytest.mark.parametrize(("beside", "found"), [(3.3, True), (3.45, False)])
def test_the_samples_beside_a_spike_agree_within_a_third_of_its_height(beside, found):
    t, value = leaping(13.0, beside=beside)
    value[22:] += beside  # a step behind it, of so much
    lone = SUSPECT in spike(t, value, least=5.0)[19:22].tolist()
    assert lone == (beside <= 0.35 * min(13.0, 13.0 - beside))
    assert lone == found


def test_two_samples_are_a_spike_where_both_fit_into_its_width_and_three_are_none():
    for width, step, count in ((2, 0.05, 2), (2, 0.07, 0), (3, 0.02, 0)):
        _, value = leaping(9.0, width)
        t = np.arange(len(value)) * step
        assert (spike(t, value, least=5.0) == SUSPECT).sum() == count


def test_in_a_rough_stretch_a_spike_must_stand_out_four_times():
    t, value = leaping(8.0)
    rough = np.where(np.arange(40) % 2 == 0, 1.0, -1.0)
    assert (spike(t, value + 1.3 * rough, least=5.0) == SUSPECT).sum() == 1
    assert (spike(t, value + 1.45 * rough, least=5.0) == SUSPECT).sum() == 0


@pytest.mark.parametrize(("step", "found"), [(1.05, False), (1.15, True), (-1.15, True)])
def test_a_rate_of_change_counts_by_its_interval_and_slack(step, found):
    """10 a second over 0.1 s, and 0.1 of slack."""
    t = np.arange(20) * 0.1
    value = np.where(np.arange(20) >= 10, step, 0.0)
    flags = rate_of_change(t, value, per_s=10.0, slack=0.1)
    assert flags[0] == NOT_EVALUATED
    assert (flags == SUSPECT).sum() == int(found)
    if found:
        assert flags[10] == SUSPECT


def test_a_jittering_clock_makes_no_quick_sensor():
    t = np.arange(20) * 0.1
    t[10] = t[9] + 0.01
    value = np.where(np.arange(20) >= 10, 0.45, 0.0)
    assert (rate_of_change(t, value, per_s=10.0) == SUSPECT).sum() == 0
    assert (rate_of_change(t, 1.2 * value, per_s=10.0) == SUSPECT).sum() == 1


def test_after_a_blank_no_rate_is_known():
    value = np.zeros(6)
    value[2] = np.nan
    flags = rate_of_change(np.arange(6.0), value, per_s=1.0)
    assert flags.tolist() == [2, 1, 9, 2, 1, 1]


def test_noise_is_measured_and_a_coarse_step_seen():
    rng = np.random.default_rng(1)
    t = np.arange(4000) * 0.05
    wave = 50 * np.sin(t / 3)
    sigma, step = noise_and_step(t, wave + rng.normal(0, 0.5, t.size))
    assert sigma == pytest.approx(0.5, rel=0.06) and step == 0.0
    sigma, step = noise_and_step(t, np.round(wave / 2.0) * 2.0)
    assert step == pytest.approx(2.0)
    assert sigma == pytest.approx(2.0 / 12**0.5, rel=0.35)
    assert noise_and_step(t[:7], wave[:7]) == (None, 0.0)
    assert noise_and_step(t[:8], np.zeros(8)) == (0.0, 0.0)
    uneven = np.sort(rng.uniform(0, 200, 4000))
    sigma, _ = noise_and_step(uneven, 0.3 * uneven + rng.normal(0, 0.5, 4000))
    assert sigma == pytest.approx(0.5, rel=0.08)


def test_a_still_run_lasts_and_counts():
    t = np.arange(12) * 0.5
    value = np.array([0.0, 1, 2, 2, 2, 2, 2, 3, 3.05, 3.1, 4, 5])
    assert still_runs(t, value, for_s=2.0) == [(2, 7)]
    assert still_runs(t, value, for_s=2.1) == []
    assert still_runs(t, value, for_s=2.0, least_count=6) == []
    assert still_runs(t, value, for_s=1.0, within=0.06, least_count=3) == [(2, 7), (7, 10)]
    assert still_runs(t[:4], value[:4], for_s=0.0) == []


@pytest.mark.parametrize(("rate", "held"), [(0.96, False), (0.94, True)])
def test_a_channel_a_twentieth_short_of_its_rate_is_slow(rate, held):
    """Lambda is needed once a second, boost 8 times (oscillation)."""
    assert bool(slow({"lambda": rate})) == held
    found = slow({"manifold_pressure": 8.0 * rate})
    assert bool(found) == held
    if held:
        assert found[0].limit == 8.0 and found[0].value == pytest.approx(8 * rate)
        assert "oscillation needs 8" in found[0].message
    both = slow({"manifold_pressure": 3.0})[0].message
    assert both.index("oscillation") < both.index("overshoot") and " need 8" in both
    assert slow({"manifold_pressure": 0.0}) == []


def gaps(*lengths, rate=20.0):
    def dropped(t):
        out = np.zeros(len(t), dtype=bool)
        for i, length in enumerate(lengths):
            start = 10.0 + 8 * i
            out |= (t > start + 1e-6) & (t < start + length - 1e-6)
        return out

    found = clock_findings(make_log(rate, drop_rows=dropped))
    return [(f.severity, round(f.value, 2)) for f in found]


def test_gaps_are_a_note_until_they_are_many_or_long():
    assert gaps() == []
    assert gaps(1.0) == [("note", 1.0)]
    assert gaps(1.9) == [("note", 1.9)]
    assert gaps(2.1) == [("watch", 2.1)]
    assert gaps(0.7, 0.8) == [("note", 0.8)]
    assert gaps(0.7, 0.8, 0.6) == [("watch", 0.8)]


@pytest.mark.parametrize(("n", "flag"), [(3, GOOD), (4, FAIL)])
def test_a_channel_at_its_rail_for_three_tenths_of_a_second_is_pinned(n, flag):
    t = np.arange(20) * 0.1
    value = 50.0 + np.sin(t)
    value[8 : 8 + n] = 0.0
    flags = rail(t, value, rails=(0.0,), within=0.1)
    assert set(flags[8 : 8 + n].tolist()) == {flag} and (flags[:8] == GOOD).all()
    assert (rail(t[:2], value[:2], rails=(0.0,), within=0.1) == NOT_EVALUATED).all()


def test_each_bad_stretch_lasts_to_the_end_of_its_last_sample():
    """Three samples and one, a tenth of a second apart: 0.3 s and 0.1 s."""
    t = np.arange(20) * 0.1
    mask = np.zeros(20, dtype=bool)
    mask[[5, 6, 7, 12]] = True
    found = trouble_of("sensor.range", "lambda", t, mask, state_of(log()))
    assert (found.count, found.seconds) == (2, pytest.approx(0.4))
    assert (found.start_s, found.end_s) == pytest.approx((0.5, 1.2))
    assert found.times == pytest.approx((0.5, 1.2))
    assert trouble_of("sensor.range", "lambda", t, mask & False, state_of(log())) is None
