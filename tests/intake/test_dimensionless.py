"""A unit that says there is none is no unit of another quantity."""

from __future__ import annotations

import math

import pytest

from audit.intake import read_logs
from audit.model import Car


@pytest.mark.parametrize("unit", ["-", "--", "1", "n/a", "–", "none", ""])
@pytest.mark.parametrize("name", ["Lambda 1", "Lambda"])
def test_a_lambda_without_a_dimension_is_lambda(tmp_path, name, unit):
    rows = [
        f"{i / 20:.2f},{3000 + i},{0.8 + 0.2 * math.sin(i / 9):.3f},{100 + 40 * math.sin(i / 25):.1f}"
        for i in range(600)
    ]
    path = tmp_path / "log.csv"
    path.write_text(
        "\n".join([f"Time (s),Engine speed (rpm),{name} [{unit}],MAP (kPa)", *rows]) + "\n",
        encoding="utf-8",
    )
    (log,) = read_logs(path, car=Car())
    assert log.by_name["lambda"].source.startswith(name)
