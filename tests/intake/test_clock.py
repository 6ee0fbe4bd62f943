"""Clocks: which column, which unit, and what is done where they fail."""

import numpy as np
import pytest

from audit.intake.clock.stamps import date_in, iso, time_in
from audit.intake.raw import RawLog
from audit.intake.read import read_raw

STEP = 0.05


def read(tmp_path, stamps, header="Time", name="log.csv", extra=None, **options) -> RawLog:
    values = extra if extra is not None else [900 + 7 * i % 311 for i in range(len(stamps))]
    path = tmp_path / name
    path.write_text(
        f"{header};RPM\n" + "".join(f"{t};{v}\n" for t, v in zip(stamps, values, strict=True))
    )
    (log,) = read_raw(path, **options)
    assert isinstance(log, RawLog), log
    assert (
        (np.diff(log.time) > 0).all() and log.time[0] == 0.0 and len(log.time) == log.frame.height
    )
    return log


def codes(log):
    return [n.code for n in log.notes if n.code]


@pytest.mark.parametrize(
    ("header", "stamp", "kind"),
    [
        ("Time (s)", lambda t: f"{t:.2f}", "seconds"),
        ("Time", lambda t: f"{t:.2f}", "seconds"),
        ("Time (ms)", lambda t: f"{t * 1000:.0f}", "milliseconds"),
        ("Time", lambda t: f"{t * 1000:.0f}", "milliseconds"),
        ("timestamp_us", lambda t: f"{t * 1e6:.0f}", "microseconds"),
        ("Time", lambda t: f"{t * 1e6:.0f}", "microseconds"),
        ("Zeit [min]", lambda t: f"{t / 60:.7f}", "minutes"),
        ("elapsed", lambda t: f"{t:.2f}", "seconds"),
        ("Uhrzeit", lambda t: f"20:15:{t:06.3f}", "time of day"),
        ("time", lambda t: f"15:{t:06.3f}", "minutes and seconds"),
        ("Time", lambda t: f"20:15:{int(t):02d}:{round(t % 1 * 1000):03d}", "time of day"),
        ("stamp", lambda t: f"2026-11-25T20:15:{t:06.3f}", "date-time"),
        ("stamp", lambda t: f"25.11.2026 20:15:{t:06.3f}", "date-time"),
        ("epoch", lambda t: f"{1795637700 + t:.2f}", "seconds since 1970"),
        ("t", lambda t: f"{1795637700000 + t * 1000:.0f}", "milliseconds since 1970"),
        ("jikan", lambda t: f"{t:.2f}", "seconds"),
        ("ms", lambda t: f"{t * 1000:.0f}", "milliseconds"),
    ],
)
def test_the_unit_of_time(tmp_path, header, stamp, kind):
    log = read(tmp_path, [stamp(i * STEP) for i in range(200)], header)
    assert log.clock.kind == kind
    np.testing.assert_allclose(log.time, np.arange(200) * STEP, atol=2e-5)
    assert codes(log) == []


def test_midnight_is_rolled_over(tmp_path):
    stamps = [
        f"{int(s // 3600) % 24:02d}:{int(s // 60) % 60:02d}:{s % 60:06.3f}"
        for s in 86395 + np.arange(200) * STEP
    ]
    np.testing.assert_allclose(read(tmp_path, stamps).time, np.arange(200) * STEP, atol=1e-6)


def test_a_counter_of_sixteen_bits_is_unrolled(tmp_path):
    log = read(tmp_path, [(65000 + 50 * i) % 65536 for i in range(100)], "Time (ms)")
    np.testing.assert_allclose(log.time, np.arange(100) * STEP, atol=1e-9)


def test_a_figure_clock_of_hours_minutes_seconds(tmp_path):
    at = 58.0 + np.arange(100) * STEP
    log = read(
        tmp_path, [f"{201500 + s if s < 60 else 201600 + s - 60:.2f}" for s in at], "UTC time"
    )
    np.testing.assert_allclose(log.time, np.arange(100) * STEP, atol=1e-6)


def test_a_jump_back_is_a_break_and_time_goes_on(tmp_path):
    log = read(tmp_path, [f"{t:.2f}" for t in [*np.arange(50) * STEP, *np.arange(50) * STEP]])
    assert log.clock.breaks == (50,) and codes(log) == ["sensor.clock"]
    np.testing.assert_allclose(log.time, np.arange(100) * STEP, atol=1e-9)


def test_one_bad_stamp_is_bridged(tmp_path):
    for bad in ("9999.00", "0.00"):
        stamps = [f"{i * STEP:.2f}" for i in range(400)]
        stamps[200] = bad
        log = read(tmp_path, stamps)
        assert log.clock.breaks == ()
        np.testing.assert_allclose(log.time, np.arange(400) * STEP, atol=1e-6)
        assert any(n.line == 202 for n in log.notes)


def test_a_gap_is_reported_and_kept(tmp_path):
    log = read(tmp_path, [f"{i * STEP + (4.0 if i >= 60 else 0):.2f}" for i in range(120)])
    (gap,) = [n for n in log.notes if n.code == "sensor.gap"]
    assert gap.line == 62 and gap.end_s - gap.start_s == pytest.approx(4.05)


def test_a_short_pause_is_no_gap(tmp_path):
    assert (
        codes(read(tmp_path, [f"{i * STEP + (0.9 if i >= 60 else 0):.2f}" for i in range(120)]))
        == []
    )


def test_rows_written_twice_are_left_out(tmp_path):
    at = [i - (i > 40) for i in range(101)]
    log = read(tmp_path, [f"{i * STEP:.2f}" for i in at], extra=[900 + i for i in at])
    assert log.frame.height == 100 and any("repeat" in n.message for n in log.notes)


def test_equal_stamps_with_other_values_are_spread(tmp_path):
    log = read(tmp_path, [f"{(i - (i > 40)) * STEP:.2f}" for i in range(101)])
    assert log.frame.height == 101 and log.time[41] == pytest.approx(2.025)


def test_whole_seconds_under_faster_rows_are_spread(tmp_path):
    log = read(tmp_path, [str(i // 20) for i in range(400)], "Time (s)")
    np.testing.assert_allclose(log.time, np.arange(400) * STEP, atol=1e-9)
    assert any("rows come faster" in n.message for n in log.notes)


def test_jitter_stays_as_it_is(tmp_path):
    rng = np.random.default_rng(3)
    at = np.arange(200) * STEP + rng.uniform(-0.02, 0.02, 200)
    np.testing.assert_allclose(read(tmp_path, [f"{t:.4f}" for t in at]).time, at - at[0], atol=1e-4)


def test_a_time_column_beats_its_decoys(tmp_path):
    path = tmp_path / "a.csv"
    rows = "".join(
        f"{i * 0.7:.2f},{i},{100 + i // 20},{i * STEP:.2f},{2 + i % 3}\n" for i in range(200)
    )
    path.write_text(
        "Distance (m),Sample No,Engine run time (s),Log time (s),Injection time (ms)\n" + rows
    )
    (log,) = read_raw(path)
    assert log.clock.column == "Log time (s)"


@pytest.mark.parametrize("header", ["Distance (km)", "Sample", "Odometer", "Index", "Record No"])
def test_what_only_counts_up_is_no_clock(tmp_path, header):
    path = tmp_path / "a.csv"
    path.write_text(f"{header},RPM\n" + "".join(f"{i},{900 + i % 7}\n" for i in range(50)))
    assert "--rate HZ" in read_raw(path)[0].error
    assert read_raw(path, rate_hz=10.0)[0].time[-1] == pytest.approx(4.9)


def test_the_date_may_stand_only_in_the_file_name(tmp_path):
    log = read(
        tmp_path, [f"20:15:{i * STEP:06.3f}" for i in range(50)], name="night_2026-11-25.csv"
    )
    assert log.clock.wall_start == "2026-11-25T20:15:00"


def test_date_and_start_in_the_preamble(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "Date: 25.11.2026\nStart: 20:15:30\ntime,rpm\n"
        + "".join(f"{i * STEP:.2f},{900 + i}\n" for i in range(50))
    )
    assert read_raw(path)[0].clock.wall_start == "2026-11-25T20:15:30"


def test_month_first_where_the_second_figure_exceeds_twelve(tmp_path):
    assert (
        read(
            tmp_path, [f"11/25/2026 08:15:{i * STEP:06.3f} PM" for i in range(50)]
        ).clock.wall_start
        == "2026-11-25T20:15:00"
    )


def test_blank_stamps_are_set_between_their_neighbours(tmp_path):
    log = read(tmp_path, ["" if i % 50 == 7 else f"{i * STEP:.2f}" for i in range(200)])
    np.testing.assert_allclose(log.time, np.arange(200) * STEP, atol=1e-6)


def test_dates_and_times_in_text():
    assert iso(date_in("night 25-11-2026.csv") * 86400.0) == "2026-11-25T00:00:00"
    assert date_in("20261125_2015.csv") == date_in("2026_11_25")
    assert (
        date_in("run 7") is None
        and time_in("at 8:15:30 pm") == 72930.0
        and time_in("ratio 3:1") is None
    )
