"""Charts and slopes on series that are known to the last digit; figures of a handbook stand in tests/outside."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from audit.archive.trend.advice import causes, finding_of, findings_of, severity_of
from audit.archive.trend.alarm import (
    BACK_NIGHTS,
    Interval,
    Shift,
    both_sums,
    find_shifts,
    mean_over,
    placed,
)
from audit.archive.trend.changepoint import change_points
from audit.archive.trend.control_charts import cusum, ewma, ewma_sigma
from audit.archive.trend.corrections import Prior, correct
from audit.archive.trend.joint import joint_of, signatures
from audit.archive.trend.prepare import (
    duty_led,
    needed_columns,
    prepare,
    with_derived,
)
from audit.archive.trend.slope import Forecast, Slope, forecast, slope_of
from audit.archive.watched import chart_settings, watched

pl = pytest.importorskip("polars")

MEASURE = next(m for m in watched() if m.name == "boost_at_duty")

# ---- alarms ----

QUICK = Interval("quick", 0.5, 3.0)
ANY = lambda zero, night, side: 1.0  # noqa: E731


def shifts(score, *, worth=ANY, first=0, intervals=(QUICK,), **more):
    score = np.asarray(score, float)
    return find_shifts(score, 10.0 * score, worth=worth, first=first, intervals=intervals, **more)


def test_a_sum_alarms_when_it_is_over_its_interval_and_not_at_it():
    """1.5 a night less 0.5: 1, 2, 3 (not over), 4."""
    (found,) = shifts([0, 0, 1.5, 1.5, 1.5, 1.5])
    assert (found.side, found.onset, found.raised, found.ended, found.which) == (
        "up",
        2,
        5,
        None,
        "quick",
    )
    assert shifts([0, 0, 1.5, 1.5, 1.5]) == []
    (down,) = shifts([0, 0, -1.5, -1.5, -1.5, -1.5])
    assert (down.side, down.onset) == ("down", 2)
    assert shifts([0, 0, -1.5, -1.5, -1.5, -1.5], sides=("up",)) == []


def test_a_night_without_a_rise_sets_the_onset_anew():
    (found,) = shifts([1.0, 0.0, 0.0, 2, 2, 2, 2])
    assert found.onset == 3


def test_nights_before_the_first_do_not_count():
    assert shifts([9, 9, 9, 0, 0, 0], first=3) == []


def test_a_score_counts_no_more_than_its_clip():
    clip = chart_settings()["clip"]
    wide = Interval("quick", 0.5, clip - 0.5 - 1e-6)
    assert shifts([100.0], intervals=(wide,))
    assert not shifts([100.0], intervals=(Interval("quick", 0.5, clip - 0.5),))


def test_what_is_not_worth_a_word_raises_nothing_until_it_is():
    (found,) = shifts([2.0] * 8, worth=lambda zero, night, side: 7.0 if night >= 6 else None)
    assert (found.onset, found.raised) == (0, 6)


def test_four_calm_nights_end_an_alarm():
    """The mean of four scores on its side under 1."""
    base = [2.0] * 4
    (found,) = shifts([*base, 0.9, 0.9, 0.9, 0.9])
    assert found.ended == 7 and found.raised == 2
    (found,) = shifts([*base, 1.1, 1.1, 1.1, 1.1])
    assert found.ended is None
    assert found.amount == pytest.approx(10 * np.mean([2.0] * 4 + [1.1] * 4))
    assert shifts([*base, 0.0, 0.0])[0].ended is None  # 2, 2, 0, 0: a mean of 1
    assert shifts([*base, 0.0, 0.0, 0.0])[0].ended == 6
    assert BACK_NIGHTS == 4


def test_after_an_alarm_the_sums_begin_anew():
    again = shifts([2.0] * 4 + [0.0] * 4 + [2.0] * 4)
    assert [(s.onset, s.raised) for s in again][0] == (0, 2)
    assert again[1].onset >= 8


def test_the_slow_sum_finds_what_the_quick_one_does_not():
    quick, slow = both_sums()
    setting = chart_settings()
    assert (quick.k, quick.h, slow.k, slow.h) == tuple(
        setting[n] for n in ("quick_k", "quick_h", "slow_k", "slow_h")
    )
    assert both_sums(9.0)[0].h == 9.0
    level = 0.5 * (quick.k + slow.k)
    found = shifts([level] * 200, intervals=(quick, slow))
    assert found[0].which == "slow"


def test_a_mean_is_worth_a_word_from_what_matters_on():
    residual = np.array([0.0, 4.0, 4.0, 4.0])
    worth = mean_over(residual, 4.0)
    assert worth(1, 3, "up") == pytest.approx(4.0)
    assert worth(0, 3, "up") is None  # 3 on average
    assert worth(1, 3, "down") is None
    assert mean_over(-residual, 4.0)(1, 3, "down") == pytest.approx(-4.0)


def test_a_fault_that_grows_is_worth_a_word_by_its_last_three_nights():
    """Its middle at 1.3 times what matters, though its mean is not there yet."""
    residual = np.array([0.0, 0.0, 0.0, 0.0, 5.3, 5.3, 5.3])
    assert mean_over(residual, 4.0)(0, 6, "up") == pytest.approx(residual.mean())
    assert mean_over(residual * 5.1 / 5.3, 4.0)(0, 6, "up") is None
    assert mean_over(residual, 4.0)(0, 5, "up") is not None
    assert mean_over(residual, 4.0)(0, 4, "up") is None
    assert mean_over(np.array([3.0, 5.3, 5.3]), 5.0)(1, 2, "up") == pytest.approx(5.3)
    assert mean_over(np.array([5.3, 5.3]), 5.3 / 1.1)(0, 1, "up") is not None


def test_an_onset_is_placed_at_the_change_of_level_near_it():
    score = np.array([0.0] * 12 + [3.0] * 8)
    shift = Shift("up", 10, 15, None, 0.0, "quick")
    found = placed(shift, score, 10 * score, first=0)
    assert (found.onset, found.amount) == (12, pytest.approx(30.0))
    far = Shift("up", 1, 15, None, 5.0, "quick")
    assert placed(far, score, 10 * score, first=0) == far
    ended = Shift("up", 10, 15, 19, 0.0, "quick")
    score[16:] = 0.0
    assert placed(ended, score, 10 * score, first=0).amount == pytest.approx(30.0)


# ---- change points, charts ----


def test_a_change_is_told_where_it_saves_more_than_its_penalty():
    x = np.array([0.0] * 5 + [2.0] * 5)  # one level: 10 squared; two: none
    assert change_points(x, penalty=9.9) == [5]
    assert change_points(x, penalty=10.1) == []
    assert change_points(x + 100.0, penalty=9.9) == [5]
    three = np.array([0.0] * 4 + [5.0] * 4 + [1.0] * 4)
    assert change_points(three, penalty=1.0) == [4, 8]
    short = np.array([0.0, 0, 0, 9, 9])
    assert change_points(short, penalty=1.0, least=2) == [3]
    assert change_points(short, penalty=1.0, least=3) == []


def test_sums_and_averages_are_those_of_their_definitions():
    x = np.array([1.0, 2.0, -3.0, 0.5])
    high, low = cusum(x, target=0.5, k=0.25)
    assert high.tolist() == [0.25, 1.5, 0.0, 0.0]
    assert low.tolist() == [0.0, 0.0, 3.25, 3.0]
    assert ewma(x, weight=0.25, start=2.0).tolist() == pytest.approx(
        [1.75, 1.8125, 0.609375, 0.58203125]
    )
    assert ewma_sigma(2, weight=0.2, sigma=3.0) == pytest.approx(
        [0.6, 3 * np.sqrt(0.2 / 1.8 * (1 - 0.8**4))]
    )


# ---- slopes ----


def test_a_sure_slope_and_when_it_reaches_a_limit():
    rng = np.random.default_rng(2)
    value = 50 + 0.5 * np.arange(40.0) + rng.normal(0, 0.2, 40)
    found = slope_of(value)
    assert found.per_night == pytest.approx(0.5, abs=0.02) and found.sure and found.nights == 40
    assert found.level == pytest.approx(69.5, abs=0.3)
    assert found.low < 0.5 < found.high
    ahead = forecast(found, 80.0)
    assert (
        ahead.nights == pytest.approx(21, abs=1) and ahead.soonest <= ahead.nights <= ahead.latest
    )
    assert not slope_of(rng.normal(0, 1.0, 40)).sure
    falling = slope_of(-value)
    assert falling.sure and falling.per_night == pytest.approx(-0.5, abs=0.02)
    assert slope_of(np.concatenate((np.zeros(60) + 9, value))).nights == 40


def test_too_few_nights_have_no_slope():
    least = int(chart_settings()["slope_nights"])
    assert slope_of(np.arange(least - 1.0)) is None
    assert slope_of(np.arange(float(least))) is not None


SURE = Slope(0.5, 0.4, 0.6, 70.0, 40, sure=True)


def test_a_forecast_has_its_ends_from_the_slopes():
    assert forecast(SURE, 76.0) == Forecast(12, 10, 15, 76.0)
    down = Slope(-0.5, -0.6, -0.4, 70.0, 40, sure=True)
    assert forecast(down, 64.0) == Forecast(12, 10, 15, 64.0)


@pytest.mark.parametrize(
    "slope_and_limit",
    [
        (Slope(0.5, 0.4, 0.6, 70.0, 40, sure=False), 76.0),
        (SURE, 64.0),
        (SURE, 70.0),
        (Slope(0.5, 0.0, 0.6, 70.0, 40, sure=True), 76.0),
        (Slope(0.5, 0.09, 0.6, 70.0, 40, sure=True), 76.0),
    ],
)
def test_no_forecast_where_it_is_not_sure_leads_away_or_may_be_far(slope_and_limit):
    assert forecast(*slope_and_limit) is None


def test_a_forecast_no_further_than_its_horizon_nor_its_end_six_times_its_begin():
    most = chart_settings()["horizon_nights"]
    steady = Slope(1.0, 1.0, 1.0, 0.0, 40, sure=True)
    assert forecast(steady, most).nights == most
    assert forecast(steady, most + 1) is None
    assert forecast(Slope(0.5, 0.11, 0.6, 70.0, 40, sure=True), 76.0) is not None


# ---- severities ----


def trend(**more):
    measure = next(m for m in watched() if m.name == "boost_at_duty")
    base = {
        "measure": measure, "parts": {}, "shift": None, "state": "steady", "forecast": None, "slope": None,
        "side": None, "said": "It moved.", "meaning": "", "look_at": (),
    }  # fmt: skip
    return SimpleNamespace(**{**base, **more})


def moved(amount):
    return Shift("up" if amount > 0 else "down", 3, 5, None, amount, "quick")


def test_a_serious_shift_holds_and_a_lesser_one_is_a_watch():
    serious = trend().measure.serious
    assert severity_of(trend(shift=moved(serious - 0.1))) == "watch"
    assert severity_of(trend(shift=moved(serious))) == "hold"
    assert severity_of(trend(shift=moved(-serious))) == "hold"
    assert severity_of(trend(shift=moved(serious), parts={"a": 1.0})) == "watch"
    assert severity_of(trend()) is None


def test_a_drift_is_a_note_until_its_limit_is_near():
    assert severity_of(trend(state="drifting")) == "note"
    assert severity_of(trend(state="drifting", forecast=Forecast(20, 10, 30, 9.0))) == "watch"
    assert severity_of(trend(state="drifting", forecast=Forecast(21, 10, 30, 9.0))) == "note"


def test_a_finding_has_its_amount_limit_code_and_what_to_do():
    measure = trend().measure
    found = finding_of(trend(shift=moved(-5.0), side="down", meaning="a leak, or a clogged filter"))
    assert (found.value, found.limit, found.severity) == (-5.0, measure.matters, "watch")
    assert found.code == measure.code["down"]
    assert "Usually a leak" in found.message and "pullaudit note" in found.message
    assert found.likely == ("a leak", "a clogged filter")
    hard = finding_of(trend(shift=moved(-20.0), side="down"))
    assert hard.limit == measure.serious and "Usually" not in hard.message
    slow = finding_of(trend(state="drifting", slope=SURE, side="up"))
    assert (slow.value, slow.limit, slow.severity) == (5.0, None, "note")
    assert "pullaudit note" not in slow.message
    assert finding_of(trend(shift=moved(-5.0))) is None
    parts = finding_of(trend(shift=moved(5.0), side="up", parts={"x": 1.0}))
    assert parts.limit is None


def test_a_signature_speaks_for_its_parts_unless_one_of_them_holds():
    name = trend().measure.name
    signature = dataclasses.replace(MEASURE, name="together")
    whole = trend(
        measure=signature, shift=moved(5.0), side="up", parts={name: 1.0}, said="Together."
    )
    part = trend(shift=moved(5.0), side="up")
    assert [f.message.split(":")[1][:10] for f in findings_of([whole, part])] == [" Together."]
    worse = trend(shift=moved(20.0), side="up")
    assert [f.severity for f in findings_of([whole, worse])] == ["watch", "hold"]


def test_causes_are_parted_but_not_inside_brackets():
    assert causes("a leak, a hose (pinched, or leaking), or a valve") == (
        "a leak", "a hose (pinched, or leaking)", "a valve",
    )  # fmt: skip
    assert causes("") == ()


# ---- rows to nights ----


def test_derived_columns_are_what_they_say():
    rows = pl.DataFrame(
        {
            "date": ["2026-01-02", "2026-01-01"], "log_id": ["b", "a"], "index": [1, 1],
            "start_s": [10.0, 5.0], "end_s": [16.5, 9.0],
            "intake_start_c": [30.0, 25.0], "ambient_c": [18.0, None],
            "duty_at_peak_pct": [50.0, 40.0], "duty_mean_pct": [45.9, 44.1],
            "boost_settled_kpa": [100.0, 50.0], "barometric_kpa": [101.325, 100.0],
            "rpm_end": [6500.0, 6000.0], "lambda_mean": [0.8, None],
        }
    )  # fmt: skip
    made = with_derived(rows)
    assert made["date"].to_list() == ["2026-01-01", "2026-01-02"]
    assert made["length_s"].to_list() == [4.0, 6.5]
    assert made["start_over_air"].to_list() == [None, 12.0]
    assert made["ambient_c"].to_list() == [15.0, 18.0]  # ten kelvin under the warm bay
    assert made["duty_led"].to_list() == [1.0, 1.0]
    assert made["duty_squared"].to_list() == pytest.approx([44.1**2, 45.9**2])
    first = 150.0 / 201.325 * 313.0 / 298.15 * 6000.0 / 6500.0
    second = 313.0 / 303.15
    assert made["air_index"].to_list() == pytest.approx([first, second])
    assert made["air_index_squared"].to_list() == pytest.approx([first**2, second**2])


@pytest.mark.parametrize(
    ("peak", "led"), [(43.9, False), (44.1, True), (35.9, True), (None, False)]
)
def test_a_controller_moved_the_duty_where_the_peak_lies_4_percent_off_the_mean(peak, led):
    rows = pl.DataFrame(
        {"duty_at_peak_pct": [peak], "duty_mean_pct": [40.0]},
        schema_overrides={"duty_at_peak_pct": pl.Float64},
    )
    assert rows.select(x=duty_led())["x"].to_list() == [led]


def test_needed_columns_are_each_once_and_no_derived_ones():
    for kind in ("pull", "log"):
        names = needed_columns(kind)
        assert len(names) == len(set(names)) and "date" in names and "air_index" not in names
    assert "duty_at_peak_pct" in needed_columns("pull") and "gear" not in needed_columns("log")


def nights_of(values, **columns):
    n = len(values)
    return with_derived(
        pl.DataFrame(
            {
                "date": [f"2026-01-{i + 1:02d}" for i in range(n)],
                "log_id": [f"l{i:02d}" for i in range(n)],
                "index": [1] * n,
                "boost_settled_kpa": np.asarray(values, float),
                **columns,
            }
        )
    )


def test_the_first_nights_set_level_and_reference_and_later_ones_do_not():
    least = int(chart_settings()["least_nights"])
    n = least + 6
    duty = np.concatenate((np.tile([40.0, 44.0], n)[:least], np.full(6, 60.0)))
    boost = np.concatenate((np.full(least, 90.0), np.full(6, 130.0)))
    made = prepare(nights_of(boost, duty_mean_pct=duty), MEASURE)
    assert len(made.dates) == n and made.prior.mean[0] == 90.0
    assert made.prior.sd[0] == pytest.approx(4.0 * MEASURE.noise)
    middle = float(np.median(duty[:least]))
    assert made.nights[-1][0][0, 1] == pytest.approx(60.0 - middle)
    assert made.prior.mean[1] == 1.2 and made.prior.sd[1] == 0.8
    assert made.reference[0] == 1.0 and made.reference[1] == 0.0
    assert made.missing.tolist() == pytest.approx([0.0] * n)
    later = prepare(nights_of(boost, duty_mean_pct=duty), MEASURE, since="2026-01-03")
    assert later.dates[0] == "2026-01-03"
    assert prepare(nights_of(boost).filter(pl.col("date") > "2030"), MEASURE) is None


def test_what_was_not_logged_widens_its_night():
    least = int(chart_settings()["least_nights"])
    n = least + 2
    duty = [*np.tile([38.0, 46.0], n)[:least].tolist(), None, 42.0]
    made = prepare(nights_of([90.0] * n, duty_mean_pct=duty), MEASURE)
    spread = np.std(duty[:least]) * 1.2
    widened = made.missing.tolist()
    assert widened[-1] == 0.0
    assert widened[-2] >= spread**2
    assert made.nights[-2][0][0, 1] == 0.0


def test_gears_have_columns_of_their_own_where_there_are_two():
    boost = [90.0] * 12
    one = prepare(nights_of(boost, gear=[3.0] * 12), MEASURE)
    two = prepare(nights_of(boost, gear=[3.0] * 9 + [4.0] * 3), MEASURE)
    assert two.reference.size == one.reference.size + 2
    assert two.reference[1:3].tolist() == pytest.approx([0.75, 0.25])
    assert two.prior.sd[1:3].tolist() == [8.0, 8.0]
    assert two.nights[0][0][0, 1:3].tolist() == [1.0, 0.0]


# ---- the regression ----


def run(values, noise=1.0, sd=10.0, mean=0.0):
    nights = [(np.ones((1, 1)), np.array([float(v)])) for v in values]
    return correct(nights, Prior(np.array([mean]), np.array([sd]), noise), reference=np.ones(1))


def test_the_first_night_is_held_against_the_prior():
    made = run([5.0], noise=1.0, sd=2.0)
    assert made.residual.tolist() == [5.0]
    from scipy.stats import norm, t

    expected = norm.isf(t.sf(5.0 / np.sqrt(1.0 + 4.0), 6.0))
    assert made.score[0] == pytest.approx(expected, rel=1e-6)
    assert run([-5.0], sd=2.0).score[0] == pytest.approx(-expected, rel=1e-6)


def test_a_level_is_learnt_by_the_weight_of_its_nights():
    """Of two nights at 3 against a prior of 0 (sd 2, noise 1): 3 × 2 / (2 + 1/4)."""
    made = run([3.0, 3.0], sd=2.0)
    assert made.residual[1] == pytest.approx(3.0 - 3.0 / 1.25, rel=1e-6)
    assert made.coefficients[0] == pytest.approx(6.0 / 2.25, rel=1e-6)
    assert made.value.tolist() == [3.0, 3.0]


def test_a_strange_night_counts_less():
    """A score of 5 weighs 2 / 5 of a usual one."""
    made = run([0.0] * 40 + [9.0], sd=100.0)
    usual = run([0.0] * 40 + [0.5], sd=100.0)
    assert made.coefficients[0] < 9.0 / 41 < 9.0 * usual.coefficients[0] / 0.5 * 1.2


def test_a_fault_that_stays_is_not_learnt():
    rng = np.random.default_rng(4)
    calm = rng.normal(0, 1.0, 30)
    made = run([*calm, *([6.0] * 15)], sd=10.0)
    assert abs(made.coefficients[0]) < 1.2
    assert (made.score[-10:] > 3.0).all()
    falling = run([*calm, *([-6.0] * 15)], sd=10.0)
    assert abs(falling.coefficients[0]) < 1.2


def test_conditions_that_were_not_logged_make_a_night_less_sure():
    nights = [(np.ones((1, 1)), np.array([v])) for v in (0.0, 5.0)]
    prior = Prior(np.zeros(1), np.array([2.0]), 1.0)
    plain = correct(nights, prior, reference=np.ones(1))
    wide = correct(nights, prior, reference=np.ones(1), missing=np.array([0.0, 30.0]))
    assert wide.score[1] < 0.5 * plain.score[1]
    assert wide.residual[1] == plain.residual[1]


def test_one_pull_far_off_its_night_is_left_out():
    def night(*y):
        return np.ones((len(y), 1)), np.array(y)

    prior = Prior(np.zeros(1), np.array([2.0]), 1.0)
    made = correct([night(1.0, 1.2, 0.8, 30.0)], prior, reference=np.ones(1))
    assert made.residual[0] == pytest.approx(1.0)
    kept = correct([night(1.0, 1.2, 0.8, 4.0)], prior, reference=np.ones(1))
    assert kept.residual[0] == pytest.approx(1.75)
    two = correct([night(1.0, 30.0)], prior, reference=np.ones(1))
    assert two.residual[0] == pytest.approx(15.5)


def test_pulls_of_one_night_tell_a_slope_against_each_other():
    x = np.column_stack([np.ones(8), np.linspace(-4, 4, 8)])
    prior = Prior(np.zeros(2), np.array([5.0, 5.0]), 1.0)
    made = correct([(x, 3.0 + 2.0 * x[:, 1])] * 6, prior, reference=np.array([1.0, 0.0]))
    assert made.coefficients == pytest.approx([3.0, 2.0], abs=0.15)
    assert made.value == pytest.approx([3.0] * 6, abs=0.1)


def test_scores_do_not_hang_on_the_unit_of_a_measure():
    """Three times the figures, the noise and the prior's spread: the same scores, three times the residuals."""
    rng = np.random.default_rng(6)
    nights = [
        (np.ones((3, 1)), rng.normal(0, 1.0, 3) + (9.0 if i == 12 else 0.0)) for i in range(30)
    ]
    nights[20][1][1] += 40.0
    nights += [(np.ones((2, 1)), np.array([5.0, 5.4]))] * 4
    one = correct(nights, Prior(np.zeros(1), np.array([4.0]), 1.0), reference=np.ones(1))
    three = [(x, 3.0 * y) for x, y in nights]
    other = correct(three, Prior(np.zeros(1), np.array([12.0]), 3.0), reference=np.ones(1))
    assert other.score == pytest.approx(one.score, rel=1e-9)
    assert other.residual == pytest.approx(3.0 * one.residual, rel=1e-9)


def test_a_stray_pull_is_told_from_the_middle_of_its_night_wherever_that_lies():
    x = np.ones((4, 1))
    prior = Prior(np.zeros(1), np.array([2.0]), 1.0)
    made = correct([(x, np.array([10.0, 10.2, 9.8, 40.0]))], prior, reference=np.ones(1))
    assert made.residual[0] == pytest.approx(10.0)


def test_of_two_changes_of_level_the_nearer_one_is_the_onset():
    score = np.array([-4.0] * 6 + [0.0] * 6 + [4.0] * 8)
    shift = Shift("up", 11, 15, None, 0.0, "quick")
    assert placed(shift, score, score, first=0).onset == 12
    assert placed(Shift("up", 7, 15, None, 0.0, "quick"), score, score, first=0).onset == 6


def part(name, scores, residuals=None):
    measure = next(m for m in watched() if m.name == name)
    days = tuple(f"2026-{1 + i // 28:02d}-{1 + i % 28:02d}" for i in range(len(scores)))
    scores = tuple(float(v) for v in scores)
    return SimpleNamespace(
        measure=measure, dates=days, scores=scores, residuals=residuals or scores
    )


def test_parts_that_move_together_count_for_no_more_than_they_tell_and_those_that_cancel_for_no_less():
    leak = signatures()[0]
    names = [n for n in leak.parts if any(m.name == n for m in watched())][:2]
    sign = [1.0 if leak.parts[n] == "up" else -1.0 for n in names]
    rng = np.random.default_rng(5)
    calm = rng.normal(0, 1.0, 60)

    def last(other):
        made = joint_of(leak, [part(names[0], sign[0] * calm), part(names[1], sign[1] * other)])
        plain = (calm + other) / np.sqrt(2.0)
        return made.score[-1] / plain[len(plain) - 1], np.std(made.score)

    alone, _ = last(rng.normal(0, 1.0, 60))
    same, spread = last(calm.copy())
    assert same < 0.85 and spread < 1.25  # their sum is wider than one: it is put over its spread
    assert 0.85 < alone <= 1.0
    opposite, _ = last(-0.9 * calm)
    assert opposite == pytest.approx(1.0)  # and one that cancels is no licence to be surer
