"""Columns that may be the clock: stamps of text, a date beside a time, parts of the time in columns
of their own, and numbers: seconds to nanoseconds, since the start or since 1970, or a clock's face.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from audit.intake.clock.stamps import DAY_S, Stamps, parse_stamps
from audit.intake.raw import RawColumn, RawLog
from audit.intake.said import sentence
from audit.model import Array
from audit.signal.arrays import median, median_of_finite
from audit.tables import toml_table

_TABLE = toml_table("words.toml")["clock"]
_WORDS = {key: frozenset(words) for key, words in _TABLE.items() if isinstance(words, list)}
_UNIT_OF = {word: unit for unit, words in _TABLE["units"].items() for word in words.split()}
_PART_OF = {word: part for part, words in _TABLE["parts"].items() for word in words.split()}
_ALSO_WORDS = frozenset(("d", "h", "min", "day"))  # units that alone in a name mean something else
DATE_WORDS = _WORDS["date"]

# s; its name; points against it where its size alone speaks for it, None where it has to be named
UNITS: dict[str, tuple[float, str, float | None]] = {
    "s": (1.0, "seconds", 0.0),
    "ms": (1e-3, "milliseconds", 0.0),
    "us": (1e-6, "microseconds", 1.0),
    "ns": (1e-9, "nanoseconds", None),
    "min": (60.0, "minutes", 3.0),
    "h": (3600.0, "hours", None),
    "d": (DAY_S, "days", 3.0),
}
SURE = 1.5  # points between two units from which the size of the steps leaves no doubt
EPOCH_S = (0.9e9, 3e9)  # s since 1970: 1998 to 2065
ABSOLUTE_S = 6.3e8  # s since 1970, from which a clock is no stopwatch
DATE_NUMBERS = (19900101, 21001231)  # 20261125
SHEET_DAYS, SHEET_EPOCH = (30000, 62000), 25569  # days since 1899-12-30, as spreadsheets count
FEW_BACK = 3  # steps back that any clock may have: a restart, midnight, a bad stamp
ROW_NUMBERS = 0.98  # share of steps of one from which a column numbers its rows
STEADY = 0.8  # share of steps within half of the usual one, of a clock that no name tells
LEAST_ROWS = 20
LIKELY = -4.0  # log-likelihood of a clock's step and length, see _fits
OVERFLOWS = (65536.0, 4294967296.0, 4294967.296)  # counters of 16 and 32 bits; the latter in ms


class Candidate(NamedTuple):
    """A column that may be the clock: its seconds, and how well it goes as one. period_s: a day for
    times of day; absolute: seconds since 1970.
    """

    column: str
    seconds: Array
    score: float
    kind: str
    period_s: float = 0.0
    absolute: bool = False
    note: str = ""


@lru_cache(maxsize=4096)
def words_of(name: str) -> frozenset[str]:
    """The words of a column's name, parted at case, digits and marks."""
    spaced = re.sub(r"(?<=[a-zäöüéè0-9])(?=[A-Z])", " ", name).lower()
    return frozenset(re.split(r"[^\w]+|_|(?<=\D)(?=\d)|(?<=\d)(?=\D)", spaced)) - {""}


def name_score(column: RawColumn, made_up: bool, first: bool) -> float:
    """3 a plain name for time, 2 time among other words, below 1 a decoy, 0 no name for it."""
    words = {w for w in words_of(column.name) if not w.isdigit()}
    timely, unit_words = words & _WORDS["time"], words & set(_UNIT_OF)
    if not timely and words and words <= set(_UNIT_OF) - _ALSO_WORDS:
        return 2.0  # a column called 'ms'
    # a typing slip
    timely = timely or {w for w in words if re.fullmatch(".ime|t.me|ti.e|tim.", w)}
    if not timely:
        if made_up or not words:
            return 1.5 if first else 0.0
        has_unit = _UNIT_OF.get(column.unit.lower()) in ("s", "ms", "us")
        return 0.6 if has_unit and not words & (_WORDS["no_time"] | _WORDS["decoys"]) else 0.0
    weak = timely <= _WORDS["weak"]
    if words & _WORDS["no_time"] and weak and not timely & _WORDS["ticks"]:
        return 0.0
    if decoys := words & _WORDS["decoys"]:
        return 0.9 if len(decoys) < 2 else 0.7
    score = 2.2 if words - _WORDS["time"] - unit_words - _WORDS["beside"] else 3.0
    return score - (0.4 if weak and len(words) > 1 else 0.0)


def candidates(table: RawLog) -> Iterator[Candidate]:
    """Every column that its name or its cells make a clock."""
    dates, times = _texts(table)
    yield from (_with_date(one, dates[0]) if dates else one for one in times)
    yield from _split_clock(table)
    for i, column in enumerate(table.columns):
        name = name_score(column, table.made_up_header, i == 0) if column.numeric else 0.0
        if name > 0:
            yield from _named_number(table, i, name)


def forward_shares(values: Array) -> tuple[float, float]:
    """(share of steps that do not go back, of steps that move on); FEW_BACK are let pass."""
    d = np.diff(values[np.isfinite(values)])
    if len(d) < 1:
        return 1.0, 1.0
    back = float(np.count_nonzero(d < 0))
    if back <= FEW_BACK and back < 0.5 * len(d):
        back = 0.2 * back if len(d) < 20 else back
    return 1.0 - back / len(d), float((d > 0).mean())


def _texts(table: RawLog) -> tuple[list[Stamps], list[Candidate]]:
    """Dates without a time, and columns of times."""
    dates, times = [], []
    texts = [table.frame.to_series(i) for i, c in enumerate(table.columns) if not c.numeric]
    day_first = True if table.decimal == "," else None
    if any(t.drop_nulls().head(1).str.contains(r"(?i)\d\s*[ap]\.?m\.?$").any() for t in texts):
        day_first = False  # clocks of twelve hours come with the month first
    for i, column in enumerate(table.columns):
        series, label, words = (
            table.frame.to_series(i),
            table.frame.columns[i],
            words_of(column.name),
        )
        name = name_score(column, table.made_up_header, i == 0)
        if column.numeric:
            low, high = DATE_NUMBERS
            if not words & DATE_WORDS or name >= 3 or not series.is_between(low, high).all():
                continue
            stamps = parse_stamps(series.cast(int).cast(str))
        else:
            stamps = parse_stamps(series, day_first=day_first)
        if stamps is not None and stamps.kind == "date":
            dates.append(stamps)
        if stamps is None or stamps.kind == "date" or column.numeric:
            continue
        forward, moving = forward_shares(stamps.seconds)
        if forward < 0.8 or not (moving or len(series) <= 1) or np.isnan(stamps.seconds).all():
            continue
        dated = stamps.kind == "date-time"
        score = 0.5 if words & _WORDS["decoys"] and name < 1 else max(name, 1.8)
        score += (0.6 if dated else 0.0) + 0.5 * moving + 0.3 * forward
        said = _unsure(stamps, f"column {label}")
        seconds, kind, period, _ = stamps
        times.append(Candidate(label, seconds, score, kind, period, dated, said))
    return dates, times


def _with_date(candidate: Candidate, dates: Stamps) -> Candidate:
    there = np.isfinite(days := dates.seconds)
    if candidate.kind != "time of day" or there.mean() < 0.5:
        return candidate
    joined = np.where(there, days, days[there][0]) + candidate.seconds
    if forward_shares(joined)[0] < 0.8:
        return candidate
    # a date that changes a row late or early at midnight is mended by the roll-over step
    score, kind = candidate.score + 0.3, "date and time of day"
    said = candidate.note or _unsure(dates, "the date")
    return Candidate(candidate.column, joined, score, kind, DAY_S, absolute=True, note=said)


def _unsure(stamps: Stamps, label: str) -> str:
    return sentence("note", "day_or_month", label=label) if stamps.unsure_order else ""


def _numbers(table: RawLog, i: int) -> Array:
    return np.asarray(table.frame.to_series(i).to_numpy(), dtype=np.float64)


def _named_number(table: RawLog, i: int, name: float) -> Iterator[Candidate]:
    column, values = table.columns[i], _counter_unrolled(_numbers(table, i))
    held = float(np.isfinite(values).mean()) if len(values) else 0.0
    forward, moving = forward_shares(values)
    if held < 0.02 or forward < (0.8 if name >= 2 else 0.95) or not (moving or len(values) <= 1):
        return
    if name < 1 and (forward < 1.0 or moving < 0.05):
        return
    if 1 <= name < 2 and moving < 0.9:  # without header the first column must look like a clock
        return
    unit, sure = _unit(column, values)
    if sure or not _is_counter(values, column):
        score = name + 0.5 * moving + 0.3 * forward + 0.2 * held - 0.01 * min(i, 20)
        yield _number(table, i, values, unit, score=score, note="" if sure else "time_unit")


def steady_candidates(table: RawLog) -> Iterator[Candidate]:
    """Columns without a name for time that rise as steadily as a clock: the last resort."""
    for i, column in enumerate(table.columns):
        if not column.numeric or words_of(column.name) & _WORDS["distance"]:
            continue
        values = _counter_unrolled(_numbers(table, i))
        forward, moving = forward_shares(values)
        d = np.diff(values)
        if len(d) < LEAST_ROWS or not np.isfinite(values).all() or forward < 1.0 - 0.01:
            continue
        step = median(d[d > 0]) if moving > STEADY else 0.0
        if step <= 0 or float((np.abs(d - step) <= 0.5 * step).mean()) < STEADY:
            continue
        unit, _ = _unit(column, values)
        likely = _fits(step * UNITS[unit][0], float(step * len(d)) * UNITS[unit][0], len(values))
        if likely >= LIKELY and not _is_counter(values, column):
            score = likely - 0.01 * i
            yield _number(table, i, values, unit, score=score, note="taken_for_clock")


def _number(
    table: RawLog, i: int, values: Array, unit: str, *, score: float, note: str
) -> Candidate:
    """A column of numbers in a unit of time. note: the row of what is said of it, or ''."""
    size, name, _ = UNITS[unit]
    label, kind, period = table.frame.columns[i], name, 0.0
    face = _hhmmss(values) if unit == "s" else None
    # a division is exact where the product is not: 1,500 ms
    seconds = values / (1.0 / size) if size < 1.0 else values * size
    if face is not None:
        seconds, kind = face, "time of day"
    elif abs(median_of_finite(values)) * size > ABSOLUTE_S:
        kind += " since 1970"
    absolute = bool(np.nanmax(np.abs(seconds)) > ABSOLUTE_S)
    if unit == "d" and note != "taken_for_clock":
        absolute = bool(np.nanmin(values) > SHEET_DAYS[0])
        seconds = seconds - (SHEET_EPOCH * DAY_S if absolute else 0.0)
        period = 0.0 if absolute else DAY_S
    said = sentence("note", note, label=label, unit=name) if note else ""
    return Candidate(label, seconds, score, kind, period, absolute, said)


def _is_counter(values: Array, column: RawColumn) -> bool:
    """Row numbers 0, 1, 2 ... under a name that is none for time."""
    d = np.diff(values[np.isfinite(values)])
    named = words_of(column.name) & (_WORDS["time"] - _WORDS["ticks"])
    return not named and len(d) > 0 and float((d == 1).mean()) > ROW_NUMBERS


def _counter_unrolled(values: Array) -> Array:
    """A counter that overflowed goes on where it was."""
    d = np.diff(values)
    if not (d < 0).any():
        return values
    step = median_of_finite(d[d > 0]) if (d > 0).any() else 0.0
    for size in OVERFLOWS:
        over = (d < -0.9 * size) & (d + size >= 0) & (d + size < max(20 * step, 0.001 * size))
        if over.any() and np.nanmax(values) < size * 1.0001:
            return np.asarray(values + np.concatenate(([0.0], np.cumsum(over) * size)))
    return values


def _unit(column: RawColumn, values: Array) -> tuple[str, bool]:
    """(unit, whether header or size leave no doubt)."""
    good = values[np.isfinite(values)]
    top = median(good) if len(good) else 0.0
    for unit in ("s", "ms", "us", "ns"):
        if EPOCH_S[0] < top * UNITS[unit][0] < EPOCH_S[1]:
            return unit, True
    told = [column.unit.strip().lower(), *(words_of(column.name) - _ALSO_WORDS)]
    if named := [_UNIT_OF[word] for word in told if word in _UNIT_OF]:
        return named[0], True
    d = np.diff(good)
    d = d[d > 0]
    if not len(d):
        return "s", True
    step, total = median(d), float(d.sum())
    if SHEET_DAYS[0] < top < SHEET_DAYS[1] and step < 6e-4:
        return "d", True
    rated = (
        (_fits(step * size, total * size, len(good)) - cost, unit)
        for unit, (size, _, cost) in UNITS.items()
        if cost is not None
    )
    (best, unit), (second, _) = sorted(rated, reverse=True)[:2]
    return unit, best - second > SURE


def _fits(step_s: float, total_s: float, rows: int) -> float:
    """Log-likelihood of a step and a duration: around 20 Hz and five minutes, a decade each way."""
    z_step = np.log10(step_s / 0.05)
    z_total = np.log10(max(total_s, 1e-9) / 300.0)
    weight = min(1.0, rows / 500)  # an excerpt may be short
    return float(-0.5 * z_step**2 - 0.5 * weight * z_total**2)


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
    return np.asarray(values // 10000 * 3600 + values // 100 % 100 * 60 + values % 100)


def _split_clock(table: RawLog) -> Iterator[Candidate]:
    """Hours, minutes and seconds each in a column of their own."""
    at = {
        part: i
        for i, column in reversed([*enumerate(table.columns)])
        if column.numeric and (part := _PART_OF.get(column.name.strip().lower()))
    }
    if not {"h", "m", "s"} <= set(at):
        return
    found = {part: _numbers(table, i) for part, i in at.items()}
    if all(np.nanmax(found[part]) < most for part, most in (("h", 24.001), ("m", 60), ("s", 60))):
        seconds = found["h"] * 3600 + found["m"] * 60 + found["s"] + found.get("f", 0.0) / 1000
        yield Candidate("hours, minutes, seconds", seconds, 3.2, "time of day", DAY_S)
