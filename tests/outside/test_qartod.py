"""The sensor tests against ioos-qc 3.0.0, the reference implementation of the U.S. IOOS QARTOD manuals.

It cuts intervals to whole seconds, so it is asked about series 1 s apart, or with the clock stretched (time × 10,
rates / 10). Where ours differs, it differs on purpose and the test says how.
"""

import numpy as np
import pytest

from audit.model import FAIL, SUSPECT, Car
from audit.sanity.aggregate import of_channel
from audit.sanity.examine import examine
from audit.sanity.tests.ranges import gross_range
from audit.sanity.tests.spikes import rate_of_change, spike
from audit.sanity.tests.still import still_runs
from tests.sanity.conftest import make_log

qartod = pytest.importorskip("ioos_qc.qartod")
pytestmark = pytest.mark.filterwarnings("ignore")
NAN = np.nan


def seconds(n):
    return np.datetime64("2020-01-01") + np.arange(n).astype("timedelta64[s]")


@pytest.mark.parametrize(
    "values",
    [[0, 10, 20, 50, 90, 100, 101, NAN], [-0.1, 0, 10, 9.99, 50, 90, 90.01, 100, 100.01, NAN]],
)
def test_gross_range_is_the_reference(values):
    v = np.array(values, float)
    theirs = qartod.gross_range_test(v, fail_span=(0, 100), suspect_span=(10, 90))
    assert (
        gross_range(v, fail_span=(0, 100), suspect_span=(10, 90)).tolist()
        == np.asarray(theirs.filled(9)).tolist()
    )


@pytest.mark.parametrize("values", [[1, 1, 2, 5, 5, 5, 20, 20], [0, 2, 4.5, 4.5, 10, 5]])
def test_rate_of_change_is_the_reference_but_for_the_first_sample(values):
    """The first sample has nothing to be compared with: theirs passes it, ours is not evaluated."""
    v = np.array(values, float)
    theirs = np.asarray(qartod.rate_of_change_test(v, seconds(len(v)), threshold=2.0))
    ours = rate_of_change(np.arange(len(v), dtype=float), v, per_s=2.0)
    assert ours[1:].tolist() == theirs[1:].tolist()
    assert (theirs[0], ours[0]) == (1, 2)


def test_rate_of_change_at_ten_hertz_is_the_reference_on_a_stretched_clock():
    v = np.array([0, 0, 0.3, 0.3, 0.3, 1, 1])
    theirs = np.asarray(
        qartod.rate_of_change_test(v, seconds(len(v)), threshold=0.2)
    )  # 2 a second, clock × 10
    assert rate_of_change(np.arange(7) * 0.1, v, per_s=2.0)[1:].tolist() == theirs[1:].tolist()


def test_a_lone_spike_is_flagged_as_by_the_differential_form():
    v = np.full(40, 100.0)
    v[[3, 28]] = 106.0, 116.5
    theirs = np.asarray(qartod.spike_test(v, suspect_threshold=3, method="differential"))
    ours = spike(np.arange(40.0), v, least=3)
    assert (
        np.flatnonzero(ours == SUSPECT).tolist()
        == np.flatnonzero(theirs == SUSPECT).tolist()
        == [3, 28]
    )


def test_a_step_is_no_spike_in_either():
    v = np.array([0, 0, 0, 0, 10, 10, 10, 10.0])
    theirs = np.asarray(qartod.spike_test(v, suspect_threshold=3, method="differential"))
    assert SUSPECT not in theirs
    assert SUSPECT not in spike(np.arange(8.0), v, least=3)


def test_a_spike_at_the_limit_passes_in_both():
    v = np.array([0, 0, 0, 3, 0, 0, 0.0])
    theirs = np.asarray(qartod.spike_test(v, suspect_threshold=3, method="differential"))
    assert theirs[3] == spike(np.arange(7.0), v, least=3)[3] == 1


def still(t, v, for_s):
    """True in every run that still_runs finds: what the product takes for standing still."""
    out = np.zeros(len(v), dtype=bool)
    for a, b in still_runs(t, v, for_s=for_s, least_count=3):
        out[a:b] = True
    return out


@pytest.mark.parametrize(
    "values", [[1, 2, 2, 2, 2, 2, 2, 3], [1, 2, 3, 4, 5, 6, 7, 8], [2, 2, 2, 2, 2, 2, 5]]
)
def test_a_still_run_is_whole_and_the_reference_fails_its_end(values):
    """All that the reference fails, ours finds; and ours finds nothing outside a run that it fails."""
    v = np.array(values, float)
    theirs = np.asarray(qartod.flat_line_test(v, seconds(len(v)), 2, 4, tolerance=0.01))
    ours = still(np.arange(len(v), dtype=float), v, 4.0)
    assert ours[theirs == 4].all()
    assert ours.any() == (theirs == 4).any()


def test_a_still_run_at_ten_hertz_is_the_reference_on_a_stretched_clock():
    v = np.array([5, 5, 5, 5, 5, 5, 5, 6, 7.0])
    theirs = np.asarray(qartod.flat_line_test(v, seconds(9), 3, 5, tolerance=0.01))
    assert theirs.tolist() == [1, 1, 1, 3, 3, 4, 4, 1, 1]
    assert still(np.arange(9) * 0.1, v, 0.5).tolist() == [True] * 7 + [False] * 2


def test_the_sensor_test_fails_what_the_reference_fails_in_a_pull():
    """A manifold sensor frozen for 2 s of a pull, through all that the product does with it, at one sample a 0.1 s."""
    log = make_log(
        10.0, change={"manifold_pressure": lambda t, v: np.where((t >= 32) & (t < 35), 191.3, v)}
    )
    v = log.values("manifold_pressure")
    theirs = np.asarray(qartod.flat_line_test(v, seconds(len(v)), 10, 20, tolerance=1e-6))
    ours = examine(log, Car()).samples["manifold_pressure"]
    assert (theirs == FAIL).sum() >= 5
    assert (ours[theirs == FAIL] == FAIL).all()
    assert np.flatnonzero(ours == FAIL).tolist() == list(range(320, 350))


def test_the_aggregate_is_the_reference():
    columns = [[1, 1, 2, 9, 1, 3], [1, 3, 1, 1, 2, 4], [1, 1, 9, 2, 9, 1]]
    theirs = np.asarray(qartod.qartod_compare([np.array(c) for c in columns]))
    assert (
        [of_channel(row) for row in zip(*columns, strict=True)]
        == theirs.tolist()
        == [1, 3, 1, 1, 1, 4]
    )
