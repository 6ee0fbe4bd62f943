"""How trends tell a fault from weather, strange nights and too few nights."""

import dataclasses

import numpy as np
import polars as pl
import pytest

from audit.archive.store.journal import JournalNote
from audit.archive.trend.alarm import find_shifts, worth_of
from audit.archive.trend.charts import forecast, slope_of
from audit.archive.trend.text import METRIC, trend_lines
from audit.archive.trend.trends import causes, joint_of, trends_of
from audit.archive.watched import signatures, touched_by, watched
from audit.checks.kit.registry import all_checks
from audit.model import Car
from audit.tables import toml_table
from tests.archive.histories import FAULTS, SHOWS_IN, history


def trends(h, upto=None, notes=()):
    pulls, logs = h.pulls, h.logs
    if upto is not None:
        pulls, logs = (
            pulls.filter(pl.col("date") < h.dates[upto]),
            logs.filter(pl.col("date") < h.dates[upto]),
        )
    return trends_of(pulls, logs, car=Car(name="Alder"), notes=notes)


def by_name(found):
    return {t.measure.name: t for t in found.trends}


def simple(values, **columns):
    """One pull a night of supply voltage."""
    n = len(values)
    days = [f"2024-{1 + i // 28:02d}-{1 + i % 28:02d}" for i in range(n)]
    return pl.DataFrame(
        {
            "date": days,
            "log_id": days,
            "index": [1] * n,
            "gear": [3] * n,
            "start_s": [0.0] * n,
            "end_s": [4.0] * n,
            "battery_min_v": [float(v) for v in values],
            **columns,
        }
    )


def supply(values, **columns):
    found = trends_of(simple(values, **columns), simple(values).select("date", "log_id"), car=Car())
    return by_name(found)["supply"], found


NOISE = np.random.default_rng(5).normal(0, 0.06, 90)


@pytest.mark.parametrize("n", [1, 3, 8])
def test_few_nights_say_so_instead_of_guessing(n):
    trend, found = supply([14.0, 9.0, 14.0, 12.0, 14.0, 14.0, 8.0, 14.0][:n])
    assert trend.state == "few"
    assert "too few" in trend.said
    assert found.findings == ()


def test_what_is_lost_at_the_top_alone_is_told_as_a_clogged_filter_within_five_nights():
    """Boost at its duty hardly moves; its slope on engine speed falls by 4 kPa per 1000 rpm."""
    rng = np.random.default_rng(8)
    n, onset = 30, 20
    fallen = np.where(np.arange(n) >= onset, 1.0, 0.0)
    columns = {
        "boost_slope_kpa_per_krpm": -2.0 - 4.0 * fallen + rng.normal(0, 0.4, n),
        "boost_settled_kpa": 100.0 - 1.5 * fallen + rng.normal(0, 1.0, n),
    }
    rows = simple(14.0 + NOISE[:n], **columns)
    trend = by_name(trends_of(rows, rows.select("date", "log_id"), car=Car()))["boost_slope"]
    assert trend.shift is not None and trend.shift.side == "down"
    assert trend.shift.raised - onset + 1 <= 5
    assert trend.meaning.startswith("a clogged air filter")
    still = simple(
        14.0 + NOISE[:n],
        **{k: v + f * fallen for (k, v), f in zip(columns.items(), (4.0, 1.5), strict=True)},
    )
    found = trends_of(still, still.select("date", "log_id"), car=Car())
    assert by_name(found)["boost_slope"].state == "steady"


@pytest.mark.parametrize(("n", "said"), [(3, "6 more nights"), (8, "1 more night.")])
def test_too_few_nights_say_how_many_more(n, said):
    rows = simple(14.0 + NOISE[:n])
    found = trends_of(rows, rows.select("date", "log_id"), car=Car())
    narrow = trend_lines(found, shown=dataclasses.replace(METRIC, width=46))
    assert said in " ".join(narrow[-2:]) and max(map(len, narrow)) <= 46


def test_a_still_car_is_steady():
    trend, found = supply(14.0 + NOISE)
    assert trend.state == "steady"
    assert found.findings == ()


def test_what_is_told_of_late_is_the_middle_of_the_last_three_nights():
    trend = dataclasses.replace(supply(14.0 + NOISE)[0], values=(9.0, 1.0, 1.0, 4.0, 2.0, 3.0))
    assert trend.level == 3.0


def test_what_stood_past_its_limit_from_the_first_night_is_not_steady():
    """12.4 V is the hold limit of supply voltage under load."""
    past, found = supply(12.2 + NOISE)
    assert past.state == "past_limit" and past.shift is None
    assert "past its limit of 12.40 V" in past.said
    assert "PAST LIMIT" in "\n".join(trend_lines(found))
    assert supply(12.6 + NOISE)[0].state == "steady"


@pytest.mark.parametrize(
    ("step", "state", "said"),
    [(0.0, "steady", "steady"), (-0.22, "not_sure", "under 0.30 V"), (0.5, "not_sure", "no fault")],
)
def test_what_is_past_the_charts_limit_is_not_steady(step, state, said):
    values = 14.0 + NOISE + np.where(np.arange(90) >= 78, step, 0.0)
    trend, found = supply(values)
    assert (abs(trend.ewma[-1]) > trend.ewma_limit) == (state == "not_sure")
    assert trend.state == state and said in trend.said
    assert found.findings == ()


def test_what_would_matter_but_is_too_new_is_not_called_too_little():
    """Two nights of 0.6 V less, of the last three: 0.4 V, where 0.30 V matters."""
    values = 14.0 + NOISE - np.where(np.arange(90) >= 88, 0.6, 0.0)
    trend, found = supply(values)
    assert trend.state == "not_sure" and found.findings == ()
    assert "too new" in trend.said and "too little" not in trend.said
    assert "would matter (from 0.30 V on)" in trend.said


def test_boost_that_falls_alone_is_told_as_the_wastegate_and_with_its_rise_as_a_leak():
    rng = np.random.default_rng(4)
    late = np.where(np.arange(40) >= 30, 1.0, 0.0)

    def told(slower):
        columns = {
            "boost_settled_kpa": 100.0 - 12.0 * late + rng.normal(0, 1.0, 40),
            "boost_rise_s": 1.0 + slower * late + rng.normal(0, 0.03, 40),
        }
        rows = simple(14.0 + NOISE[:40], **columns)
        return by_name(trends_of(rows, rows.select("date", "log_id"), car=Car()))["boost_at_duty"]

    assert told(0.0).meaning.startswith("a weak wastegate spring")
    assert told(0.0).look_at[0].startswith("wastegate")
    assert told(0.4).meaning.startswith("a leak")


def test_one_strange_night_is_no_trend():
    values = 14.0 + NOISE
    values[50] = 9.0
    assert supply(values)[0].shifts == ()
    values[-1] = 9.0
    assert supply(values)[1].findings == ()


def test_a_step_is_told_with_its_night_and_meaning():
    values = 14.0 + NOISE - np.where(np.arange(90) >= 70, 0.5, 0.0)
    trend, found = supply(values)
    assert trend.state == "shifted"
    assert trend.shift.onset == 70
    assert trend.shift.amount == pytest.approx(-0.5, abs=0.1)
    (finding,) = found.findings
    assert (finding.code, finding.severity, finding.unit) == ("electrical.voltage", "watch", "V")
    assert "0.5 V lower" in finding.message.replace("0.50", "0.5").replace("0.49", "0.5").replace(
        "0.51", "0.5"
    )
    assert "alternator" in finding.message
    assert finding.look_at


@pytest.mark.parametrize(("step", "severity"), [(-0.25, None), (-0.45, "watch"), (-0.9, "hold")])
def test_a_shift_below_what_matters_is_no_finding_and_a_serious_one_holds(step, severity):
    values = 14.0 + 0.3 * NOISE + np.where(np.arange(90) >= 70, step, 0.0)
    found = supply(values)[1].findings
    assert [f.severity for f in found] == ([severity] if severity else [])


def test_a_shift_to_the_good_side_is_no_finding():
    assert supply(13.5 + NOISE + np.where(np.arange(90) >= 70, 0.8, 0.0))[1].findings == ()


def test_a_mended_fault_is_told_no_more():
    fault = (np.arange(90) >= 50) & (np.arange(90) < 60)
    trend, found = supply(14.0 + NOISE - 0.8 * fault)
    assert found.findings == ()
    assert [s.side for s in trend.shifts if s.ended is not None] == ["down"]


def test_weather_is_no_fault():
    outside = 10 + 18 * np.sin(np.arange(90) / 14)
    values = 14.0 + NOISE - 0.03 * (outside - 20)
    assert supply(values, ambient_c=outside)[1].findings == ()


def test_a_drift_is_told_with_the_nights_to_its_limit():
    nights = np.arange(90)
    values = 14.0 + NOISE - np.maximum(0, nights - 40) * 0.02
    trend, found = supply(values)
    assert trend.state == "shifted"
    assert trend.slope.per_night == pytest.approx(-0.02, abs=0.004)
    left = (values[-5:].mean() - 12.4) / 0.02  # 12.4 V is the hold limit of the table
    assert trend.forecast.nights == pytest.approx(left, rel=0.2)
    assert trend.forecast.soonest < trend.forecast.nights < trend.forecast.latest
    assert "reaches the limit of 12.4 V in about" in found.findings[0].message


def test_a_note_starts_a_new_baseline_for_what_it_touches():
    h = history(1, fault="leak", onset=60)
    assert by_name(trends(h))["boost_at_duty"].state == "shifted"
    note = JournalNote("n", "Alder", h.dates[60], "new turbo", touched_by("new turbo"))
    after = by_name(trends(h, notes=[note]))
    assert after["boost_at_duty"].state == "steady"
    assert after["boost_at_duty"].dates[0] == h.dates[60]
    assert len(after["supply"].dates) == len(h.dates)


def test_a_night_is_scored_only_by_the_nights_before_it():
    h = history(3, fault="leak", onset=60)
    early, late = by_name(trends(h, upto=70)), by_name(trends(h))
    for name, trend in early.items():
        assert trend.scores == pytest.approx(late[name].scores[: len(trend.scores)], abs=1e-6), name


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_seen_in_its_own_measures(fault):
    h = history(11, fault=fault, onset=50)
    moved = {(t.measure.name, t.shift.side) for t in trends(h, upto=62).trends if t.shift}
    assert moved & SHOWS_IN[fault].items()
    assert "oil_pressure" not in dict(moved)


def test_healthy_cars_raise_nothing():
    for seed in range(400, 404):
        assert trends(history(seed)).findings == ()


def test_steps_are_placed_on_their_night():
    off = []
    for seed in range(600, 612):
        h = history(seed, fault="leak", onset=50, size=1.5)
        t = by_name(trends(h, upto=65))["boost_at_duty"]
        off.append(abs(t.shift.onset - 50) if t.shift else 99)
    assert np.mean(np.array(off) <= 1) >= 0.75, off


def test_no_rows_are_no_trends():
    empty = simple([14.0]).clear()
    assert trends_of(empty, empty.select("date", "log_id"), car=Car()).trends == ()


def test_an_alarm_needs_both_the_chart_and_the_size():
    score = np.concatenate([np.zeros(20), np.full(10, 3.0)])
    rise = next(m for m in watched() if m.name == "intake_rise")
    small = worth_of(score[None] * 0.1)
    assert find_shifts(score, score * 0.1, rise, worth=small, first=8) == []
    (shift,) = find_shifts(score, score, rise, worth=worth_of(score[None]), first=8)
    assert (shift.onset, shift.side, shift.ended) == (20, "up", None)
    assert shift.raised <= 24


@pytest.mark.parametrize(
    ("last", "told"),
    [([0.5, 1.35, 1.4], True), ([0.5, 1.25, 1.4], False), ([0.1, 0.1, 4.0], False)],
)
def test_a_fault_that_grows_is_told_by_what_it_is_now(last, told):
    residual = np.concatenate([np.zeros(4), last])
    assert worth_of(residual[None])(0, 6, "up") == told
    assert worth_of(-residual[None])(0, 6, "down") == told


def test_a_limit_behind_or_far_off_is_not_foretold():
    slope = slope_of(np.arange(30.0) + np.random.default_rng(2).normal(0, 0.5, 30))
    assert forecast(slope, 20.0) is None
    assert forecast(slope, 1e4) is None
    assert forecast(slope, 39.0).nights == pytest.approx(10, abs=2)


def test_every_measure_has_codes_that_are_known_and_words_for_its_side():
    known = {code for check in all_checks() for code in check.CODES} | {"sensor.disagree"}
    for measure in watched():
        sides = ("up", "down") if measure.bad == "both" else (measure.bad,)
        assert set(measure.code) == set(sides), measure.name
        assert set(measure.code.values()) <= known, measure.name
        assert {side.removesuffix("_alone") for side in measure.means} == set(sides)
        assert set(measure.look_at) == set(measure.means)
        assert 0 < measure.matters < measure.serious


@pytest.mark.parametrize(
    ("text", "touches"),
    [
        ("new intake temperature sensor", {"intake_over_air", "intake_rise"}),
        ("fitted an ambient sensor", {"intake_over_air", "intake_rise"}),
        ("new air meter", {"injector_duty", "lambda_at_load"}),
        ("intake temperature sensor tested", set()),
        (
            "ducting to the radiator",
            {"intake_over_air", "intake_rise", "coolant_peak", "oil_pressure"},
        ),
    ],
)
def test_a_part_that_was_changed_starts_its_own_measures_anew(text, touches):
    assert set(touched_by(text) or ()) == touches


def test_no_measure_is_without_hardware_whose_note_starts_it_anew():
    """A finding says: mend it and note the part. Such a note must lift it."""
    parts = [w for row in toml_table("trends.toml")["hardware"] for w in row["words"]]
    assert {name for word in parts for name in touched_by(word) or ()} == {
        m.name for m in watched()
    }


LEAK = signatures()[0]


def part(name, scores):
    """A trend of a measure with these scores; two spreads are what matters."""
    measure = next(m for m in watched() if m.name == name)
    nights = tuple(f"2024-{1 + i // 28:02d}-{1 + i % 28:02d}" for i in range(len(scores)))
    off = tuple(float(s) * measure.matters / 2 for s in scores)
    some = trends(history(1), upto=12).trends[0]
    return dataclasses.replace(
        some, measure=measure, dates=nights, residuals=off, scores=tuple(float(s) for s in scores)
    )


def leaking(boost, rise, since=30):
    rng = np.random.default_rng(4)
    step = np.where(np.arange(since + 6) >= since, 1.0, 0.0)
    return joint_of(
        LEAK,
        [
            part("boost_at_duty", rng.normal(0, 1, since + 6) + boost * step),
            part("time_to_boost", rng.normal(0, 1, since + 6) + rise * step),
        ],
    )


def test_two_measures_tell_a_leak_before_either_does():
    joint = leaking(-2.3, 2.3)
    (shift,) = joint.shifts
    assert joint.dates[shift.raised] <= "2024-02-06"  # the fifth night; the first is 2024-02-03
    assert joint.parts["boost_at_duty"] < 0 < joint.parts["time_to_boost"]


@pytest.mark.parametrize(
    ("boost", "rise"), [(2.3, 2.3), (-2.3, -2.3), (-3.5, 0.0), (0.0, 3.5), (0.0, 0.0)]
)
def test_measures_that_do_not_both_move_as_a_leak_moves_them_are_none(boost, rise):
    assert leaking(boost, rise).shifts == ()


def test_measures_that_rise_and_fall_together_anyway_tell_less():
    rng = np.random.default_rng(2)
    common = rng.normal(0, 1, 60)
    both = joint_of(LEAK, [part("boost_at_duty", -common), part("time_to_boost", common)])
    apart = joint_of(
        LEAK, [part("boost_at_duty", rng.normal(0, 1, 60)), part("time_to_boost", common)]
    )
    assert np.std(both.scores[20:]) == pytest.approx(1.0, abs=0.3)
    assert np.std(apart.scores[20:]) == pytest.approx(1.0, abs=0.3)


def test_a_signature_that_is_not_sure_is_told_by_its_measures_and_not_in_spreads():
    late = np.where(np.arange(40) >= 38, 2.5, 0.0)
    told = joint_of(LEAK, [part("boost_at_duty", -late), part("time_to_boost", late)])
    assert told.state == "not_sure"
    assert "boost at the same duty and time to boost lean that way" in told.said
    assert "sigma" not in told.said


def test_a_leak_is_one_finding_and_names_both_measures():
    h = history(6, fault="leak", onset=60)
    found = trends(h, upto=66)
    told = by_name(found)["charge_leak"]
    assert told.state == "shifted"
    assert "boost at the same duty" in told.said
    assert "time to boost" in told.said
    assert [f.code for f in found.findings if f.code.startswith("boost")] == ["boost.under_target"]


def test_a_note_on_one_part_starts_the_signature_anew():
    h = history(6, fault="leak", onset=60)
    note = JournalNote("n", "Alder", h.dates[60], "new turbo", touched_by("new turbo"))
    after = by_name(trends(h, notes=[note]))["charge_leak"]
    assert after.state == "steady"
    assert after.dates[0] > h.dates[60]


@pytest.mark.parametrize(("drift", "state"), [(0.0, "steady"), (8.0, "shifted")])
def test_an_intake_sensor_that_reads_8_k_more_shows_against_the_outside_air(drift, state):
    rng = np.random.default_rng(8)
    air = 14.0 + 8.0 * np.sin(np.arange(90) / 14.0) + rng.normal(0, 3, 90)
    start = air + 8.0 + rng.normal(0, 1.5, 90) + np.where(np.arange(90) >= 70, drift, 0.0)
    found = supply(14.0 + NOISE, ambient_c=air, intake_start_c=start)[1]
    trend = by_name(found)["intake_over_air"]
    assert trend.state == state
    assert [f.code for f in found.findings] == (["sensor.disagree"] if drift else [])


@pytest.mark.parametrize("seed", [11, 12, 13, 14])
def test_a_change_from_fixed_duty_to_closed_loop_is_no_shift(seed):
    """Same boost, held by a controller that spools at full duty: the pull's mean duty is higher."""
    h = history(seed)
    turned = pl.col("date") >= h.dates[40]
    duty = pl.col("duty_mean_pct")
    noise = np.random.default_rng(seed).normal(4.0, 0.6, h.pulls.height)
    pulls = h.pulls.with_columns(boost_slope_kpa_per_krpm=pl.Series(noise)).with_columns(
        duty_mean_pct=pl.when(turned).then(duty + 8.0).otherwise(duty),
        duty_at_peak_pct=pl.when(turned).then(duty + 30.0).otherwise(duty),
        boost_slope_kpa_per_krpm=pl.col("boost_slope_kpa_per_krpm")
        - pl.when(turned).then(4.0).otherwise(0.0),
    )
    led = by_name(trends(dataclasses.replace(h, pulls=pulls), upto=60))
    fixed = pulls.with_columns(duty_at_peak_pct=pl.col("duty_mean_pct"))  # the same is a fault here
    faulty = by_name(trends(dataclasses.replace(h, pulls=fixed), upto=60))
    for name in ("boost_at_duty", "boost_slope"):
        assert led[name].state != "shifted"
        assert faulty[name].state == "shifted"


def test_a_valve_that_steepens_beyond_the_duties_seen_is_no_shift():
    """Seven evenings of a flat start, then the steep part, as a car is brought up by the advice."""
    duties = [5, 10, 10, 5, 15, 25, 25, 34, 40, 45, 50, 53, 53, 53]
    boost = np.interp(duties, [5, 25, 34, 53], [64.0, 68.0, 80.0, 118.0])
    boost = boost + 1.2 * np.random.default_rng(3).normal(size=len(duties))

    def state(rows):
        return by_name(trends_of(rows, simple(duties).select("date", "log_id"), car=Car()))

    rows = simple(
        duties, duty_mean_pct=[float(d) for d in duties], boost_settled_kpa=boost.tolist()
    )
    assert state(rows)["boost_at_duty"].shift is None
    leak = np.where(np.arange(14) < 9, 80.0, 60.0)  # at one duty the same size is a fault
    held = rows.with_columns(duty_mean_pct=pl.lit(40.0), boost_settled_kpa=pl.Series(leak))
    assert state(held)["boost_at_duty"].shift is not None


def test_the_causes_of_a_shift_are_told_one_by_one_and_none_is_cut_in_its_bracket():
    said = "fuel falling short (filter, pump or injectors), an air leak, or an ageing sensor"
    assert causes(said) == (
        "fuel falling short (filter, pump or injectors)",
        "an air leak",
        "an ageing sensor",
    )
    assert causes("") == ()
    every = [c for m in watched() for text in m.means.values() for c in causes(text)]
    assert len(every) > 30 and all(c.count("(") == c.count(")") and c for c in every)
