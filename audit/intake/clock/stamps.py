"""Text stamps to seconds: times of day, date-times, dates, m:s.f. Whole columns at a time."""

from __future__ import annotations

import contextlib
import re
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from audit.model import Array
from audit.tables import toml_table

DAY_S = 86400.0
_MONTHS = {
    month: number
    for number, names in enumerate(toml_table("words.toml")["clock"]["months"], 1)
    for month in names.split()
}
_TIME = (
    r"(?P<h>\d{1,4}):(?P<m>\d{1,2})(?::(?P<s>\d{1,2}))?"
    r"(?:(?P<sep>[.,:])(?P<f>\d{1,9}))?\s*(?P<ap>[AaPp]\.?[Mm]\.?)?"
)
_ZONE = r"(?:\s*(?:Z|UTC|GMT|[-+]\d{2}:?\d{2}))?"
_WEEKDAY, _BETWEEN = r"(?:[^\W\d_]{2,9}\.?,?\s+)?", r"(?:[T ,_]\s*|\s+-\s+)"
_DATES = {
    "ymd": r"(?P<y>\d{4})[-/.](?P<mo>\d{1,2})[-/.](?P<d>\d{1,2})",
    "compact": r"(?P<y>(?:19|20)\d{2})(?P<mo>\d{2})(?P<d>\d{2})",
    "two": r"(?P<d>\d{1,2})[-/.](?P<mo>\d{1,2})[-/.](?P<y>\d{4}|\d{2})",
    "name": r"(?P<d>\d{1,2})[-/. ]\s?(?P<mo>[^\W\d_]{3,9})\.?[-/., ]+(?P<y>\d{4}|\d{2})",
    "name first": r"(?P<mo>[^\W\d_]{3,9})\.?\s+(?P<d>\d{1,2}),?\s+(?P<y>\d{4})",
}
# the date's style ('' for none), whether a time stands beside it, how it is written; by rank
_FORMS = (
    ("", True, _TIME),
    *(
        form
        for style, text in _DATES.items()
        for form in (
            (style, True, f"{_WEEKDAY}{text}{_BETWEEN}{_TIME}{_ZONE}"),
            (style, False, text),
        )
    ),
    ("two", True, rf"{_TIME}[ ,]\s*{_DATES['two']}"),
)
# the commonest forms, by polars' own parser
_USUAL = {"ymd": ("%Y-%m-%dT%H:%M:%S%.f", "%Y-%m-%d %H:%M:%S%.f"), "": ("%H:%M:%S%.f",)}
LEAST_FIT = 0.8  # share of the cells that must be stamps


class Stamps(NamedTuple):
    """seconds: NaN where blank or not a stamp; since 1970-01-01 for dates. kind: 'time of day',
    'minutes and seconds', 'date-time', 'date'. period_s: where the clock rolls over, 0 for never.
    """

    seconds: Array
    kind: str
    period_s: float = 0.0
    unsure_order: bool = False  # day and month could not be told apart


def parse_stamps(cells: pl.Series, *, day_first: bool | None = None) -> Stamps | None:
    """The column as stamps, or None when too few of its cells are any."""
    texts = cells.drop_nulls()
    if len(texts) == 0:
        return None
    spread = sorted(set(np.linspace(0, len(texts) - 1, 60).astype(int).tolist()))
    probe = texts.gather(spread).str.strip_chars().to_list()
    for style, timed, form in _FORMS:
        if sum(map(bool, map(re.compile(form).fullmatch, probe))) >= LEAST_FIT * len(probe):
            usual = _usual(cells, style) if timed else None
            return usual or _read(cells, form, style, day_first, timed=timed)
    return None


def _usual(cells: pl.Series, style: str) -> Stamps | None:
    plain = style or cells.head(1).str.contains(r"^\d+:\d+:\d+(?:\.\d+)?$").any()
    for form in _USUAL.get(style, ()) if plain else ():
        if style:
            stamps = cells.str.to_datetime(form, strict=False, time_unit="us")
        else:
            stamps = cells.str.to_time(form, strict=False)
        if stamps.null_count() == cells.null_count():
            seconds = _floats(stamps.to_physical()) / (1e6 if style else 1e9)
            return Stamps(seconds, "date-time") if style else Stamps(seconds, "time of day", DAY_S)
    return None


def _read(
    cells: pl.Series, form: str, style: str, day_first: bool | None, *, timed: bool
) -> Stamps:
    parts = cells.str.strip_chars().str.extract_groups(f"^{form}$").struct.unnest()
    days, unsure = _days(parts, style, day_first) if style else (np.zeros(len(cells)), False)
    if not timed:
        return Stamps(days * DAY_S, "date", unsure_order=unsure)
    hours, minutes, fraction = _floats(parts["h"]), _floats(parts["m"]), _fraction(parts)
    half = parts["ap"].is_not_null().any()
    kind, period, seconds = "time of day", DAY_S, hours * 3600 + minutes * 60
    if parts["s"].is_not_null().any():
        seconds = seconds + np.nan_to_num(_floats(parts["s"])) + fraction
    elif not (style or half) and (parts["f"].is_not_null().any() or _moves(hours * 60 + minutes)):
        kind, period, seconds = "minutes and seconds", 3600.0, hours * 60 + minutes + fraction
    if half:
        late = parts["ap"].str.to_lowercase().str.starts_with("p").fill_null(value=False)
        seconds = seconds + 43200.0 * (late.to_numpy().astype(float) - (hours == 12))
    if not style:
        return Stamps(seconds, kind, period)
    return Stamps(days * DAY_S + seconds, "date-time", unsure_order=unsure)


def _floats(values: pl.Series) -> Array:
    return values.cast(pl.Float64, strict=False).to_numpy().astype(np.float64)


def _fraction(parts: pl.DataFrame) -> Array:
    """'.5' is half a second; ':005' counts milliseconds (hundredths when two digits wide)."""
    width = _floats(parts["f"].str.len_chars().fill_null(0))
    colon = (parts["sep"] == ":").fill_null(value=False).to_numpy()
    widest = float(width.max(initial=0.0))
    digits = np.where(colon, 2.0 if widest == 2 else max(widest, 3.0), width)
    return np.asarray(np.nan_to_num(_floats(parts["f"])) / 10.0**digits)


def _moves(total: Array) -> bool:
    """Whether 12:34 means minutes and seconds: it moves on more often than each minute of rows."""
    total = total[np.isfinite(total)]
    return len(total) > 1 and float((np.diff(total) != 0).mean()) > 0.25


def _days(parts: pl.DataFrame, style: str, day_first: bool | None) -> tuple[Array, bool]:
    """Days since 1970, and whether day and month could not be told apart."""
    year, day, month = _floats(parts["y"]), _floats(parts["d"]), _floats(parts["mo"])
    unsure = False
    if style.startswith("name"):
        short = parts["mo"].str.to_lowercase().str.slice(0, 3)
        month = _floats(short.replace_strict(_MONTHS, default=None, return_dtype=pl.Int32))
    elif style == "two":
        swap, unsure = _month_first(day, month, day_first)
        day, month = (month, day) if swap else (day, month)
    year = year + 2000.0 * (year < 100)
    ok = (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31)
    months = np.where(ok, (year - 1970.0) * 12.0 + month - 1.0, 0.0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.float64) + day - 1.0
    return np.where(ok, days, np.nan), unsure


def _month_first(day: Array, month: Array, day_first: bool | None) -> tuple[bool, bool]:
    """(month comes first, not sure). A figure over 12 is a day; else the one that changes is."""
    if (day > 12).any() or (month > 12).any():
        return not (day > 12).any(), False
    days, months = len(np.unique(day)), len(np.unique(month))
    if days != months:
        return months > days, False
    return day_first is False, bool((np.abs(day - month) > 0).any())


def iso(seconds_since_1970: float) -> str | None:
    """ISO date-time to the millisecond; None outside the years 1990 to 2100."""
    if not 6.3e8 < seconds_since_1970 < 4.1e9:
        return None
    milliseconds = timedelta(milliseconds=round(seconds_since_1970 * 1000))
    stamp = datetime(1970, 1, 1, tzinfo=UTC) + milliseconds
    return stamp.isoformat(timespec="milliseconds" if stamp.microsecond else "seconds")[:-6]


def date_in(text: str) -> float | None:
    """Days since 1970 of the first date in a text (a file name, a preamble line), or None."""
    for style, form in _DATES.items():
        found = re.search(rf"(?<!\d){form.replace('[-/.]', '[-/._]')}(?!\d)", text)
        if not found:
            continue
        year, day = int(found["y"]) + (2000 if len(found["y"]) == 2 else 0), int(found["d"])
        named = style.startswith("name")
        month = _MONTHS.get(found["mo"][:3].lower(), 0) if named else int(found["mo"])
        if style == "two" and month > 12 >= day:
            day, month = month, day
        with contextlib.suppress(ValueError):
            return float((date(year, month, day) - date(1970, 1, 1)).days)
    return None


def time_in(text: str) -> float | None:
    """Seconds of the day of the first h:m:s (or h:m) in a text, or None."""
    found = re.search(rf"(?<![\d:]){_TIME}(?![\d:])", text)
    if not found or len(found["m"]) < 2 or int(found["h"]) > 23 or int(found["m"]) > 59:
        return None
    hours = int(found["h"])
    if found["ap"]:
        hours = hours % 12 + (12 if found["ap"].lower().startswith("p") else 0)
    fraction = float(f"0.{found['f']}") if found["f"] and found["s"] else 0.0
    return hours * 3600 + int(found["m"]) * 60 + int(found["s"] or 0) + fraction
