"""Nine in ten is nine in ten: intervals of boost against scipy's distributions (scipy.stats, a general library)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from audit.archive.step import curve
from audit.archive.step.curve import Curves, Points
from audit.archive.step.step import choices, figures

CARS = 160
DUTIES = (5.0, 10.0, 15.0, 20.0, 25.0)
SPRING = 60.0
NEVER_FALLS = 120.0  # kPa more at full duty, so that hardly any drawn car's boost falls with duty


def drawn_car(
    rng: np.random.Generator, ahead: float, nights: int
) -> tuple[Points, np.ndarray, float]:
    """Pulls of a car drawn from what the curve takes for granted; the next night's pulls and their mean."""
    pull_sd, night_sd, bend_sd = (
        rng.choice(choices(n)) for n in ("pull_sd", "night_sd", "bend_sd")
    )
    duty = np.array([*np.repeat(DUTIES, nights), ahead])
    gear = np.full(len(duty), 3.0)
    spread = figures("curve")["known_spring_sd"]
    across = curve._covariance(duty, gear, duty, gear, bend_sd=bend_sd, spring_sd=spread)
    level = SPRING + curve._expected_rise(duty) + NEVER_FALLS * duty / 100.0
    level = level + np.linalg.cholesky(across + 1e-6 * np.eye(len(duty))) @ rng.normal(
        size=len(duty)
    )
    level = level + night_sd * rng.normal(size=len(duty))
    pulls = level[:, None] + pull_sd * rng.normal(size=(len(duty), 2))
    air = np.exp(rng.normal(0.0, figures("curve")["air_sd"])) ** rng.choice(choices("air_power"))
    seen = 2 * (len(duty) - 1)
    points = Points(
        duty=np.repeat(duty[:-1], 2),
        boost=pulls[:-1].ravel() - NEVER_FALLS * np.repeat(duty[:-1], 2) / 100.0,
        gear=np.full(seen, 3.0),
        night=np.repeat(np.arange(len(duty) - 1, dtype=float), 2),
        weight=np.ones(seen),
        relative=np.ones(seen),
    )
    following = (pulls[-1] - NEVER_FALLS * ahead / 100.0) * air
    return points, following, float(following.mean())


@pytest.mark.parametrize(
    ("cover", "ahead", "each"), [(0.5, 30.0, 1), (0.9, 30.0, 1), (0.5, 25.0, 5)]
)
def test_the_share_of_pulls_and_nights_inside_is_what_is_said(cover, ahead, each, monkeypatch):
    """One step on, and at a duty of many nights, where night and pull are most of it.

    Cars drawn from the very spreads that are taken for granted; paths are left to fall, as these may.
    """
    monkeypatch.setattr(curve, "_rising", lambda paths, low, high: paths)
    rng = np.random.default_rng(17)
    pulls, nights = 0, 0
    for _ in range(CARS):
        points, following, mean = drawn_car(rng, ahead, each)
        low, _, high = Curves(points, spring_kpa=SPRING)[3].interval(ahead, cover=cover)
        pulls += int(low <= following[0] <= high)
        nights += int(low <= mean <= high)
    least, most = stats.binom.interval(0.999, CARS, cover)
    assert least <= pulls <= most
    assert least <= nights <= most


def test_a_scale_that_stands_on_few_pulls_makes_students_tails():
    """A normal value over the root of a chi square by its freedom is Student's t, scipy.stats.t."""
    rng = np.random.default_rng(3)
    values = rng.normal(size=4000) * curve._freed(7.0, 4000, rng)
    assert stats.kstest(values, stats.t(7.0).cdf).pvalue > 0.001
    assert stats.kstest(values, stats.norm.cdf).pvalue < 0.01


def test_a_car_that_keeps_to_the_curve_is_told_more_narrowly_than_one_that_does_not():
    """How far each pull fell from what those before it led to expect; the same duties, nights and mean."""
    duty = np.repeat(DUTIES, 2)
    same = {"gear": np.full(10, 3.0), "weight": np.ones(10), "relative": np.ones(10)}
    night = np.repeat(np.arange(5.0), 2)
    wide = []
    for by in (0.3, 5.0):
        off = by * np.array([1.0, -1, -1, 1, 1, -1, -1, 1, 1, -1])
        points = Points(duty=duty, boost=60.0 + 1.2 * duty + off, night=night, **same)
        low, _, high = Curves(points, spring_kpa=SPRING)[3].interval(30.0)
        wide.append(high - low)
    assert wide[0] < 0.7 * wide[1]
