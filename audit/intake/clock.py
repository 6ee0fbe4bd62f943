"""Which column is the clock, in which unit, and the seconds it tells."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import polars as pl

from audit.errors import UnreadableLog
from audit.intake.mend import break_note, mend
from audit.intake.parse import Table
from audit.intake.raw import Clock, RawColumn
from audit.intake.stamps import DAY_S, Stamps, date_in, iso, parse_stamps, time_in
from audit.model import Array, Note

TIME_WORDS = frozenset(
    ["time", "timestamp", "timestamps", "datetime", "timer", "zeit", "zeitstempel", "uhrzeit", "temps", "horodatage", "heure", "tiempo", "hora", "tempo", "ora", "jikan", "jikoku", "elapsed", "offset", "clock", "utc", "gmt", "epoch", "t", "tid", "tijd", "czas", "時間", "時刻", "时间", "seconds", "sec", "secs", "sekunden", "millis", "msec", "milliseconds", "laufzeit", "messzeit", "zeitachse", "logtime", "keika"]
)
_WEAK = frozenset(["t", "offset", "clock", "utc", "gmt", "epoch", "sec", "secs", "seconds", "sekunden", "millis", "msec", "milliseconds", "tempo", "ora", "timer", "hora", "heure"])
DATE_WORDS = frozenset(["date", "datum", "fecha", "data", "hizuke", "day", "tag", "jour", "dia", "datetime", "日付", "日期"])
# 'time' in these names is a measured duration, or a counter of something else
DECOYS = frozenset(
    ["run", "running", "since", "mil", "cleared", "pulse", "injector", "injection", "inj", "dwell", "open", "opening", "opened", "closed", "delay", "lag", "response", "remaining", "ign", "ignition", "spark", "duration", "lap", "sector", "best", "split", "reaction", "spool", "burn", "fuel", "cycle", "dead", "ramp", "hold", "engine", "motor", "on", "off", "warm", "last", "width", "shift", "transport", "rise", "fall", "since", "trip", "total", "idle", "einspritz", "einspritzzeit", "betriebs"]
)
NOT_TIME = frozenset(["distance", "dist", "odometer", "odo", "sample", "samples", "index", "idx", "count", "counter", "record", "row", "line", "nr", "no", "num", "number", "frame", "packet", "seq", "sequence", "id", "lap"])
UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": DAY_S}
_UNIT_NAMES = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds", "min": "minutes", "h": "hours", "d": "days"}
_SPELT = {
    "s": "s sec secs second seconds sek sekunden segundos secondes byou", "ms": "ms msec msecs millis millisecond milliseconds millisekunden milisegundos",
    "us": "us µs μs usec microsecond microseconds micros", "ns": "ns nsec nanoseconds", "min": "min mins minute minutes minuten minutos",
    "h": "h hr hrs hour hours stunden", "d": "d day days",
}
_UNIT_OF = {word: unit for unit, words in _SPELT.items() for word in words.split()}
_EPOCHS = ((0.9e9, 3e9, "s"), (0.9e12, 3e12, "ms"), (0.9e15, 3e15, "us"), (0.9e18, 3e18, "ns"))


@dataclass(frozen=True, eq=False)
class _Candidate:
    column: str
    seconds: Array
    score: float
    kind: str
    period_s: float = 0.0
    absolute: bool = False  # seconds since 1970
    note: str = ""


@dataclass(frozen=True, eq=False)
class Timed:
    """A table with its clock: rows left out where they were written twice."""

    frame: pl.DataFrame
    time: Array
    clock: Clock
    notes: tuple[Note, ...]


def find_clock(table: Table, *, rate_hz: float | None, file_name: str) -> Timed:
    """Time in s from the first row, strictly increasing. Raises UnreadableLog when there is no clock."""
    best = _best(table)
    if best is None:
        if rate_hz is None:
            raise UnreadableLog(_no_clock(table))
        time = np.arange(table.frame.height) / rate_hz
        breaks = table.restarts
        said = f"no time column; {rate_hz:g} rows a second as given"
        notes = [break_note(b, time, table.lines) for b in breaks]
        return Timed(table.frame, time, Clock(None, "given rate", breaks, _wall(None, table, file_name), said), tuple(notes))
    mended = mend(best.seconds, period_s=best.period_s, lines=table.lines, same_as_before=lambda: _same_as_before(table.frame), true_gaps=best.absolute)
    frame = table.frame if mended.keep.all() else table.frame.filter(pl.Series(mended.keep))
    notes = [*mended.notes, *([Note(best.note)] if best.note else [])]
    said = f"{best.column}, {best.kind}"
    return Timed(frame, mended.time, Clock(best.column, best.kind, mended.breaks, _wall(best, table, file_name), said), tuple(notes))


def _no_clock(table: Table) -> str:
    near = [c.header for c in table.columns if _words(c.name) & (TIME_WORDS | DATE_WORDS)]
    if near:
        return (f"no usable time column: {', '.join(near[:3])} does not run forward. "
                "Export it with a time column, or say how many rows come a second with --rate HZ")
    return "no time column. Export it with one, or say how many rows come a second with --rate HZ"


def _same_as_before(frame: pl.DataFrame) -> np.ndarray:
    same = np.ones(frame.height, dtype=bool)
    same[:1] = False
    for column in frame.get_columns():
        same[1:] &= column.head(frame.height - 1).eq_missing(column.tail(frame.height - 1)).to_numpy()
        if not same.any():
            break
    return same


# --- the candidates -----------------------------------------------------------------------------------

def _best(table: Table) -> _Candidate | None:
    found = [*_text_candidates(table), *_number_candidates(table)]
    found = [c for c in found if c.score > 0]
    return max(found, key=lambda c: c.score) if found else None


@lru_cache(maxsize=4096)
def _words(name: str) -> frozenset[str]:
    spaced = re.sub(r"(?<=[a-zäöüéè0-9])(?=[A-Z])", " ", name)
    return frozenset(w for w in re.split(r"[^\w]+|_|(?<=\D)(?=\d)|(?<=\d)(?=\D)", spaced.lower()) if w)


def _name_score(column: RawColumn, made_up: bool, first: bool) -> float:
    """3 a plain name for time, 2 time among other words, below 1 a decoy, 0 no name for it."""
    words = {w for w in _words(column.name) if not w.isdigit()}
    unit_words = words & set(_UNIT_OF)
    timely = words & TIME_WORDS
    if not timely and words and words <= set(_UNIT_OF) - {"d", "h", "min", "day"}:
        return 2.0  # a column called 'ms'
    if not timely:
        near = {w for w in words if len(w) == 4 and sum(a != b for a, b in zip(w, "time", strict=True)) == 1}  # a typing slip
        timely = near
    if not timely:
        if made_up or not words:
            return 1.5 if first else 0.0
        has_unit = column.unit.lower() in _UNIT_OF and _UNIT_OF[column.unit.lower()] in ("s", "ms", "us")
        return 0.6 if has_unit and not words & (NOT_TIME | DECOYS) else 0.0
    decoys = words & DECOYS
    if words & NOT_TIME and timely <= _WEAK:
        return 0.0
    score = 3.0 if not (words - TIME_WORDS - unit_words - {"log", "rel", "relative", "abs", "absolute", "device", "system", "start", "stamp", "of", "the", "local", "master"}) else 2.2
    if timely <= _WEAK and len(words) > 1:
        score -= 0.4
    if decoys:
        score = 0.9 if len(decoys) < 2 else 0.7
    return score


_UNSURE = "day and month in {} cannot be told apart; only the night's date hangs on it."
FEW_BACK = 3  # steps back that any clock may have: a restart, midnight, a bad stamp


def _forward(values: Array) -> tuple[float, float]:
    """(share of steps that do not go back, share of steps that move on); FEW_BACK steps are let pass."""
    good = values[np.isfinite(values)]
    if len(good) < 2:
        return 1.0, 1.0
    d = np.diff(good)
    back = float(np.count_nonzero(d < 0))
    if back <= FEW_BACK and back < 0.5 * len(d):
        back = 0.2 * back if len(d) < 20 else back
    return 1.0 - back / len(d), float((d > 0).mean())


def _number_candidates(table: Table) -> list[_Candidate]:
    out = []
    parts = _split_clock(table)
    if parts is not None:
        out.append(parts)
    for i, column in enumerate(table.columns):
        if not column.numeric:
            continue
        name = _name_score(column, table.made_up_header, i == 0)
        if name <= 0:
            continue
        series = table.frame.to_series(i)
        if series.null_count() == len(series):
            continue
        values = series.to_numpy()
        candidate = _number_candidate(column, table.frame.columns[i], np.asarray(values, dtype=np.float64), name, i)
        if candidate is not None:
            out.append(candidate)
    return out


def _number_candidate(column: RawColumn, label: str, values: Array, name: float, i: int) -> _Candidate | None:
    held = float(np.isfinite(values).mean())
    values = _counter_unrolled(values)
    forward, moving = _forward(values)
    named = name >= 2
    if forward < (0.8 if named else 0.95) or (moving == 0 and len(values) > 1) or held < 0.02:
        return None
    if name < 1 and (forward < 1.0 or moving < 0.05):
        return None
    if 1 <= name < 2 and moving < 0.9:  # a table without header: the first column must look like a clock
        return None
    unit, sure = _unit(column, values)
    seconds, kind = _to_seconds(values, unit)
    note = "" if sure else f"the unit of time in column {label} is not given; read as {_UNIT_NAMES[unit]} from the size of its steps."
    if not sure and _is_counter(values, column):
        return None
    absolute = bool(np.nanmax(np.abs(seconds)) > 6.3e8) or unit == "d"
    if unit == "d" and np.nanmin(values) > 30000:
        seconds = seconds - 25569 * DAY_S  # days since 1899-12-30, as spreadsheets count
    elif unit == "d":
        absolute = False
    score = name + 0.5 * moving + 0.3 * forward + 0.2 * held - 0.01 * min(i, 20)
    return _Candidate(label, seconds, score, kind, DAY_S if unit == "d" and not absolute else 0.0, absolute, note)


def _is_counter(values: Array, column: RawColumn) -> bool:
    """Row numbers 0, 1, 2 ... under a name that is none for time."""
    d = np.diff(values[np.isfinite(values)])
    return not _words(column.name) & TIME_WORDS and len(d) > 0 and bool((d == 1).all())


def _counter_unrolled(values: Array) -> Array:
    """A 16-bit or 32-bit counter that overflowed goes on where it was."""
    d = np.diff(values)
    if not len(d) or not (np.nan_to_num(d) < 0).any():
        return values
    for size in (65536.0, 4294967296.0, 4294967.296):
        top = np.nanmax(values)
        step = np.nanmedian(d[d > 0]) if (d > 0).any() else 0.0
        over = (d < -0.9 * size) & (d + size >= 0) & (d + size < max(20 * step, 0.001 * size))
        if over.any() and top < size * 1.0001:
            out = values.copy()
            out[1:] += np.cumsum(over) * size
            return out
    return values


def _unit(column: RawColumn, values: Array) -> tuple[str, bool]:
    """(unit, whether header or size leave no doubt)."""
    good = values[np.isfinite(values)]
    top = float(np.median(good)) if len(good) else 0.0
    for low, high, unit in _EPOCHS:
        if low < top < high:
            return unit, True
    if column.unit.strip().lower() in _UNIT_OF:
        return _UNIT_OF[column.unit.strip().lower()], True
    for word in _words(column.name):
        if word in _UNIT_OF and word not in ("d", "h", "day", "min"):
            return _UNIT_OF[word], True
    d = np.diff(good)
    d = d[d > 0]
    if not len(d):
        return "s", True
    step, total = float(np.median(d)), float(d.sum())
    if 30000 < top < 62000 and step < 6e-4:
        return "d", True
    rows = len(good)
    scores = sorted(((_fits(step * UNITS_S[u], total * UNITS_S[u], rows) - cost, u)
                     for u, cost in (("s", 0.0), ("ms", 0.0), ("us", 1.0), ("min", 3.0), ("d", 3.0))), reverse=True)
    return scores[0][1], scores[0][0] - scores[1][0] > 1.5


def _fits(step_s: float, total_s: float, rows: int) -> float:
    """Log-likelihood of a step and a duration: around 20 Hz and five minutes, a decade either way."""
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
    if len(good) and abs(float(np.median(good))) * UNITS_S[unit] > 6.3e8:
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


def _split_clock(table: Table) -> _Candidate | None:
    """Hours, minutes and seconds (and years, months, days) each in a column of their own."""
    wanted = {"hour": "h", "hours": "h", "hr": "h", "stunde": "h", "minute": "m", "minutes": "m", "min": "m", "mins": "m",
              "second": "s", "seconds": "s", "sec": "s", "sekunde": "s", "millisecond": "f", "milliseconds": "f", "msec": "f", "ms": "f"}
    found: dict[str, Array] = {}
    for i, column in enumerate(table.columns):
        key = wanted.get(column.name.strip().lower())
        if key and column.numeric and key not in found:
            found[key] = np.asarray(table.frame.to_series(i).to_numpy(), dtype=np.float64)
    if not {"h", "m", "s"} <= set(found):
        return None
    if np.nanmax(found["h"]) > 24 or np.nanmax(found["m"]) >= 60 or np.nanmax(found["s"]) >= 60:
        return None
    seconds = found["h"] * 3600 + found["m"] * 60 + found["s"] + found.get("f", np.zeros(1)) / 1000
    return _Candidate("hours, minutes, seconds", seconds, 3.2, "time of day", DAY_S)


def _text_candidates(table: Table) -> list[_Candidate]:
    out, dates = [], []
    labels = table.frame.columns
    day_first = True if table.decimal == "," else None
    texts = [table.frame.to_series(i) for i, c in enumerate(table.columns) if not c.numeric]
    if any(t.drop_nulls().head(1).str.contains(r"(?i)\d\s*[ap]\.?m\.?$").any() for t in texts):
        day_first = False  # clocks of twelve hours come with the month first
    for i, column in enumerate(table.columns):
        if column.numeric:
            if _words(column.name) & DATE_WORDS and _name_score(column, table.made_up_header, i == 0) < 3:
                stamps = _compact_dates(table.frame.to_series(i))
                if stamps is not None:
                    dates.append(stamps)
            continue
        label = labels[i]
        name = _name_score(column, table.made_up_header, i == 0)
        stamps = parse_stamps(table.frame.to_series(i), day_first=day_first)
        if stamps is None:
            continue
        if stamps.kind == "date":
            dates.append(stamps)
            continue
        bonus = 0.6 if stamps.kind == "date-time" else 0.0
        decoy = bool(_words(column.name) & DECOYS) and name < 1
        value = _text_candidate(label, stamps, (0.5 if decoy else max(name, 1.8)) + bonus)
        if value is not None:
            out.append(value)
    if dates:
        out = [_with_date(c, dates[0]) for c in out]
    return out


def _text_candidate(label: str, stamps: Stamps, name: float) -> _Candidate | None:
    seconds = stamps.seconds
    forward, moving = _forward(seconds)
    if forward < 0.8 or (moving == 0 and len(seconds) > 1) or not np.isfinite(seconds).any():
        return None
    note = _UNSURE.format(f"column {label}") if stamps.unsure_order else ""
    return _Candidate(label, seconds, name + 0.5 * moving + 0.3 * forward, stamps.kind, stamps.period_s, stamps.kind == "date-time", note)


def _with_date(candidate: _Candidate, dates: Stamps) -> _Candidate:
    if candidate.kind != "time of day":
        return candidate
    days = dates.seconds
    if np.isfinite(days).sum() < 0.5 * len(days):
        return candidate
    first = days[np.isfinite(days)][0]
    days = np.where(np.isfinite(days), days, first)
    joined = days + candidate.seconds
    if _forward(joined)[0] < 0.8:
        return candidate
    # a date that changes a row late or early at midnight is mended by the roll-over step
    return _Candidate(candidate.column, joined, candidate.score + 0.3, "date and time of day", DAY_S, True,
                      candidate.note or (_UNSURE.format("the date") if dates.unsure_order else ""))


def _compact_dates(values: pl.Series) -> Stamps | None:
    good = values.drop_nulls()
    if len(good) and float(good.min() or 0) >= 19900101 and float(good.max() or 0) <= 21001231:  # type: ignore[arg-type]
        return parse_stamps(values.cast(pl.Int64).cast(pl.String))
    return None


def _wall(best: _Candidate | None, table: Table, file_name: str) -> str | None:
    """ISO date-time of the first row, from the stamps, the preamble or the file's name."""
    first = float("nan")
    if best is not None:
        good = best.seconds[np.isfinite(best.seconds)]
        first = float(good[0])
        if best.absolute:
            return iso(first)
    day, clock = _told(table.preamble)
    if day is None:
        day = date_in(file_name)
        rest = re.search(r"(?:19|20)\d{2}[-_.]?\d{2}[-_.]?\d{2}[-_T ]+(\d{2})[-_.h]?(\d{2})[-_.m]?(\d{2})?", file_name)
        if rest and clock is None and int(rest[1]) < 24 and int(rest[2]) < 60:
            clock = int(rest[1]) * 3600.0 + int(rest[2]) * 60.0 + int(rest[3] or 0)
    if day is None:
        return None
    if best is not None and best.kind == "time of day":
        return iso(day * DAY_S + first % DAY_S)
    return iso(day * DAY_S + (clock or 0.0)) if clock is not None else (iso(day * DAY_S) or "")[:10] or None


def _told(preamble: Sequence[str]) -> tuple[float | None, float | None]:
    day = clock = None
    for line in preamble[:100]:
        if day is None:
            day = date_in(line)
        if clock is None:
            clock = time_in(line)
    return day, clock if day is not None else None
