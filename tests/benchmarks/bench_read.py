"""Prints how long reading raw logs takes against polars' own read_csv of the same bytes. Run: python tests/benchmarks/bench_read.py"""

import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from audit.intake.read import read_raw

ROWS, REPEATS = 10_000, 15


def quickest_ms(action) -> float:
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        action()
        times.append(time.perf_counter() - start)
    return min(times) * 1e3


def main() -> None:
    rng = np.random.default_rng(0)
    frame = pl.DataFrame(
        {
            "Time (s)": np.round(np.arange(ROWS) * 0.05, 2),
            **{f"Chan {i} (kPa)": np.round(rng.normal(100, 30, ROWS), 1) for i in range(19)},
        }
    )
    comma, semicolon = frame.write_csv(), frame.write_csv(separator=";", decimal_comma=True)
    cases = {
        "comma": (comma.encode(), {}),
        "semicolon, decimal comma": (semicolon.encode(), {"separator": ";", "decimal_comma": True}),
        "UTF-16 (against UTF-8)": (comma.encode("utf-16"), {}),
        "padded cells": (comma.replace(",", " , ").encode(), {"infer_schema": False}),
        "a marker every 10th line": (
            comma.replace("\n", "\nmark\n", 1000).encode(),
            {"infer_schema": False, "truncate_ragged_lines": True},
        ),
    }
    for name, (content, options) in cases.items():
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "a.csv"
            path.write_bytes(content)
            plain = comma.encode() if name.startswith("UTF-16") else content
            own, bare = (
                quickest_ms(lambda p=path: read_raw(p)),
                quickest_ms(lambda b=plain, o=options: pl.read_csv(b, **o)),
            )
            print(
                f"{name:28} {len(content) / 1e6:.2f} MB  read_raw {own:6.1f} ms  read_csv {bare:6.1f} ms  ratio beyond 3 ms {(own - 3) / bare:.2f}"
            )


if __name__ == "__main__":
    main()
