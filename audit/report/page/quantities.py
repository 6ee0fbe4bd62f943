"""Arrays in the reader's units, and packed small enough to travel in a page."""

from __future__ import annotations

import base64
import math
from typing import Any

import numpy as np

from audit.model import Array
from audit.units import fahrenheit, mph, psi

MISSING = -32768  # a sample that is not there
STEPS = 65534  # usable levels of 16 bits, -32767 to 32767

_US = {"kPa": psi, "°C": fahrenheit, "K": lambda kelvin: kelvin * 1.8, "km/h": mph}


def linear(unit: str, *, us: bool) -> tuple[float, float]:
    """(scale, offset) from a canonical unit to the reader's: shown = scale * value + offset."""
    if not us or unit not in _US:
        return 1.0, 0.0
    convert = _US[unit]
    offset = convert(0.0)
    return convert(1.0) - offset, offset


def shown(value: float, unit: str, *, us: bool) -> float:
    """One figure in the reader's unit."""
    scale, offset = linear(unit, us=us)
    return scale * value + offset


def packed(values: Array) -> dict[str, Any]:
    """N values as 16-bit steps over their range, base64, little-endian; NaN as MISSING.

    value = low + step * (code + 32767); the error is about half a step, 1/131068 of the range.
    """
    finite = values[np.isfinite(values)]
    low, high = (float(finite.min()), float(finite.max())) if len(finite) else (0.0, 0.0)
    step = float(f"{(high - low) / STEPS * 1.000001:.7g}") if high > low else 1.0
    step = step or 1.0  # a range of next to nothing
    low = round(low, max(0, 3 - math.floor(math.log10(step))))
    code = np.where(np.isfinite(values), np.rint((values - low) / step) - 32767, MISSING)
    return {
        "low": low,
        "step": step,
        "data": base64.b64encode(code.astype("<i2").tobytes()).decode("ascii"),
    }


def packed_time(t: Array) -> str:
    """N times as 32-bit floats, base64, little-endian."""
    return base64.b64encode(t.astype("<f4").tobytes()).decode("ascii")


def thinned(t: Array, columns: dict[str, Array], most: int) -> tuple[Array, dict[str, Array]]:
    """At most about `most` rows: each bucket keeps the lowest and the highest value of every
    column.

    t: n times; columns: n values each, NaN where there is none. Peaks keep their height; their time
    moves by less than a bucket. Columns without gaps keep the order in which the two extremes came.
    """
    n = len(t)
    if n <= most:
        return t, columns
    width = 2 * -(-n // most)
    buckets = -(-n // width)
    pad = buckets * width - n
    grid = np.append(t, np.full(pad, t[-1])).reshape(buckets, width)
    times = np.stack((grid[:, 0], grid[:, width // 2]), axis=1).ravel()
    keep = np.append(True, np.diff(times) > 0)  # the last, part-filled bucket may repeat a time
    return times[keep], {name: _extremes(v, pad, width)[keep] for name, v in columns.items()}


def averaged(t: Array, columns: dict[str, Array], most: int) -> tuple[Array, dict[str, Array]]:
    """At most about `most` rows, each the mean of its bucket: for many lines over each other, where
    extremes would draw the noise alone. As thinned otherwise.
    """
    n = len(t)
    if n <= most:
        return t, columns
    width = -(-n // most)
    cut = n // width * width

    def mean(values: Array) -> Array:
        rows = values[:cut].reshape(-1, width)
        there = np.isfinite(rows)
        count = there.sum(axis=1)
        total = np.where(there, rows, 0.0).sum(axis=1)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    return mean(t), {name: mean(values) for name, values in columns.items()}


def _extremes(values: Array, pad: int, width: int) -> Array:
    rows = np.append(values, np.full(pad, np.nan)).reshape(-1, width)
    none = np.isnan(rows)
    low = np.where(none, np.inf, rows).argmin(axis=1)
    high = np.where(none, -np.inf, rows).argmax(axis=1)
    row = np.arange(len(rows))
    first, second = np.minimum(low, high), np.maximum(low, high)
    return np.stack((rows[row, first], rows[row, second]), axis=1).ravel()
