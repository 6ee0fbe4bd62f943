"""Hand-written ugly files: what each must read as. Columns by header, None for a blank cell."""

from pathlib import Path

import numpy as np
import pytest

from audit.intake.raw import RawLog, Rejected
from audit.intake.read import read_raw

UGLY = Path(__file__).parent / "ugly"

# file: (time in s, {header: (unit, values)})
READS = {
    "01_german_semicolon.csv": (
        [0, 0.05, 0.1, 0.15],
        {
            "Drehzahl": ("1/min", [1850.5, 1901.0, 1955.5, 2010.0]),
            "Ladedruck": ("mbar", [1013.0, 1020.0, 1044.0, 1101.0]),
            "Lambda": ("", [0.987, 0.981, 1.002, 0.950]),
        },
    ),
    "02_thousands_in_quotes.csv": (
        [0, 0.1, 0.2, 0.3],
        {
            "engine speed (rpm)": ("rpm", [1850.5, 2120.0, 980.0, 12000.5]),
            "boost, gauge (psi)": ("psi", [0.1, 3.4, 11.9, 14.2]),
        },
    ),
    "03_spaces.txt": (
        [0, 0.1, 0.2, 0.3],
        {
            "n[1/min]": ("1/min", [850.0, 900.0, 1050.5, 1400.0]),
            "p[kPa]": ("kPa", [35.2, 36.1, 40.9, 55.0]),
        },
    ),
    "04_utf16_without_bom.csv": (
        [0, 0.5, 1.0],
        {"Ansauglufttemp. [°C]": ("°C", [21.5, 21.5, 22.0])},
    ),
    "05_latin1.csv": (
        [0, 1, 2],
        {"Temperatur (°C)": ("°C", [80.5, 81.0, 81.5]), "Öldruck (bar)": ("bar", [3.1, 3.2, 3.25])},
    ),
    "06_carriage_returns.csv": ([0, 0.1, 0.2], {"RPM": ("", [900.0, 950.0, 1000.0])}),
    "07_units_in_cells.csv": (
        [0, 0.1, 0.2],
        {
            "pressure": ("kPa", [100.0, 101.0, 105.0]),
            "throttle": ("%", [74.5, 75.0, 80.25]),
            "temp": ("°C", [20.1, 20.1, 20.2]),
        },
    ),
    "08_three_header_rows.csv": (
        [0, 0.1, 0.2],
        {
            "Engine Speed": ("rpm", [900.0, 950.0, 1000.0]),
            "Throttle Position": ("%", [2.0, 3.0, 10.0]),
        },
    ),
    "09_restart.csv": (
        [0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6],
        {"map_kPa": ("kPa", [35.0, 36.0, 36.0, 37.0, 60.0, 65.0, 70.0])},
    ),
    "10_cut_off.csv": (
        [0, 0.1, 0.2],
        {"RPM ()": ("", [900.0, 910.0, 930.0]), "Boost ()": ("", [-9.5, -9.6, -9.4])},
    ),
    "11_exponents.csv": (
        [0, 0.1, 0.2],
        {"n": ("", [900.0, 950.0, 1050.0]), "p": ("", [35.0, 36.0, 40.0])},
    ),
    "12_blank_words.csv": (
        [0, 0.1, 0.2, 0.3],
        {
            "RPM": ("", [900.0, None, 950.0, 960.0]),
            "Lambda": ("", [None, 1.01, None, 0.99]),
            "EGT": ("", [None, None, 412.0, None]),
        },
    ),
    "13_sparse.csv": (
        [0, 0.05, 0.1, 0.15, 0.2],
        {
            "coolant": ("", [None, None, 81.0, None, 82.0]),
            "map": ("", [None, 35.1, None, 35.3, 35.2]),
        },
    ),
    "14_midnight.csv": (
        [0, 0.1, 0.2, 0.3, 0.4],
        {"rpm": ("", [900.0, 910.0, 920.0, 930.0, 940.0])},
    ),
    "15_day_first.csv": ([0, 0.5, 1.0], {"Drehzahl": ("", [900.0, 910.0, 930.0])}),
    "16_am_pm.csv": ([0, 0.25, 0.5, 0.75], {"Revs": ("", [900.0, 905.0, 910.0, 912.0])}),
    "17_epoch_ms.csv": ([0, 0.1, 0.2], {"rpm": ("", [900.0, 905.0, 910.0])}),
    "18_whole_seconds.csv": (
        np.arange(12) * 0.25,
        {"Last": ("", [20.0, 21, 22, 22, 23, 24, 25, 25, 26, 26, 27, 27])},
    ),
    "19_bad_stamp.csv": (
        [0, 0.1, 0.2, 0.3, 0.4, 0.5],
        {"rpm": ("", [900.0, 910.0, 920.0, 930.0, 940.0, 950.0])},
    ),
    "20_duplicate_names.csv": (
        [0, 1, 2],
        {
            "Temp": ("", [20.0, 21.0, 22.0]),
            "Temp (2)": ("", [80.0, 81.0, 82.0]),
            "Temp (3)": ("", [400.0, 401.0, 402.0]),
        },
    ),
    "21_no_header.csv": ([0, 0.05, 0.1, 0.15], {"column 2": ("", [900.0, 905.0, 910.0, 915.0])}),
    "24_apostrophe.csv": (
        [0, 0.1, 0.2],
        {
            "Regime": ("tr/min", [1850.0, 2120.0, 980.0]),
            "Pression": ("mbar", [1013.5, 1020.0, 995.5]),
        },
    ),
    "25_minutes_seconds.csv": ([0, 0.1, 0.2, 0.3], {"rpm": ("", [900.0, 910.0, 920.0, 930.0])}),
    "26_spreadsheet_resave.csv": (
        [0, 0.1, 0.2],
        {"Engine Speed (rpm)": ("rpm", [900.0, 905.0, 912.0]), "Note": ("", [None, "start", None])},
    ),
    "27_decoys.csv": (
        [0, 0.04, 0.08, 0.12, 0.16],
        {"Injection time (ms)": ("ms", [2.1, 2.2, 2.2, 2.4, 2.5])},
    ),
    "29_space_thousands.csv": (
        [0, 0.1, 0.2],
        {"Regime (tr/min)": ("tr/min", [1850.5, 12120.0, 980.0])},
    ),
    "30_trailing_blanks.csv": (
        [0, 0.1, 0.2],
        {"rpm": ("", [900.0, 910.0, 930.0]), "note": ("", ["ok", "ok", "bad"])},
    ),
    "31_iso_zone.csv": ([0, 0.04, 0.08], {"rpm": ("", [900.0, 910.0, 930.0])}),
    "32_day_fraction.csv": ([0, 0.05, 0.1, 0.15], {"MAP": ("", [35.0, 35.0, 36.0, 36.0])}),
}
REFUSED = {
    "22_sample_counter.csv": "--rate HZ",
    "23_comma_twice.csv": "both the decimal mark and the delimiter",
}


def one(name: str, **options) -> RawLog:
    (log,) = read_raw(UGLY / name, **options)
    assert isinstance(log, RawLog), log
    return log


@pytest.mark.parametrize("name", READS)
def test_an_ugly_file_reads_as_written(name):
    time, columns = READS[name]
    log = one(name)
    np.testing.assert_allclose(log.time, time, atol=1e-4)
    for header, (unit, values) in columns.items():
        assert log.frame[header].to_list() == values
        assert log.columns[log.frame.columns.index(header)].unit == unit


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_told_is_refused_with_the_mend(name):
    (log,) = read_raw(UGLY / name)
    assert isinstance(log, Rejected) and not log.not_a_log
    assert name in log.error and REFUSED[name] in log.error


def test_every_ugly_file_is_in_the_tables():
    assert {p.name for p in UGLY.iterdir()} == set(READS) | set(REFUSED) | {"28_two_tables.csv"}


def test_a_restart_is_a_break_and_told():
    log = one("09_restart.csv")
    assert log.clock.breaks == (4,)
    assert {n.code for n in log.notes} >= {"sensor.clock"}
    assert any("marker" in n.message and n.line == 5 for n in log.notes)


def test_a_cut_off_tail_is_named_by_its_line():
    assert any(n.line == 5 and "cut off" in n.message for n in one("10_cut_off.csv").notes)


def test_two_tables_with_other_columns_are_two_logs():
    first, second = read_raw(UGLY / "28_two_tables.csv")
    assert first.frame.columns == ["time", "rpm", "map"] and first.frame.height == 4
    assert second.frame["lambda"].to_list() == [0.95, 0.94, 0.93, 0.92]
    assert second.path.endswith("(part 2)")


def test_a_counter_is_no_clock_but_a_given_rate_is():
    log = one("22_sample_counter.csv", rate_hz=20.0)
    np.testing.assert_allclose(log.time, [0, 0.05, 0.1, 0.15])
    assert log.clock.column is None and log.clock.kind == "given rate"


@pytest.mark.parametrize(
    ("name", "start"),
    [
        ("01_german_semicolon.csv", "2026-11-25T20:15:00"),
        ("15_day_first.csv", "2026-11-25T20:15:00"),
        ("16_am_pm.csv", "2026-11-25T23:59:59.500"),
        ("17_epoch_ms.csv", "2026-11-25T20:15:00"),
        ("06_carriage_returns.csv", None),
    ],
)
def test_the_wall_clock_of_the_first_row(name, start):
    assert one(name).clock.wall_start == start
