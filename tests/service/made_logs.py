"""Small logs made on the spot, each with bytes of its own, and things that are no logs."""

from __future__ import annotations

import gzip
import random

import numpy as np


def good_log(seed: int, *, rows: int = 400, stamp: str | None = None) -> bytes:
    """A comma file with one wide-open pull, 20 rows a second. stamp: ISO date-time of the first row."""
    rng = np.random.default_rng(seed)
    t = np.arange(rows) / 20.0
    pull = (t > 6.0) & (t < 12.0)
    climb = np.clip((t - 6.0) / 6.0, 0.0, 1.0)
    rpm = np.where(pull, 2600 + 3600 * climb, 1800) + rng.normal(0, 4, rows)
    boost = np.where(pull, 95.0 * (1 - np.exp(-(t - 6.0) / 0.5)), -45.0) + rng.normal(0, 0.4, rows)
    columns = {
        "Engine Speed (rpm)": rpm.round(0),
        "Vehicle Speed (km/h)": (rpm / 45.0).round(1),
        "Throttle Position (%)": np.where(pull, 99.0, 18.0),
        "Boost Pressure (kPa)": boost.round(2),
        "Barometric Pressure (kPa)": np.full(rows, 99.8),
        "Lambda": (np.where(pull, 0.80, 1.0) + rng.normal(0, 0.004, rows)).round(3),
        "Intake Air Temp (°C)": (28 + 6 * climb).round(1),
        "Coolant Temp (°C)": np.full(rows, 88.0),
    }
    if stamp is None:
        times = [f"{x:.2f}" for x in t]
    else:
        start = np.datetime64(stamp, "ms")
        times = [str(start + np.timedelta64(int(1000 * x), "ms")).replace("T", " ") for x in t]
    head = ",".join(["Time (s)" if stamp is None else "Time", *columns])
    body = "\n".join(
        ",".join([time, *(f"{v:g}" for v in row)])
        for time, row in zip(times, zip(*columns.values(), strict=True), strict=True)
    )
    return f"{head}\n{body}\n".encode()


def garbage(seed: int) -> bytes:
    """Something that is no log: noise, prose, a picture's head, a torn gzip, a page."""
    dice = random.Random(seed)
    mark = f"{seed:08d}".encode()
    kinds = (
        lambda: mark + dice.randbytes(dice.randint(200, 20_000)),
        lambda: b"Notes of the evening " + mark + b"\nThe hose was loose. Tightened it.\n",
        lambda: b"\x89PNG\r\n\x1a\n" + mark + dice.randbytes(3000),
        lambda: gzip.compress(mark + dice.randbytes(4000), mtime=seed),
        lambda: b"<!doctype html><html><body>sign in " + mark + b"</body></html>\n",
    )
    return kinds[seed % len(kinds)]()
