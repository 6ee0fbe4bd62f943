"""Injector duty from pulse width and engine speed, worked by hand.

A four-stroke opens each injector once in two turns: at n rpm two turns take 120000 / n ms, so duty in % is
100 × pulse / (120000 / n) = pulse × n / 1200. Arithmetic.
"""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from audit.checks.mixture import fuel_supply
from audit.model import Barometric, Car, Channel, Log, Pull, Sanity, Span
from audit.tables import limits
from audit.units import injector_duty_pct

# pulse ms, rpm, time of two turns ms, duty %
WORKED = [
    (10.0, 6000.0, 20.0, 50.0),
    (15.0, 7200.0, 16.6667, 90.0),
    (2.5, 900.0, 133.333, 1.875),
    (17.0, 7000.0, 17.1429, 99.1667),
]


@pytest.mark.parametrize(("pulse", "rpm", "two_turns", "duty"), WORKED)
def test_the_conversion(pulse: float, rpm: float, two_turns: float, duty: float) -> None:
    assert injector_duty_pct(pulse, rpm) == pytest.approx(duty, rel=1e-5)
    assert injector_duty_pct(pulse, rpm) == pytest.approx(100 * pulse / two_turns, rel=1e-5)


@pytest.mark.parametrize(("pulse", "rpm", "duty"), [(p, n, d) for p, n, _, d in WORKED])
def test_the_check_measures_it(pulse: float, rpm: float, duty: float) -> None:
    t = np.arange(0, 5, 0.05)
    columns = {
        "time": t,
        "engine_speed": np.full(t.size, rpm),
        "injector_pulse_width": np.full(t.size, pulse),
    }
    channels = tuple(Channel(n, n, rate_hz=20.0) for n in columns if n != "time")
    log = Log("a.csv", "0" * 64, pl.DataFrame(columns), channels, Barometric(100.0, "made", 0.5))
    pull = Pull(0, Span(10, 90, 0.5, 4.5, 3, rpm, rpm, "lift"), log, Sanity({}, {}, {}, {}), Car())
    measured = fuel_supply.measure(pull, limits())
    assert measured.values["injector_duty_max_pct"] == pytest.approx(duty, rel=1e-5)
