"""Gearing against tyre geometry: metric designation width/aspect R rim (ISO 4000-1, ETRTO; from memory).

Diameter = 25.4 rim + 2 × width × aspect / 100 mm, unloaded; rpm = km/h / 3.6 / circumference × 60 × gear × final drive.
"""

import math

import numpy as np
import pytest

from audit.model import Car
from audit.model.car import rpm_per_kmh
from tests.pulls.conftest import build, found, one_pull

TYRES = [
    ((205, 50, 15), 1.84097),
    ((195, 50, 15), 1.80956),
    ((205, 45, 16), 1.85637),
    ((225, 45, 17), 1.99271),
]


def circumference_m(width, aspect, rim):
    return math.pi * (25.4 * rim + 2 * width * aspect / 100) / 1000


@pytest.mark.parametrize(("tyre", "metres"), TYRES)
def test_the_circumference_of_the_handbook_tyres(tyre, metres):
    assert circumference_m(*tyre) == pytest.approx(metres, abs=1e-5)


@pytest.mark.parametrize(
    ("kmh", "gear", "final", "rpm"),
    [
        (100, 1.9, 4.4, 7568.5),
        (100, 1.0, 4.1, 3711.8),
        (96.56064, 1.33, 3.909, 4544.8),
        (80, 1.888, 4.3, 5879.8),
    ],
)
def test_engine_speed_of_the_worked_examples(kmh, gear, final, rpm):
    assert kmh * rpm_per_kmh(gear, final, circumference_m(205, 50, 15)) == pytest.approx(
        rpm, abs=0.06
    )


@pytest.mark.parametrize("kmh_step", [0.1, 1.0])
def test_a_whole_kilometre_an_hour_makes_the_ratio_uncertain_by_a_percent_and_no_more(kmh_step):
    """At 50 km/h a step of 1 km/h is ±1 %, arithmetic."""
    t = np.arange(0, 45, 0.05)
    log = build(one_pull(t, gear=3), t, step={"vehicle_speed": kmh_step})
    car = Car(
        gear_ratios=(3.3, 1.95, 1.36, 1.03, 0.82),
        final_drive=4.1,
        circumference_m=circumference_m(205, 50, 15),
    )
    (pull,) = found(log, car)
    assert pull.gear == 3
    assert pull.gear_ratio == pytest.approx(rpm_per_kmh(1.36, 4.1, car.circumference_m), rel=0.01)
