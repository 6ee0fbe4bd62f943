"""The scorer of units: each kind of row on its smallest column, and a column that never moves."""

from __future__ import annotations

import numpy as np
import pytest
from made import Made, drive
from test_infer_units import log_of, scene

from audit.intake.units import evidence
from audit.intake.units.evidence import Measured, Part, Row, Scored, weigh, window
from audit.tables import channel_rows, toml_table
from audit.units import units

PSI = 6.894757293168
FIELDS = set("seen by log low high width least points instead when unless given why".split())


def scored(monkeypatch, row, measured, candidate=None) -> Scored:
    monkeypatch.setattr(evidence, "part_of", lambda _: Part(rows=(Row(**row),)))
    one = Scored(candidate or units()["psi"]._replace(offset=100.0, reference="gauge"), 0.0)
    weigh([one], "manifold_pressure", measured)
    return one


def test_a_window_costs_nothing_inside_and_no_more_than_its_least_outside():
    assert window(50.0, 20.0, 70.0, 7.0, 11.0) == 0.0
    assert window(77.0, 20.0, 70.0, 7.0, 11.0) == pytest.approx(-0.5)
    assert window(6.0, 20.0, 70.0, 7.0, 11.0) == pytest.approx(-2.0)
    assert window(500.0, 20.0, 70.0, 7.0, 11.0) == -11.0
    assert window(float("nan"), 20.0, 70.0, 7.0, 11.0) == -11.0


@pytest.mark.parametrize(
    ("kind", "value", "seen"),
    [
        ("value", 10.0 * PSI + 100.0, 10.0),
        ("scaled", 10.0 * PSI, 10.0),
        ("over", 10.0 * PSI, 10.0),
        ("source", 10.0, 10.0),
        ("per", 10.0 / PSI, 10.0),
        ("span", 10.0 * PSI, 10.0),
    ],
)
def test_a_row_looks_at_what_was_measured_in_its_way(monkeypatch, kind, value, seen):
    def row(low, high):
        return {"seen": "x", "by": kind, "low": low, "high": high, "points": 2.0, "why": "so"}

    hit = scored(monkeypatch, row(value - 0.01, value + 0.01), Measured({"x": seen}))
    assert (hit.evidence, hit.why) == (2.0, ["so"])
    for low, high in ((value + 0.01, value + 1.0), (value - 1.0, value - 0.01)):
        missed = scored(monkeypatch, row(low, high), Measured({"x": seen}))
        assert (missed.evidence, missed.why) == (0.0, [])


def test_bounds_are_made_of_what_is_known(monkeypatch):
    row = {"seen": "x", "by": "source", "width": 1.0, "least": -9.0}
    row |= {"low": "0.5 known - 2", "high": ["least", 90.0, "known + 6"]}
    for value, known, points in ((10.0, 24.0, 0.0), (9.0, 24.0, -0.5), (31.0, 24.0, -0.5)):
        found = scored(monkeypatch, row, Measured({"x": value}, known={"known": known}))
        assert found.evidence == pytest.approx(points)
    assert scored(monkeypatch, row, Measured({"x": 500.0})).evidence == 0.0  # nothing is known
    assert scored(monkeypatch, row, Measured({}, known={"known": 24.0})).evidence == 0.0
    row["high"] = ["most", 90.0, "known + 6"]
    found = scored(monkeypatch, row, Measured({"x": 91.0}, known={"known": 24.0}))
    assert found.evidence == pytest.approx(-0.5)


def test_words_and_another_window_say_when_a_row_counts(monkeypatch):
    row = {"seen": "x", "by": "source", "points": 1.0, "when": "gauge loaded", "unless": "cut"}
    loaded, cut = frozenset({"loaded"}), frozenset({"loaded", "cut"})
    counts = [scored(monkeypatch, row, Measured({"x": 1.0}, f)).evidence for f in (loaded, cut)]
    assert counts == [1.0, 0.0]
    assert scored(monkeypatch, row, Measured({"x": 1.0})).evidence == 0.0
    given = {"seen": "y", "by": "source", "low": 5.0}
    row = {"seen": "x", "by": "source", "points": 1.0, "given": given}
    for y, want in ((6.0, 1.0), (4.0, 0.0), (None, 0.0)):
        assert scored(monkeypatch, row, Measured({"x": 1.0, "y": y})).evidence == want
    row["given"] = {**given, "outside": True}
    assert scored(monkeypatch, row, Measured({"x": 1.0, "y": 4.0})).evidence == 1.0


def test_either_of_two_windows_will_do_the_second_for_less(monkeypatch):
    row = {"seen": "x", "by": "source", "low": 1.0, "high": 2.0, "width": 0.1, "least": -9.0}
    row["instead"] = {"low": 10.0, "high": 20.0, "width": 1.0, "least": -9.0, "less": 2.6}
    for value, points in ((1.5, 0.0), (15.0, -2.6), (5.0, -9.0)):
        assert scored(monkeypatch, row, Measured({"x": value})).evidence == pytest.approx(points)


def test_every_row_of_the_table_can_be_read():
    channels, quantities = channel_rows(), {row.quantity for row in channel_rows().values()}
    for name, part in toml_table("evidence.toml").items():
        assert name in channels or name in quantities, name
        assert set(part.get("units", ())) <= set(units()), name
        for row in part.get("rows", ()):
            assert set(row) <= FIELDS, (name, row)
            assert "points" in row or {"width", "least"} <= set(row), (name, row)
            known = dict.fromkeys(
                "ambient ambient_low ambient_high said_low said_high reached reached_absolute "
                "water".split(),
                1.0,
            )
            assert Row(**row).limits(known) is not None, (name, row)


@pytest.mark.parametrize(
    ("header", "unit", "channel", "reads"),
    [
        ("EGT (°C)", "°C", "exhaust_gas_temp", 1372.0),
        ("IAT (°C)", "°C", "intake_air_temp", 150.0),
        ("Throttle (%)", "%", "throttle_position", 255.0),
        ("Pulse width (us)", "us", "injector_pulse_width", 12.0),
    ],
)
def test_a_column_that_never_moves_stays_in_the_unit_that_is_stated(header, unit, channel, reads):
    d = drive()
    base = [c for c in scene(d) if channel != "throttle_position" or c.header == "RPM"]
    for values, stands in ((np.full(len(d["time"]), reads), True), (reads + d["time"] / 50, False)):
        found = log_of([*base, Made(header, values, unit, name=header.split(" (")[0])], d)
        entry = found.by_name[channel]
        assert (entry.source_unit == units_said(unit)) is stands, entry
        assert entry.doubtful or stands


@pytest.mark.parametrize(("most_rpm", "unit"), [(870.0, "%"), (5200.0, "fraction")])
def test_the_throttle_of_an_idling_engine_hardly_opens(most_rpm, unit):
    """0.3 to 0.8 under a header in percent: all but shut at idle, mislabelled where the engine was driven."""
    t = np.arange(0.0, 40.0, 0.05)
    swing = 0.5 + 0.5 * np.sin(0.7 * t)
    made = [
        Made("RPM", 850.0 + (most_rpm - 850.0) * swing),
        Made("Throttle (%)", 0.3 + 0.5 * swing, "%", name="Throttle"),
    ]
    entry = log_of(made, {"time": t}).by_name["throttle_position"]
    assert entry.source_unit == unit


def units_said(text: str) -> str:
    return {"us": "µs"}.get(text, text)
