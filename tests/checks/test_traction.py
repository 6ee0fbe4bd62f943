import dataclasses

import numpy as np
import pytest

from audit.checks.engine import traction
from audit.tables import Limits, limits
from tests.checks.conftest import make_pull, rpm_ramp, step

RATIO = {1: 125.0, 2: 76.0, 3: 53.0, 4: 40.0}


def judged(gear=3, slip=lambda t: 0.0, *, rate=20.0, duration=6.0, lag_s=0.0, coarse=False, **kw):
    speed = lambda t: rpm_ramp(t - lag_s, duration=duration) / RATIO[gear]
    pull = make_pull(
        duration=duration,
        rate=rate,
        gear=gear,
        **kw,
        quantise={"vehicle_speed": 1.0} if coarse else None,
        channels={
            "vehicle_speed": speed,
            "engine_speed": lambda t: rpm_ramp(t, duration=duration) * (1 + slip(t)),
        },
    )
    measured = traction.measure(pull, limits())
    return measured, traction.judge(measured, limits()).findings


def surge(height):
    return lambda t: height * np.exp(-(((t - 2.0) / 0.5) ** 2))


@pytest.mark.parametrize("gear", [2, 3, 4])
@pytest.mark.parametrize("coarse", [False, True])
def test_a_gripping_car_has_no_finding(gear, coarse):
    measured, findings = judged(gear, coarse=coarse)
    assert findings == ()
    assert measured.values["wheelspin_pct"] < 4.0


def test_a_surge_in_a_low_gear_is_wheelspin():
    measured, (finding,) = judged(2, surge(0.22))
    assert measured.values["wheelspin_pct"] == pytest.approx(20.0, abs=4.0)
    assert finding.severity == "watch"
    assert "wheelspin" in finding.message and "grip" in finding.message
    assert finding.start_s == pytest.approx(3.0 + 2.0, abs=0.6)


def test_slip_that_stays_with_the_torque_in_a_tall_gear_is_the_clutch():
    _, (finding,) = judged(4, lambda t: 0.15 * step(t, to=1.0))
    assert "slipping clutch" in finding.message and "wheelspin or" not in finding.message


def with_the_torque(height):
    """Slip that grows as boost comes, stays, and goes over two seconds."""
    return lambda t: height * np.clip((t - 0.6) / 0.6, 0, 1) * np.clip((3.6 - t) / 1.5, 0, 1)


@pytest.mark.parametrize("gear", [2, 3, 4])
@pytest.mark.parametrize("rate", [10.0, 50.0])
@pytest.mark.parametrize(
    ("height", "severity"),
    [(0.03, None), (0.052, "watch"), (0.072, "watch"), (0.092, "hold"), (0.2, "hold")],
)
def test_both_sides_of_clutch_slip(gear, rate, height, severity):
    measured, findings = judged(gear, with_the_torque(height), rate=rate)
    assert [(f.code, f.severity) for f in findings] == (
        [("traction.clutch_slip", severity)] if severity else []
    )
    if severity:
        assert measured.values["wheelspin_pct"] == 0.0


def test_a_short_surge_in_a_tall_gear_is_wheelspin_too():
    _, (finding,) = judged(4, surge(0.2))
    assert (finding.code, finding.severity) == ("traction.wheelspin", "watch")


def test_slip_all_through_first_gear_is_not_called_the_clutch():
    _, findings = judged(1, with_the_torque(0.2))
    assert [f.code for f in findings] == ["traction.wheelspin"]


@pytest.mark.parametrize(("ratio", "code"), [(53.0, "clutch_slip"), (120.0, "wheelspin")])
def test_where_the_gear_is_not_known_its_ratio_tells(ratio, code):
    speed = lambda t: rpm_ramp(t) / ratio
    pull = make_pull(
        gear=None,
        channels={
            "vehicle_speed": speed,
            "engine_speed": lambda t: rpm_ramp(t) * (1 + with_the_torque(0.12)(t)),
        },
    )
    for known in (ratio, None):
        span = dataclasses.replace(pull.span, gear_ratio=known)
        found = traction.measure(dataclasses.replace(pull, span=span), limits())
        (finding,) = traction.judge(found, limits()).findings
        assert finding.code == f"traction.{code}"


@pytest.mark.parametrize(("height", "said"), [(0.06, False), (0.11, True)])
def test_the_watch_limit_from_both_sides(height, said):
    assert bool(judged(2, surge(height))[1]) == said


def test_much_slip_is_a_hold():
    assert judged(2, surge(0.45))[1][0].severity == "hold"


def test_a_lone_spike_of_engine_speed_is_no_wheelspin():
    assert judged(3, lambda t: 0.5 * (np.abs(t - 2.0) < 0.02))[1] == ()


@pytest.mark.parametrize("lag_s", [0.2, 0.5])
def test_a_late_road_speed_is_no_wheelspin(lag_s):
    assert judged(2, lag_s=lag_s, duration=4.0)[1] == ()


def test_a_crawling_car_is_not_judged():
    pull = make_pull(gear=3, channels={"vehicle_speed": lambda t: 0 * t + 5.0})
    assert traction.measure(pull, limits()).unable is not None


@pytest.mark.parametrize("height", [0.064, 0.1])
def test_a_road_speed_in_whole_miles_an_hour_adds_no_slip(height):
    def seen(step_kmh):
        shapes = {
            "vehicle_speed": lambda t: rpm_ramp(t) / RATIO[3],
            "engine_speed": lambda t: rpm_ramp(t) * (1 + with_the_torque(height)(t)),
        }
        quantise = {"vehicle_speed": step_kmh} if step_kmh else None
        pull = make_pull(rate=10.0, gear=3, channels=shapes, quantise=quantise)
        return traction.measure(pull, limits()).values["clutch_slip_pct"]

    assert seen(1.609344) == pytest.approx(seen(None), abs=0.7)


def by_ratio(speed, ratio, *, duration, rate):
    """A pull without a known gear: road speed, km/h, and rpm per km/h, over time."""
    pull = make_pull(
        duration=duration,
        rate=rate,
        gear=None,
        channels={"vehicle_speed": speed, "engine_speed": lambda t: speed(t) * ratio(t)},
    )
    measured = traction.measure(pull, limits())
    return measured, traction.judge(measured, limits()).findings


@pytest.mark.parametrize(("off_load", "found"), [(1.0, True), (1.13, False)])
def test_a_clutch_that_slips_all_through_a_pull_grips_before_and_after_it(off_load, found):
    """What it turns per km/h without load is the gear; the same ratio before and after is another gear's."""
    ratio = lambda t: RATIO[4] * np.where((t > 0.1) & (t < 6.1), 1.13, off_load)
    speed = lambda t: 70.0 + 8.0 * np.clip(t, 0.0, 6.0)
    _, findings = by_ratio(speed, ratio, duration=6.0, rate=20.0)
    assert ([f.code for f in findings] == ["traction.clutch_slip"]) is found


def test_a_clutch_that_takes_hold_at_the_lift_is_no_clock():
    """Engine speed falls as the clutch grips, before road speed does: no lag of the road speed."""
    grips = lambda t: 0.10 * np.clip((t + 0.5) / 0.9, 0, 1) * np.clip((6.0 - t) / 0.25, 0, 1)
    speed = lambda t: 50.0 + 12.0 * np.clip(t, 0.0, 6.2) - 4.0 * np.clip(t - 6.2, 0.0, None)
    ratio = lambda t: 50.0 * (1.0 + grips(t))
    _, (finding,) = by_ratio(speed, ratio, duration=6.0, rate=10.0)
    assert (finding.code, finding.severity) == ("traction.clutch_slip", "hold")


def test_slip_that_lasts_over_a_second_in_a_tall_gear_is_the_clutch_though_it_ends():
    """Tyres that let go grip again sooner; common practice, no published source."""
    lasts = lambda s: (
        lambda t: 0.1 * np.clip((t - 1.5) / 0.2, 0, 1) * np.clip((1.9 + s - t) / 0.2, 0, 1)
    )
    assert [f.code for f in judged(4, lasts(0.5))[1]] == ["traction.wheelspin"]
    assert [f.code for f in judged(4, lasts(0.9))[1]] == ["traction.clutch_slip"]


def test_slip_through_most_of_a_short_pull_counts_from_what_the_gear_grips_at():
    """Without load before and after the pull the gear's own ratio is seen; inside it only its last tenth is."""
    slip = lambda t: 0.10 * np.clip((t + 0.4) / 0.5, 0, 1) * np.clip((2.6 - t) / 1.5, 0, 1)
    speed = lambda t: 50.0 + 20.0 * np.clip(t, -1.0, 2.6) - 3.0 * np.clip(t - 2.6, 0.0, None)
    measured, _ = by_ratio(speed, lambda t: 72.0 * (1.0 + slip(t)), duration=2.6, rate=50.0)
    assert measured.values["clutch_slip_pct"] == pytest.approx(10.0, abs=1.0)


def test_a_kickdown_is_no_slip():
    """An automatic runs its engine up into the lower gear while the throttle is open already."""
    ratio = lambda t: np.interp(t, (0.0, 0.1, 0.3, 0.65), (34.5, 55.0, 66.0, 70.5))
    speed = lambda t: 51.0 + 14.0 * np.clip(t, 0.0, 2.3)
    assert by_ratio(speed, ratio, duration=2.3, rate=20.0)[1] == ()


def test_the_kickdown_and_the_surge_go_by_the_table():
    """The same pulls under other settings: each figure of the table is what decides."""
    table = lambda **changed: Limits(limits()._rows, {**limits()._settings, **changed})
    ratio = lambda t: np.interp(t, (0.0, 0.1, 0.3, 0.65), (34.5, 55.0, 66.0, 70.5))
    speed = lambda t: 51.0 + 14.0 * np.clip(t, 0.0, 2.3)
    kickdown, surge_ = (
        make_pull(
            duration=duration,
            gear=gear,
            channels={"vehicle_speed": road, "engine_speed": lambda t: road(t) * per(t)},
        )
        for road, per, duration, gear in (
            (speed, ratio, 2.3, None),
            (lambda t: rpm_ramp(t) / 40.0, lambda t: 40.0 * (1 + surge(0.2)(t)), 6.0, 4),
        )
    )
    for changed in ({"kickdown_ratio": 3.0}, {"kickdown_s": 0.0}):
        assert traction.judge(traction.measure(kickdown, table(**changed)), limits()).findings
    found = traction.measure(surge_, table(wheelspin_surge_s=0.3)).values
    assert found["clutch_slip_pct"] > 8.0 and found["wheelspin_pct"] == 0.0
