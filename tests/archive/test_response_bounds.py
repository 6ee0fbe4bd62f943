"""Whatever the archive holds: an answer, never a step past a bound."""

from dataclasses import replace

from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from audit.archive.step.response_document import document_of, dumps
from tests.archive.sheets import CAR, Sheet

maybe = lambda low, high: st.one_of(st.none(), st.just(float("nan")), st.floats(low, high))  # noqa: E731
PULL = st.fixed_dictionaries(
    {
        "duty_mean_pct": maybe(-5, 110),
        "boost_settled_kpa": maybe(-30, 260),
        "boost_peak_kpa": maybe(-30, 300),
        "boost_overshoot_kpa": maybe(-1, 60),
        "gear": st.one_of(st.none(), st.integers(1, 6)),
        "ambient_c": maybe(-40, 60),
        "barometric_kpa": maybe(55, 108),
        "intake_peak_c": maybe(-20, 120),
        "injector_duty_max_pct": maybe(0, 130),
        "lean_lambda": maybe(0.6, 1.3),
        "knock_retard_max_deg": maybe(0, 15),
        "duty_at_peak_pct": maybe(0, 100),
        "boost_ceiling_s": maybe(0, 1),
        "wheelspin_pct": maybe(0, 60),
    }
)
LADDER = st.lists(st.tuples(st.floats(0, 95), st.floats(20, 200)), min_size=2, max_size=8)


def sheet_of(nights):
    sheet = Sheet()
    for pulls, verdict in nights:
        sheet.night(*[20.0] * len(pulls), verdict=verdict)
        for row, drawn in zip(sheet.pulls[-len(pulls) :], pulls, strict=True):
            row.update(drawn)
    return sheet


@settings(deadline=None, max_examples=30, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(
    st.lists(
        st.tuples(
            st.lists(PULL, min_size=1, max_size=4),
            st.sampled_from(["clear", "clear", "hold", "stop"]),
        ),
        max_size=5,
    ),
    st.sampled_from([None, 125.0]),
)
def test_any_archive_gets_an_answer_that_is_json(nights, limit):
    answer = sheet_of(nights).ask(replace(CAR, boost_limit_kpa=limit))
    dumps(document_of(answer))
    if nights and nights[-1][1] != "clear":
        assert answer.step.action == "refuse"


@settings(deadline=None, max_examples=30, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(LADDER, st.floats(0, 30), st.floats(60, 220), st.floats(60, 220))
def test_a_step_up_passes_no_bound(ladder, over, target, limit):
    sheet = Sheet()
    for duty, boost in sorted(ladder):
        sheet.boost = lambda _, boost=boost: boost
        sheet.night(duty, duty, over=over)
    for gear in sheet.ask(replace(CAR, target_kpa=target, boost_limit_kpa=limit)).gears:
        step = gear.step
        if step.action != "up":
            continue
        rise = step.expected - gear.curve.interval(step.from_duty)[1]
        through_dead_band = step.duty <= 25.0 and rise < 6.9  # 1 psi
        sure = gear.valve.responds and step.high - (step.expected - rise) <= 14.0
        large = through_dead_band or sure
        assert step.from_duty < step.duty <= step.from_duty + (10.05 if large else 5.05)
        assert step.peak <= limit and step.high + over <= limit
        assert step.expected <= target + 1.0
        assert rise <= 14.0 + 1e-9
