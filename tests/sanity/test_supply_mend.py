"""A channel that is missing is told together with what to do."""

from __future__ import annotations

import pytest

from audit.intake import read_logs
from audit.model import Car
from audit.sanity.examine import examine


def test_each_missing_channel_comes_with_the_mend(tmp_path):
    path = tmp_path / "log.csv"
    rows = [f"{i / 10:.1f},{900 + i % 7}" for i in range(300)]
    path.write_text("\n".join(["Time (s),Engine speed (rpm)", *rows]) + "\n", encoding="utf-8")
    (log,) = read_logs(path, car=Car())
    told = [f.message for f in examine(log, Car()).findings if f.code == "sensor.missing"]
    assert len(told) >= 3
    assert all("[channels] in the car file" in message for message in told)


@pytest.mark.parametrize(
    ("header", "cell", "found"),
    [("EGT (C)", "ERR", True), ("EGT (C)", "", False), ("Lambda mode", "closed", False)],
)
def test_a_damage_channel_that_holds_only_error_words_does_not_read(tmp_path, header, cell, found):
    path = tmp_path / "log.csv"
    rows = [f"{i / 10:.1f},{900 + i % 7},{cell}" for i in range(300)]
    path.write_text(
        f"Time (s),Engine speed (rpm),{header}\n" + "\n".join(rows) + "\n", encoding="utf-8"
    )
    (log,) = read_logs(path, car=Car())
    told = [f.severity for f in examine(log, Car()).findings if "does not read" in f.message]
    assert told == (["hold"] if found else [])


def test_a_second_column_of_the_same_name_is_read_beside_the_first(tmp_path):
    path = tmp_path / "log.csv"
    rows = [
        f"{i / 10:.1f},{900 + i % 7},{1.0 + i % 5 / 100:.2f},{1.0 + i % 5 / 100:.2f}"
        for i in range(300)
    ]
    header = "Time (s),Engine speed (rpm),Lambda,Lambda"
    path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    (log,) = read_logs(path, car=Car())
    assert log.has("lambda")
    assert not [f for f in examine(log, Car()).findings if f.channel == "lambda"]
