"""Control charts against the NIST/SEMATECH e-Handbook's worked examples and published run lengths."""

import numpy as np
import pytest

from audit.archive.trend.charts import cusum, ewma, ewma_sigma
from audit.archive.watched import chart_settings


def first_signal(chart, limit):
    """Run length along the last axis: 1-based place of the first value above the limit, nan for none."""
    over = np.asarray(chart) > limit
    return np.where(over.any(axis=-1), over.argmax(axis=-1) + 1.0, np.nan)


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: data, weight 0.3, start 50, s 2.0539, 3 sigma
EWMA_DATA = [
    52.0,
    47.0,
    53.0,
    49.3,
    50.1,
    47.0,
    51.0,
    50.1,
    51.2,
    50.5,
    49.6,
    47.6,
    49.9,
    51.3,
    47.8,
    51.2,
    52.6,
    52.4,
    53.6,
    52.1,
]
EWMA_PRINTED = [
    50.60,
    49.52,
    50.56,
    50.18,
    50.16,
    49.21,
    49.75,
    49.85,
    50.26,
    50.33,
    50.11,
    49.36,
    49.52,
    50.05,
    49.38,
    49.92,
    50.73,
    51.23,
    51.94,
    51.99,
]
# the same, 6.3.2.3: target 325, k 0.3175, h 4.1959
CUSUM_DATA = [
    324.925,
    324.675,
    324.725,
    324.350,
    325.350,
    325.225,
    324.125,
    324.525,
    325.225,
    324.600,
    324.625,
    325.150,
    328.325,
    327.250,
    327.825,
    328.500,
    326.675,
    327.775,
    326.875,
    328.350,
]
CUSUM_HIGH = [
    0,
    0,
    0,
    0,
    0.0325,
    0,
    0,
    0,
    0,
    0,
    0,
    0,
    3.0075,
    4.9400,
    7.4475,
    10.6300,
    11.9875,
    14.4450,
    16.0025,
    19.0350,
]
CUSUM_LOW = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0] + [0] * 8
RUNS = 4000


def test_the_handbooks_moving_average():
    got = ewma(np.array(EWMA_DATA), weight=0.3, start=50.0)
    assert got == pytest.approx(EWMA_PRINTED, abs=0.0051)


def test_the_handbooks_moving_average_limits():
    steady = 3.0 * 2.0539 * ewma_sigma(0.3)
    assert 50.0 + steady == pytest.approx(52.5884, abs=2e-4)
    assert 50.0 - steady == pytest.approx(47.4115, abs=2e-4)
    got = ewma(np.array(EWMA_DATA), weight=0.3, start=50.0)
    assert np.all(np.abs(got - 50.0) < steady)


def test_the_handbooks_cumulative_sums():
    off = np.array(CUSUM_DATA) - 325.0
    high, low = cusum(off, k=0.3175), cusum(-off, k=0.3175)
    assert high == pytest.approx(CUSUM_HIGH, abs=0.006)
    assert low == pytest.approx(CUSUM_LOW, abs=0.006)
    assert first_signal(high, 4.1959) == 14
    assert np.isnan(first_signal(low, 4.1959))


def run_length(signal_of, shift, rng, length):
    x = rng.normal(shift, 1.0, (RUNS, length))
    found = signal_of(x)
    return float(np.mean(np.where(np.isnan(found), length, found)))


# Montgomery, Introduction to Statistical Quality Control, tabular CUSUM with h = 4 and 5, k = 1/2, two-sided:
# 168, 26.6, 8.38, 3.34 and 465, 38.0, 10.4, 4.01 (values from memory; recomputed by integral equation).
@pytest.mark.parametrize(
    ("h", "shift", "published"),
    [(4, 0.0, 168), (4, 0.5, 26.6), (4, 1.0, 8.38), (4, 2.0, 3.34), (5, 1.0, 10.4), (5, 2.0, 4.01)],
)
def test_average_run_lengths_of_cumulative_sums(h, shift, published):
    def signal_of(x):
        return first_signal(np.maximum(cusum(x, k=0.5), cusum(-x, k=0.5)), h)

    got = run_length(signal_of, shift, np.random.default_rng(7), 2000 if shift == 0 else 300)
    assert got == pytest.approx(published, rel=0.05)


# Lucas and Saccucci, Technometrics 32 (1990), table 3: weight 0.5 with L 3.071 and 0.03 with L 2.437, as quoted in
# the examples of the R package spc.
@pytest.mark.parametrize(
    ("weight", "width", "shift", "published"),
    [
        (0.5, 3.071, 1.0, 17.5),
        (0.5, 3.071, 2.0, 3.63),
        (0.5, 3.071, 3.0, 1.93),
        (0.03, 2.437, 0.5, 29.3),
        (0.03, 2.437, 1.0, 12.6),
        (0.03, 2.437, 2.0, 5.99),
    ],
)
def test_average_run_lengths_of_moving_averages(weight, width, shift, published):
    limit = width * ewma_sigma(weight)

    def signal_of(x):
        return first_signal(np.abs(ewma(x, weight=weight, start=0.0)), limit)

    got = run_length(signal_of, shift, np.random.default_rng(8), 400)
    assert got == pytest.approx(published, rel=0.05)


def test_the_charts_own_moving_average_runs_500_nights_between_false_alarms():
    """Weight 0.2 with L 2.962: 499.7 by integral equation, 10.5 nights at a shift of one sigma."""
    setting = chart_settings()
    weight = setting["ewma_weight"]
    limit = setting["ewma_limit"] * ewma_sigma(weight)

    def signal_of(x):
        return first_signal(np.abs(ewma(x, weight=weight, start=0.0)), limit)

    rng = np.random.default_rng(9)
    assert run_length(signal_of, 0.0, rng, 5000) == pytest.approx(500, rel=0.07)
    assert run_length(signal_of, 1.0, rng, 300) == pytest.approx(10.54, rel=0.05)
