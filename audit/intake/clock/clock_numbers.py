"""Columns of numbers that may be the clock: seconds to nanoseconds, since the start or since 1970,
or a clock's face.
"""

from __future__ import annotations

import numpy as np

from audit.intake.clock.clock_names import (
    DISTANCE,
    PART_OF,
    TICKS,
    TIME_WORDS,
    UNIT_OF,
    Candidate,
    forward_shares,
    name_score,
    words_of,
)
from audit.intake.clock.stamps import DAY_S
from audit.intake.raw import RawColumn
from audit.intake.text.table import Table
from audit.model import Array
from audit.signal.arrays import median, median_of_finite

UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": DAY_S}
_UNIT_NAMES = {
    "s": "seconds",
    "ms": "milliseconds",
    "us": "microseconds",
    "ns": "nanoseconds",
    "min": "minutes",
    "h": "hours",
    "d": "days",
}
ROW_NUMBERS = 0.98  # share of steps of one from which a column numbers its rows
STEADY = 0.8  # share of steps within half of the usual one, of a clock that no name tells
LEAST_ROWS = 20
LIKELY = -4.0  # log-likelihood of a clock's step and length, see _fits
_EPOCHS = ((0.9e9, 3e9, "s"), (0.9e12, 3e12, "ms"), (0.9e15, 3e15, "us"), (0.9e18, 3e18, "ns"))


def number_candidates(table: Table) -> list[Candidate]:
    out = []
    parts = _split_clock(table)
    if parts is not None:
        out.append(parts)
    for i, column in enumerate(table.columns):
        if not column.numeric:
            continue
        name = name_score(column, table.made_up_header, i == 0)
        if name <= 0:
            continue
        series = table.frame.to_series(i)
        if series.null_count() == len(series):
            continue
        values = series.to_numpy()
        candidate = _number_candidate(
            column, table.frame.columns[i], np.asarray(values, dtype=np.float64), name, i
        )
        if candidate is not None:
            out.append(candidate)
    return out


def _number_candidate(
    column: RawColumn, label: str, values: Array, name: float, i: int
) -> Candidate | None:
    held = float(np.isfinite(values).mean())
    values = _counter_unrolled(values)
    forward, moving = forward_shares(values)
    named = name >= 2
    if forward < (0.8 if named else 0.95) or (moving == 0 and len(values) > 1) or held < 0.02:
        return None
    if name < 1 and (forward < 1.0 or moving < 0.05):
        return None
    if (
        1 <= name < 2 and moving < 0.9
    ):  # a table without header: the first column must look like a clock
        return None
    unit, sure = _unit(column, values)
    seconds, kind = _to_seconds(values, unit)
    note = (
        ""
        if sure
        else (
            f"the unit of time in column {label} is not given; read as {_UNIT_NAMES[unit]} from "
            "the size of its steps."
        )
    )
    if not sure and _is_counter(values, column):
        return None
    absolute = bool(np.nanmax(np.abs(seconds)) > 6.3e8) or unit == "d"
    if unit == "d" and np.nanmin(values) > 30000:
        seconds = seconds - 25569 * DAY_S  # days since 1899-12-30, as spreadsheets count
    elif unit == "d":
        absolute = False
    score = name + 0.5 * moving + 0.3 * forward + 0.2 * held - 0.01 * min(i, 20)
    return Candidate(
        label, seconds, score, kind, DAY_S if unit == "d" and not absolute else 0.0, absolute, note
    )


def steady_candidates(table: Table) -> list[Candidate]:
    """Columns without a name for time that rise as steadily as a clock: the last resort."""
    out = []
    for i, column in enumerate(table.columns):
        if not column.numeric or words_of(column.name) & DISTANCE:
            continue
        values = _counter_unrolled(
            np.asarray(table.frame.to_series(i).to_numpy(), dtype=np.float64)
        )
        forward, moving = forward_shares(values)
        d = np.diff(values)
        if len(d) < LEAST_ROWS or not np.isfinite(values).all() or forward < 1.0 - 0.01:
            continue
        step = median(d[d > 0]) if moving > STEADY else 0.0
        if step <= 0 or float((np.abs(d - step) <= 0.5 * step).mean()) < STEADY:
            continue
        unit, _ = _unit(column, values)
        likely = _fits(step * UNITS_S[unit], float(step * len(d)) * UNITS_S[unit], len(values))
        if likely < LIKELY or _is_counter(values, column):
            continue
        label = table.frame.columns[i]
        seconds, kind = _to_seconds(values, unit)
        note = (
            f"no column is named as a clock; '{label}' rises steadily and is taken for it, in "
            f"{_UNIT_NAMES[unit]}. If that is wrong, export the log with its time column."
        )
        absolute = bool(np.nanmax(np.abs(seconds)) > 6.3e8)
        out.append(Candidate(label, seconds, likely - 0.01 * i, kind, 0.0, absolute, note))
    return out


def _is_counter(values: Array, column: RawColumn) -> bool:
    """Row numbers 0, 1, 2 ... under a name that is none for time."""
    d = np.diff(values[np.isfinite(values)])
    named = words_of(column.name) & (TIME_WORDS - TICKS)
    return not named and len(d) > 0 and float((d == 1).mean()) > ROW_NUMBERS


def _counter_unrolled(values: Array) -> Array:
    """A 16-bit or 32-bit counter that overflowed goes on where it was."""
    d = np.diff(values)
    if not len(d) or not (np.nan_to_num(d) < 0).any():
        return values
    for size in (65536.0, 4294967296.0, 4294967.296):
        top = np.nanmax(values)
        step = median_of_finite(d[d > 0]) if (d > 0).any() else 0.0
        over = (d < -0.9 * size) & (d + size >= 0) & (d + size < max(20 * step, 0.001 * size))
        if over.any() and top < size * 1.0001:
            out = values.copy()
            out[1:] += np.cumsum(over) * size
            return out
    return values


def _unit(column: RawColumn, values: Array) -> tuple[str, bool]:
    """(unit, whether header or size leave no doubt)."""
    good = values[np.isfinite(values)]
    top = median(good) if len(good) else 0.0
    for low, high, unit in _EPOCHS:
        if low < top < high:
            return unit, True
    if column.unit.strip().lower() in UNIT_OF:
        return UNIT_OF[column.unit.strip().lower()], True
    for word in words_of(column.name):
        if word in UNIT_OF and word not in ("d", "h", "day", "min"):
            return UNIT_OF[word], True
    d = np.diff(good)
    d = d[d > 0]
    if not len(d):
        return "s", True
    step, total = median(d), float(d.sum())
    if 30000 < top < 62000 and step < 6e-4:
        return "d", True
    rows = len(good)
    scores = sorted(
        (
            (_fits(step * UNITS_S[u], total * UNITS_S[u], rows) - cost, u)
            for u, cost in (("s", 0.0), ("ms", 0.0), ("us", 1.0), ("min", 3.0), ("d", 3.0))
        ),
        reverse=True,
    )
    return scores[0][1], scores[0][0] - scores[1][0] > 1.5


def _fits(step_s: float, total_s: float, rows: int) -> float:
    """Log-likelihood of a step and a duration: around 20 Hz and five minutes, a decade either
    way.
    """
    z_step = np.log(step_s / 0.05) / np.log(10)
    z_total = np.log(max(total_s, 1e-9) / 300.0) / np.log(10)
    weight = min(1.0, rows / 500)  # an excerpt may be short
    return float(-0.5 * z_step**2 - 0.5 * weight * z_total**2)


def _to_seconds(values: Array, unit: str) -> tuple[Array, str]:
    clock_face = _hhmmss(values) if unit == "s" else None
    if clock_face is not None:
        return clock_face, "time of day"
    good = values[np.isfinite(values)]
    kind = _UNIT_NAMES[unit]
    if len(good) and abs(median(good)) * UNITS_S[unit] > 6.3e8:
        kind += " since 1970"
    if unit in ("ms", "us", "ns"):
        return values / (1.0 / UNITS_S[unit]), kind
    return values * UNITS_S[unit], kind


def _hhmmss(values: Array) -> Array | None:
    """201559.5 as 20:15:59.5, when the steps over a full minute prove it."""
    good = values[np.isfinite(values)]
    if len(good) < 3 or good.min() < 0 or good.max() >= 240000:
        return None
    whole = np.floor(good)
    if ((whole % 100) >= 60).any() or ((whole // 100 % 100) >= 60).any():
        return None
    d = np.diff(good)
    jumps = (d > 39) & (d < 7641) & (whole[:-1] % 100 >= 55) & (whole[1:] % 100 <= 5)
    if not jumps.any() or ((d > 39) & ~jumps).sum() > jumps.sum():
        return None
    floor = np.floor(values)
    seconds: Array = floor // 10000 * 3600 + floor // 100 % 100 * 60 + values - floor // 100 * 100
    return seconds


def _split_clock(table: Table) -> Candidate | None:
    """Hours, minutes and seconds (and years, months, days) each in a column of their own."""
    found: dict[str, Array] = {}
    for i, column in enumerate(table.columns):
        key = PART_OF.get(column.name.strip().lower())
        if key and column.numeric and key not in found:
            found[key] = np.asarray(table.frame.to_series(i).to_numpy(), dtype=np.float64)
    if not {"h", "m", "s"} <= set(found):
        return None
    if np.nanmax(found["h"]) > 24 or np.nanmax(found["m"]) >= 60 or np.nanmax(found["s"]) >= 60:
        return None
    seconds = found["h"] * 3600 + found["m"] * 60 + found["s"] + found.get("f", np.zeros(1)) / 1000
    return Candidate("hours, minutes, seconds", seconds, 3.2, "time of day", DAY_S)
