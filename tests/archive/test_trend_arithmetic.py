"""Charts and slopes on series that are known to the last digit; figures of a handbook stand in tests/outside."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from audit.archive.logged import duty_led
from audit.archive.trend.alarm import BACK_NIGHTS, Shift, find_shifts, worth_of
from audit.archive.trend.charts import (
    Forecast,
    Slope,
    cusum,
    ewma,
    ewma_sigma,
    forecast,
    slope_of,
)
from audit.archive.trend.corrections import Nights, correct
from audit.archive.trend.prepare import columns_of, needed_columns, prepare
from audit.archive.trend.trend import Trend
from audit.archive.trend.trends import finding_of, findings_of, joint_of
from audit.archive.watched import chart_settings, signatures, watched

pl = pytest.importorskip("polars")

MEASURES = {m.name: m for m in watched()}
MEASURE = MEASURES["boost_at_duty"]
LEAK = signatures()[0]

# ---- alarms ----


def shifts(score, *, worth=None, first=0, bad="both", **sums):
    """By one sum that signals over 3 after 0.5 off each night, unless others are given."""
    score = np.asarray(score, float)
    measure = dataclasses.replace(MEASURE, bad=bad, sums=sums or {"quick": (0.5, 3.0)})
    worth = worth or (lambda zero, night, side: True)
    return find_shifts(score, 10.0 * score, measure, worth=worth, first=first)


def test_a_sum_alarms_when_it_is_over_its_interval_and_not_at_it():
    """1.5 a night less 0.5: 1, 2, 3 (not over), 4."""
    rise = np.array([0, 0, 1.5, 1.5, 1.5, 1.5])
    assert shifts(rise) == [Shift("up", 2, 5, None, 15.0, "quick")]
    assert shifts(rise[:-1]) == []
    assert shifts(-rise) == [Shift("down", 2, 5, None, -15.0, "quick")]
    assert shifts(-rise, bad="up") == []


def test_nights_before_the_first_do_not_count():
    assert shifts([9, 9, 9, 0, 0, 0], first=3) == []


def test_a_score_counts_no_more_than_its_clip():
    most = chart_settings()["clip"] - 0.5
    assert shifts([0.0, 100.0], quick=(0.5, most - 1e-6))
    assert not shifts([0.0, 100.0], quick=(0.5, most))


def test_what_is_not_worth_a_word_raises_nothing_until_it_is():
    (found,) = shifts([0.0, *[2.0] * 8], worth=lambda zero, night, side: night >= 6)
    assert (found.onset, found.raised) == (1, 6)


def test_four_calm_nights_end_an_alarm():
    """The mean of four scores on its side under 1."""
    base = [0.0] + [2.0] * 4
    (found,) = shifts([*base, 0.9, 0.9, 0.9, 0.9])
    assert (found.raised, found.ended) == (3, 8) and found.amount == pytest.approx(20.0)
    (found,) = shifts([*base, 1.1, 1.1, 1.1, 1.1])
    assert found.ended is None
    assert found.amount == pytest.approx(10 * np.mean([2.0] * 4 + [1.1] * 4))
    assert shifts([*base, 0.0, 0.0])[0].ended is None  # 2, 2, 0, 0: a mean of 1
    assert shifts([*base, 0.0, 0.0, 0.0])[0].ended == 7
    assert BACK_NIGHTS == 4


def test_after_an_alarm_the_sums_begin_anew_and_what_was_back_is_no_part_of_the_next():
    found = shifts([0.0] + [2.0] * 4 + [0.0] * 4 + [2.0] * 4)
    assert [(s.onset, s.raised, s.ended) for s in found] == [(1, 3, 7), (9, 11, None)]
    worse = [4.0] * 20 + [0.0] * 4  # so long that its level would move the onset of the next
    (_, risen) = shifts([0.0, *worse, 0.7, 0.7, *[3.0] * 4], bad="up")
    assert risen.onset == 27


def test_an_onset_is_the_best_step_from_where_the_sum_left_0():
    """A slow rise before a step is none of it; the larger step, of one level at 6, came before."""
    (crept,) = shifts([0.0] * 8 + [0.6] * 4 + [3.0] * 8)
    assert (crept.onset, crept.raised, crept.amount) == (12, 13, pytest.approx(30.0))
    (risen,) = shifts([-3.0] * 6 + [0.0] * 6 + [2.0] * 8, bad="up")
    assert (risen.onset, risen.raised) == (12, 14)


def test_the_slow_sum_finds_what_the_quick_one_does_not():
    setting = chart_settings()
    quick, slow = ((setting[f"{n}_k"], setting[f"{n}_h"]) for n in ("quick", "slow"))
    assert MEASURES["supply"].sums == {"quick": quick, "slow": slow}
    assert MEASURE.sums == {"quick": (quick[0], 10.0), "slow": slow}  # its row has its own
    found = shifts([0.5 * (quick[0] + slow[0])] * 200, quick=quick, slow=slow)
    assert found[0].which == "slow"


def test_a_mean_is_worth_a_word_from_what_matters_on():
    shares = np.array([[0.0, 1.0, 1.0, 1.0]])
    assert worth_of(shares)(1, 3, "up") and worth_of(-shares)(1, 3, "down")
    assert not worth_of(shares)(0, 3, "up")  # 0.75 on average
    assert not worth_of(shares)(1, 3, "down")
    assert worth_of(np.array([[1.1, 1.1]]))(0, 1, "up")


def test_a_fault_that_grows_is_worth_a_word_by_its_last_three_nights():
    """Their middle at 1.3 times what matters, though its mean is not there yet."""
    worth = worth_of(np.array([[0.0, 0.0, 0.0, 0.0, 1.31, 1.31, 1.31]]))
    assert worth(0, 6, "up") and worth(0, 5, "up") and not worth(0, 4, "up")
    assert not worth_of(np.array([[0.0, 0.0, 0.0, 0.0, 1.29, 1.29, 1.29]]))(0, 6, "up")


@pytest.mark.parametrize(
    ("one", "other", "enough"),
    [(1.1, 0.5, True), (1.2, 0.4, False), (0.9, 0.6, False), (2.0, np.nan, False)],
)
def test_parts_are_worth_a_word_by_their_mean_and_the_second_largest(one, other, enough):
    worth = worth_of(np.array([[one], [other]]), share=0.8, least=0.5)
    assert worth(0, 0, "up") == enough


# ---- charts ----


def test_sums_and_averages_are_those_of_their_definitions():
    x = np.array([1.0, 2.0, -3.0, 0.5])
    assert cusum(x - 0.5, k=0.25).tolist() == [0.25, 1.5, 0.0, 0.0]
    assert cusum(0.5 - x, k=0.25).tolist() == [0.0, 0.0, 3.25, 3.0]
    assert cusum(0.5 - x, k=0.25, most=1.5).tolist() == [0.0, 0.0, 1.5, 1.25]
    assert ewma(x, weight=0.25, start=2.0).tolist() == pytest.approx(
        [1.75, 1.8125, 0.609375, 0.58203125]
    )
    assert ewma_sigma(0.2) == pytest.approx(1 / 3)


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


def test_a_slope_is_sure_only_where_its_change_matters_and_to_a_side_that_does():
    """From the middle of the first six nights to that of the last six: 34 steps of 0.5."""
    value = 0.5 * np.arange(40.0)
    assert slope_of(value, matters=17.0).sure and slope_of(-value, matters=17.0).sure
    assert not slope_of(value, matters=17.1).sure and not slope_of(-value, matters=17.1).sure
    assert slope_of(value, sides=("up",)).sure and not slope_of(value, sides=("down",)).sure


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


# ---- findings ----


def trend(**more):
    base = {
        "measure": MEASURE, "parts": {}, "shift": None, "state": "steady", "forecast": None, "slope": None,
        "side": None, "said": "It moved.", "meaning": "", "look_at": (),
    }  # fmt: skip
    return SimpleNamespace(**{**base, **more})


def moved(amount, **more):
    side = "up" if amount > 0 else "down"
    return trend(shift=Shift(side, 3, 5, None, amount, "quick"), side=side, **more)


def test_a_serious_shift_holds_and_a_lesser_one_is_a_watch():
    serious = MEASURE.serious
    assert finding_of(moved(serious - 0.1)).severity == "watch"
    assert finding_of(moved(serious)).severity == finding_of(moved(-serious)).severity == "hold"
    joint = moved(1000.0, measure=LEAK, parts=dict.fromkeys(LEAK.parts, 1.0))
    assert finding_of(joint).severity == "watch" and finding_of(joint).limit is None
    assert finding_of(trend()) is None


def test_a_drift_is_a_note_until_its_limit_is_near():
    def severity(nights):
        ahead = Forecast(nights, 10, 30, 9.0) if nights else None
        return finding_of(trend(slope=SURE, side="up", forecast=ahead)).severity

    assert [severity(nights) for nights in (None, 20, 21)] == ["note", "watch", "note"]


def test_a_finding_has_its_amount_limit_code_and_what_to_do():
    found = finding_of(moved(-5.0, meaning="a leak, or a clogged filter"))
    assert (found.value, found.limit, found.severity) == (-5.0, MEASURE.matters, "watch")
    assert found.code == MEASURE.code["down"]
    assert "Usually a leak" in found.message and "pullaudit note" in found.message
    assert f'"{MEASURE.label} is how my car is"' in found.message
    assert found.likely == ("a leak", "a clogged filter")
    hard = finding_of(moved(-20.0))
    assert hard.limit == MEASURE.serious and "Usually" not in hard.message
    slow = finding_of(trend(slope=SURE, side="up"))
    assert (slow.value, slow.limit, slow.severity) == (5.0, None, "note")
    assert "pullaudit note" not in slow.message


def test_a_signature_speaks_for_its_parts_unless_one_of_them_holds():
    whole = moved(5.0, measure=LEAK, parts={MEASURE.name: 1.0}, said="Together.")
    messages = [f.message.split(":")[1][:10] for f in findings_of([whole, moved(5.0)])]
    assert messages == [" Together."]
    assert [f.severity for f in findings_of([whole, moved(20.0)])] == ["watch", "hold"]


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
    made = columns_of(rows, "pull")
    assert made["date"].tolist() == ["2026-01-01", "2026-01-02"]
    assert made["length_s"].tolist() == [4.0, 6.5]
    assert made["start_over_air"].tolist() == pytest.approx([np.nan, 12.0], nan_ok=True)
    assert made["ambient_c"].tolist() == [15.0, 18.0]  # ten kelvin under the warm bay
    assert made["duty_led"].tolist() == [1.0, 1.0]
    over = np.array([made[f"duty_over_{knot}"] for knot in range(10, 90, 10)]).T
    assert over[0] == pytest.approx([34.1, 24.1, 14.1, 4.1, 0, 0, 0, 0])
    assert over[1] == pytest.approx([35.9, 25.9, 15.9, 5.9, 0, 0, 0, 0])
    first = 150.0 / 201.325 * 313.0 / 298.15 * 6000.0 / 6500.0
    second = 313.0 / 303.15
    assert made["air_index"].tolist() == pytest.approx([first, second])
    assert made["air_index_squared"].tolist() == pytest.approx([first**2, second**2])
    assert np.isnan(made["gear"]).all()  # what no night logged is there and unknown


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
        assert len(names) == len(set(names)) and "date" in names and "ambient_c" in names
        assert not {"air_index", "duty_led", "duty_over_10", "length_s"} & set(names)
    assert "duty_at_peak_pct" in needed_columns("pull") and "gear" not in needed_columns("log")


def prepared(values, *, since="", **columns):
    n = len(values)
    rows = {
        "date": [f"2026-01-{i + 1:02d}" for i in range(n)],
        "log_id": [f"l{i:02d}" for i in range(n)],
        "index": [1] * n,
        "boost_settled_kpa": np.asarray(values, float),
    }
    return prepare(columns_of(pl.DataFrame(rows | columns), "pull"), MEASURE, since=since)


def test_the_first_nights_set_level_and_reference_and_later_ones_do_not():
    least = int(chart_settings()["least_nights"])
    n = least + 6
    conditions = {
        "duty_mean_pct": np.concatenate((np.tile([40.0, 44.0], n)[:least], np.full(6, 60.0))),
        "barometric_kpa": np.repeat([98.0, 90.0], [least, 6]),
    }
    boost = np.concatenate((np.full(least, 90.0), np.full(6, 130.0)))
    made = prepared(boost, **conditions)
    assert len(made.dates) == n and made.mean[0] == 90.0
    assert made.sd[0] == pytest.approx(4.0 * MEASURE.noise)
    assert made.rows[-1][0][0, 1] == pytest.approx(60.0 - 42.0)
    assert (made.mean[1], made.sd[1]) == (1.2, 0.8)
    assert made.reference[:2].tolist() == [1.0, 0.0]
    assert made.rows[-1][0][0, -1] == -8.0 and made.reference[-1] == 2.0  # values told at 100 kPa
    assert made.missing.tolist() == [0.0] * n
    assert prepared(boost, **conditions, since="2026-01-03").dates[0] == "2026-01-03"
    assert prepared(boost, **conditions, since="2030") is None


def test_what_was_not_logged_widens_its_night():
    """By the spread of the first nights: of duty 4 % at 1.2 kPa, over three knots 4 % and over one 3 % at 0.2."""
    least = int(chart_settings()["least_nights"])
    duty = [*np.tile([38.0, 46.0], least)[:least].tolist(), None, 42.0]
    made = prepared([90.0] * (least + 2), duty_mean_pct=duty)
    expected = (4.0 * 1.2) ** 2 + 3 * (4.0 * 0.2) ** 2 + (3.0 * 0.2) ** 2
    assert made.missing.tolist() == pytest.approx([0.0] * least + [expected, 0.0])
    assert made.rows[-2][0][0, 1] == 0.0


def test_gears_have_columns_of_their_own_where_there_are_two():
    boost = [90.0] * 12
    one, two = prepared(boost, gear=[3.0] * 12), prepared(boost, gear=[3.0] * 9 + [4.0] * 3)
    assert two.reference.size == one.reference.size + 2
    assert two.reference[1:3].tolist() == pytest.approx([0.75, 0.25])
    assert two.sd[1:3].tolist() == [8.0, 8.0]
    assert two.rows[0][0][0, 1:3].tolist() == [1.0, 0.0]


# ---- the regression ----


def corrected(nights, *, sd=2.0, noise=1.0, missing=0.0, slope_sd=()):
    """nights: the pulls' values of each, or (x, y) where slope_sd gives the spread of slopes."""
    rows = nights if slope_sd else [(np.ones((len(y), 1)), np.array(y)) for y in nights]
    spreads = np.array([sd, *slope_sd])
    return correct(
        Nights(
            ("",) * len(rows),
            rows,
            np.zeros(spreads.size),
            spreads,
            noise,
            np.eye(spreads.size)[0],
            np.zeros(len(rows)) + missing,
        )
    )


def run(values, **more):
    return corrected([[float(v)] for v in values], **more)


def test_the_first_night_is_held_against_the_prior():
    from scipy.stats import norm, t

    made = run([5.0])
    assert made.residual.tolist() == [5.0]
    expected = norm.isf(t.sf(5.0 / np.sqrt(1.0 + 4.0), 6.0))
    assert made.score[0] == pytest.approx(expected, rel=1e-6)
    assert run([-5.0]).score[0] == pytest.approx(-expected, rel=1e-6)


def test_a_level_is_learnt_by_the_weight_of_its_nights():
    """Of two nights at 3 against a prior of 0 (sd 2, noise 1): 3 × 2 / (2 + 1/4)."""
    made = run([3.0, 3.0])
    assert made.residual[1] == pytest.approx(3.0 - 3.0 / 1.25, rel=1e-6)
    assert made.coefficients[0] == pytest.approx(6.0 / 2.25, rel=1e-6)
    assert made.value.tolist() == [3.0, 3.0]


def test_a_strange_night_counts_less():
    """The weight of a score is 2 over it, beyond 2."""
    made = run([0.0] * 40 + [9.0], sd=100.0)
    usual = run([0.0] * 40 + [0.5], sd=100.0)
    assert made.coefficients[0] < 0.5 * 9.0 * usual.coefficients[0] / 0.5


def test_a_fault_that_stays_is_not_learnt():
    calm = np.random.default_rng(4).normal(0, 1.0, 30)
    for fault in (6.0, -6.0):
        made = run([*calm, *([fault] * 15)], sd=10.0)
        assert abs(made.coefficients[0]) < 1.2
        assert (np.sign(fault) * made.score[-10:] > 3.0).all()


def test_conditions_that_were_not_logged_make_a_night_less_sure():
    plain, wide = run([0.0, 5.0]), run([0.0, 5.0], missing=np.array([0.0, 30.0]))
    assert wide.score[1] < 0.5 * plain.score[1]
    assert wide.residual[1] == plain.residual[1]


@pytest.mark.parametrize(
    ("night", "residual"),
    [
        ([1.0, 1.2, 0.8, 30.0], 1.0),
        ([10.0, 10.2, 9.8, 40.0], 10.0),  # wherever the night's middle lies
        ([1.0, 1.2, 0.8, 4.0], 1.75),
        ([1.0, 30.0], 15.5),  # of two nobody knows which
    ],
)
def test_one_pull_far_off_its_night_is_left_out(night, residual):
    assert corrected([night]).residual[0] == pytest.approx(residual)


def test_pulls_of_one_night_tell_a_slope_against_each_other():
    x = np.column_stack([np.ones(8), np.linspace(-4, 4, 8)])
    made = corrected([(x, 3.0 + 2.0 * x[:, 1])] * 6, sd=5.0, slope_sd=(5.0,))
    assert made.coefficients == pytest.approx([3.0, 2.0], abs=0.15)
    assert made.value == pytest.approx([3.0] * 6, abs=0.1)


def test_scores_do_not_hang_on_the_unit_of_a_measure():
    """Three times the figures, the noise and the prior's spread: the same scores, three times the residuals."""
    rng = np.random.default_rng(6)
    nights = [rng.normal(0, 1.0, 3) + (9.0 if i == 12 else 0.0) for i in range(30)]
    nights[20][1] += 40.0
    nights += [np.array([5.0, 5.4])] * 4
    one = corrected(nights, sd=4.0)
    other = corrected([3.0 * y for y in nights], sd=12.0, noise=3.0)
    assert other.score == pytest.approx(one.score, rel=1e-9)
    assert other.residual == pytest.approx(3.0 * one.residual, rel=1e-9)


# ---- signatures ----


def test_parts_that_move_together_count_for_no_more_than_they_tell_and_those_that_cancel_for_no_less():
    rng = np.random.default_rng(5)
    calm = rng.normal(0, 1.0, 60)
    days = tuple(f"2026-{1 + i // 28:02d}-{1 + i % 28:02d}" for i in range(60))

    def last(other):
        """The signature's last score over that of independent parts; the spread of its scores."""
        parts = []
        for (name, side), score in zip(LEAK.parts.items(), (calm, other), strict=True):
            told = tuple((score if side == "up" else -score).tolist())
            parts.append(Trend(MEASURES[name], days, told, told, told, ()))
        scores = joint_of(LEAK, parts).scores
        return scores[-1] / ((calm[-1] + other[-1]) / np.sqrt(2.0)), np.std(scores)

    alone, _ = last(rng.normal(0, 1.0, 60))
    same, spread = last(calm)
    assert same < 0.85 and spread < 1.25  # their sum is wider than one: it is put over its spread
    assert 0.85 < alone <= 1.0
    assert last(-0.9 * calm)[0] == pytest.approx(1.0)  # to cancel is no licence to be surer
