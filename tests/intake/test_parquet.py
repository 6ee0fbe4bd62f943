"""A log written and read back is the same log, and nothing of the source is lost."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from made import Made, drive, raw_log

from audit.errors import UnreadableLog
from audit.intake.parquet import is_ours, log_bytes, read_log
from audit.intake.schema import check_frame
from audit.intake.understand import understand
from audit.model import Car, Log


def mixed_log() -> Log:
    d = drive(seconds=60)
    columns = [
        Made("Time", d["time"]),
        Made("RPM", d["engine_speed"]),
        Made("MAP [psi]", (d["manifold_pressure"] - 99) / 6.894757293168, "psi"),
        Made("AFR", 14.7 * d["lambda"]),
        Made("IAT (F)", d["intake_air_temp"] * 1.8 + 32, "F"),
        Made("TPS", d["throttle_position"]),
        Made("Oil Level", np.where(d["time"] > 5, 4.0, np.nan)),
        Made("lambda", np.full(len(d["time"]), 44.0)),
        Made("Note", np.array(["a"] * len(d["time"]))),
    ]
    return understand(raw_log(columns, d["time"], clock="Time"), Car())


def test_the_same_log_comes_back(tmp_path: Path) -> None:
    log = mixed_log()
    (tmp_path / "a.parquet").write_bytes(log_bytes(log))
    back = read_log(tmp_path / "a.parquet")
    for field in fields(Log):
        mine, theirs = getattr(log, field.name), getattr(back, field.name)
        assert mine.equals(theirs, null_equal=True) if field.name == "frame" else mine == theirs, (
            field.name
        )
    assert is_ours(tmp_path / "a.parquet")
    assert [p.name for p in tmp_path.iterdir()] == ["a.parquet"]


def test_nothing_of_the_source_is_lost(tmp_path: Path) -> None:
    d = drive(seconds=60)
    log = mixed_log()
    (tmp_path / "a.parquet").write_bytes(log_bytes(log))
    back = read_log(tmp_path / "a.parquet")
    source = {c.source: c.stored_as or c.name for c in back.channels}
    psi = (d["manifold_pressure"] - 99) / 6.894757293168
    assert np.array_equal(back.frame[source["MAP [psi]"]].to_numpy(), psi)
    assert np.array_equal(
        back.frame[source["RPM"]].to_numpy(), d["engine_speed"]
    )  # needs no conversion: bit for bit
    channel = back.by_name["manifold_pressure"]
    np.testing.assert_allclose(
        (back.values("manifold_pressure") - channel.offset) / channel.scale,
        psi,
        rtol=1e-9,
        atol=1e-9,
    )
    assert (
        len(back.channels) == 9
        and back.frame[source["Oil Level"]].null_count() == (d["time"] <= 5).sum()
    )


def test_a_column_that_bears_a_channels_name_but_is_none_is_kept_apart() -> None:
    log = mixed_log()
    assert log.by_name["lambda"].source == "AFR"
    assert (log.frame["column:lambda"] == 44.0).all()


def test_a_torn_file_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "a.parquet").write_bytes(log_bytes(mixed_log()))
    whole = (tmp_path / "a.parquet").read_bytes()
    (tmp_path / "a.parquet").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UnreadableLog, match="not a whole Parquet"):
        read_log(tmp_path / "a.parquet")


def test_a_foreign_parquet_is_refused_in_a_sentence(tmp_path: Path) -> None:
    pl.DataFrame({"a": [1.0]}).write_parquet(tmp_path / "b.parquet")
    assert not is_ours(tmp_path / "b.parquet")
    with pytest.raises(UnreadableLog, match="not one of a screened log"):
        read_log(tmp_path / "b.parquet")


def test_a_canonical_frame_passes_the_schema() -> None:
    assert check_frame(mixed_log().frame) == []


def test_all_faults_of_a_frame_come_at_once() -> None:
    frame = pl.DataFrame(
        {
            "time": [0.0, 2.0, 1.0],
            "coolant_temp": [80.0, 900.0, 81.0],
            "engine_speed": ["a", "b", "c"],
        }
    )
    said = check_frame(frame)
    assert len(said) == 3
    assert any(s.startswith("column time: time does not increase") for s in said)
    assert any(s.startswith("column coolant_temp: outside -40 to 215 °C") for s in said)
    assert any(s.startswith("column engine_speed: ") for s in said)


def test_a_second_sensor_is_judged_by_the_row_of_its_quantity() -> None:
    frame = pl.DataFrame({"time": [0.0, 1.0], "lambda_2": [0.9, 99.0], "spare_2": [1.0, 1e12]})
    assert len(said := check_frame(frame)) == 1
    assert said[0].startswith("column lambda_2: outside 0.3 to 10")


def test_our_own_parquet_comes_back_as_it_was_understood(tmp_path):
    from audit.intake import read_logs

    csv = tmp_path / "a.csv"
    csv.write_text(
        "time,rpm,map psi\n"
        + "".join(f"{i * 0.05:.2f},{900 + i},{5 + i % 3}\n" for i in range(100))
    )
    (first,) = read_logs(csv, car=Car())
    (tmp_path / "a.parquet").write_bytes(log_bytes(first))
    (again,) = read_logs(tmp_path / "a.parquet", car=Car())
    assert again.path.endswith("a.parquet")
    assert again.frame.equals(first.frame)
    assert (again.channels, again.sha256, again.clock) == (
        first.channels,
        first.sha256,
        first.clock,
    )


def test_a_torn_parquet_is_refused_with_a_sentence(tmp_path):
    from audit.intake import read_logs
    from audit.intake.raw import Rejected

    (tmp_path / "a.parquet").write_bytes(b"PAR1" + bytes(100))
    (out,) = read_logs(tmp_path / "a.parquet", car=Car())
    assert isinstance(out, Rejected)
    assert "a.parquet" in out.error


def test_anyones_parquet_tells_units_in_its_columns_metadata(tmp_path):
    import pyarrow as pa
    import pyarrow.parquet as pq

    from audit.intake import read_logs

    rows = [i * 0.05 for i in range(200)]
    fields = [
        pa.field("time", pa.float64(), metadata={"unit": "s"}),
        pa.field("rpm", pa.int32()),
        pa.field("boost", pa.float32(), metadata={"Units": "bar"}),
        pa.field("coolant", pa.float64(), metadata={"unit": "degF"}),
    ]
    columns = [
        rows,
        [900 + i for i in range(200)],
        [-0.6 + 0.007 * i for i in range(200)],
        [190.0 + 0.01 * i for i in range(200)],
    ]
    pq.write_table(
        pa.table(
            [pa.array(c, f.type) for c, f in zip(columns, fields, strict=True)], pa.schema(fields)
        ),
        tmp_path / "b.parquet",
    )
    (log,) = read_logs(tmp_path / "b.parquet", car=Car())
    assert {
        c.name: (c.source_unit, c.unit_from)
        for c in log.channels
        if c.name in ("manifold_pressure", "coolant_temp")
    } == {"manifold_pressure": ("bar gauge", "format"), "coolant_temp": ("°F", "format")}
