"""Text stamps to seconds: times of day, date-times, dates, m:s.f. Whole columns at a time."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import polars as pl

from audit.model import Array

DAY_S = 86400.0
_MONTHS = {
    m: i
    for i, names in enumerate(
        (
            "jan ene gen",
            "feb fév fev",
            "mar mär mrz",
            "apr avr abr",
            "may mai mag maj",
            "jun jui giu",
            "jul lug",
            "aug ago aoû aou",
            "sep set",
            "oct okt ott",
            "nov",
            "dec dez dic déc",
        ),
        1,
    )
    for m in names.split()
}
_TIME = (
    r"(?P<h>\d{1,4}):(?P<m>\d{1,2})(?::(?P<s>\d{1,2}))?"
    r"(?:(?P<sep>[.,:])(?P<f>\d{1,9}))?\s*(?P<ap>[AaPp]\.?[Mm]\.?)?"
)
_ZONE = r"(?:\s*(?:Z|UTC|GMT|[-+]\d{2}:?\d{2}))?"
_DATES = {
    "ymd": r"(?P<y>\d{4})[-/.](?P<mo>\d{1,2})[-/.](?P<d>\d{1,2})",
    "compact": r"(?P<y>(?:19|20)\d{2})(?P<mo>\d{2})(?P<d>\d{2})",
    "two": r"(?P<d>\d{1,2})[-/.](?P<mo>\d{1,2})[-/.](?P<y>\d{4}|\d{2})",
    "name": r"(?P<d>\d{1,2})[-/. ]\s?(?P<mon>[^\W\d_]{3,9})\.?[-/., ]+(?P<y>\d{4}|\d{2})",
    "name first": r"(?P<mon>[^\W\d_]{3,9})\.?\s+(?P<d>\d{1,2}),?\s+(?P<y>\d{4})",
}


@dataclass(frozen=True, eq=False)
class Stamps:
    """seconds: NaN where blank or not a stamp; since 1970-01-01 for dates. kind: 'time of day',
    'minutes and seconds', 'date-time', 'date'. period_s: where the clock rolls over, 0 for never.
    """

    seconds: Array
    kind: str
    period_s: float = 0.0
    unsure_order: bool = False  # day and month could not be told apart


def parse_stamps(cells: pl.Series, *, day_first: bool | None = None) -> Stamps | None:
    """The column as stamps, or None when fewer than 80 % of its cells are any."""
    texts = cells.drop_nulls()
    if len(texts) == 0:
        return None
    probe = (
        texts.gather(sorted(set(np.linspace(0, len(texts) - 1, 60).astype(int).tolist())))
        .str.strip_chars()
        .to_list()
    )
    for pattern, style in _patterns():
        hits = sum(pattern.fullmatch(t) is not None for t in probe)
        if hits >= 0.8 * len(probe):
            return _read(cells, pattern, style, day_first)
    return None


def _patterns() -> list[tuple[re.Pattern[str], str]]:
    out = [(re.compile(_TIME), "time")]
    for style, text in _DATES.items():
        out.append(
            (
                re.compile(
                    rf"(?:[^\W\d_]{{2,9}}\.?,?\s+)?{text}(?:[T ,_]\s*|\s+-\s+){_TIME}{_ZONE}"
                ),
                style,
            )
        )
        out.append((re.compile(text), style + " only"))
    out.append((re.compile(rf"{_TIME}[ ,]\s*{_DATES['two']}"), "two"))
    return out


def _read(cells: pl.Series, pattern: re.Pattern[str], style: str, day_first: bool | None) -> Stamps:
    usual = _usual(cells, style)
    if usual is not None:
        return usual
    parts = cells.str.strip_chars().str.extract_groups(f"^{pattern.pattern}$").struct
    fields = set(parts.fields)

    def number(name: str) -> Array:
        if name not in fields:
            return np.zeros(len(cells))
        return parts.field(name).cast(pl.Float64, strict=False).to_numpy().astype(np.float64)

    days, unsure = (np.zeros(len(cells)), False)
    if style != "time":
        days, unsure = _days(parts, fields, style, day_first)
        if style.endswith("only"):
            return Stamps(days * DAY_S, "date", unsure_order=unsure)
    hours, minutes = number("h"), number("m")
    has_s = parts.field("s").is_not_null().any()
    fraction = _fraction(parts)
    half = parts.field("ap").is_not_null().any()
    if has_s:
        seconds = hours * 3600 + minutes * 60 + np.nan_to_num(number("s")) + fraction
        kind, period = "time of day", DAY_S
    elif (
        style == "time"
        and not half
        and (parts.field("f").is_not_null().any() or _steps_of_a_second(hours, minutes))
    ):
        seconds, kind, period = hours * 60 + minutes + fraction, "minutes and seconds", 3600.0
    else:
        seconds, kind, period = hours * 3600 + minutes * 60, "time of day", DAY_S
    if half:
        late = (
            parts.field("ap")
            .str.to_lowercase()
            .str.starts_with("p")
            .fill_null(value=False)
            .to_numpy()
        )
        seconds = np.where(hours == 12, seconds - 43200, seconds) + np.where(late, 43200.0, 0.0)
    if style == "time":
        return Stamps(seconds, kind, period)
    return Stamps(days * DAY_S + seconds, "date-time", unsure_order=unsure)


def _usual(cells: pl.Series, style: str) -> Stamps | None:
    """The two commonest forms, 2026-11-25 20:15:00.5 and 20:15:00.5, by polars' own parser."""
    if style == "ymd":
        for between in ("T", " "):
            stamps = cells.str.to_datetime(
                f"%Y-%m-%d{between}%H:%M:%S%.f", strict=False, time_unit="us"
            )
            if stamps.null_count() == cells.null_count():
                return Stamps(_floats(stamps.to_physical()) / 1e6, "date-time")
    if style == "time" and cells.head(1).str.contains(r"^\d+:\d+:\d+(?:\.\d+)?$").any():
        times = cells.str.to_time("%H:%M:%S%.f", strict=False)
        if times.null_count() == cells.null_count():
            return Stamps(_floats(times.to_physical()) / 1e9, "time of day", DAY_S)
    return None


def _floats(values: pl.Series) -> Array:
    return np.asarray(values.cast(pl.Float64).to_numpy(), dtype=np.float64)


def _fraction(parts: pl.series.struct.StructNameSpace) -> Array:
    """'.5' is half a second; ':005' counts milliseconds (hundredths when two digits wide)."""
    digits = parts.field("f")
    value = np.nan_to_num(digits.cast(pl.Float64, strict=False).to_numpy().astype(np.float64))
    width = digits.str.len_chars().fill_null(0).cast(pl.Float64).to_numpy()
    colon = (parts.field("sep") == ":").fill_null(value=False).to_numpy()
    widest = float(width.max()) if len(width) else 0.0
    seconds: Array = value / 10.0 ** np.where(
        colon, 2.0 if widest == 2 else max(widest, 3.0), width
    )
    return seconds


def _steps_of_a_second(hours: Array, minutes: Array) -> bool:
    """Whether 12:34 means minutes and seconds: it then moves on more often than once a minute of
    rows.
    """
    total = hours * 60 + minutes
    total = total[np.isfinite(total)]
    return len(total) > 1 and float((np.diff(total) != 0).mean()) > 0.25


def _days(
    parts: pl.series.struct.StructNameSpace, fields: set[str], style: str, day_first: bool | None
) -> tuple[Array, bool]:
    year = parts.field("y").cast(pl.Int32, strict=False)
    year = year + (year < 100).cast(pl.Int32) * 2000
    day = parts.field("d").cast(pl.Int32, strict=False)
    unsure = False
    if "mon" in fields:
        month = (
            parts.field("mon")
            .str.to_lowercase()
            .str.slice(0, 3)
            .replace_strict(_MONTHS, default=None, return_dtype=pl.Int32)
        )
    else:
        month = parts.field("mo").cast(pl.Int32, strict=False)
        if style.startswith("two"):
            swap, unsure = _month_first(day, month, day_first)
            day, month = (month, day) if swap else (day, month)
    y, m, d = (_floats(part) for part in (year, month, day))
    ok = (m >= 1) & (m <= 12) & (d >= 1) & (d <= 31)
    months = np.where(ok, (y - 1970.0) * 12.0 + m - 1.0, 0.0).astype("datetime64[M]")
    days = months.astype("datetime64[D]").astype(np.float64) + d - 1.0
    return np.where(ok, days, np.nan), unsure


def _month_first(day: pl.Series, month: pl.Series, day_first: bool | None) -> tuple[bool, bool]:
    """(month comes first, not sure). The first figure over 12 is a day; else the one that changes
    is.
    """
    if (day > 12).any():
        return False, False
    if (month > 12).any():
        return True, False
    if day.n_unique() != month.n_unique():
        return month.n_unique() > day.n_unique(), False
    if day_first is not None:
        return not day_first, day.drop_nulls().len() > 0 and not bool((day == month).all())
    return False, not bool((day == month).all())


def iso(seconds_since_1970: float) -> str | None:
    """ISO date-time to the millisecond; None outside the years 1990 to 2100."""
    if not np.isfinite(seconds_since_1970) or not 6.3e8 < seconds_since_1970 < 4.1e9:
        return None
    whole = date(1970, 1, 1) + timedelta(days=int(seconds_since_1970 // DAY_S))
    rest = round(seconds_since_1970 % DAY_S, 3)
    hours, minutes = int(rest // 3600), int(rest % 3600 // 60)
    text = f"{whole.isoformat()}T{hours:02d}:{minutes:02d}:{int(rest % 60):02d}"
    part = round(rest % 1, 3)
    return text + (f"{part:.3f}"[1:] if 0 < part < 1 else "")


def date_in(text: str) -> float | None:
    """Days since 1970 of the first date written in a text (a file name, a preamble line), or
    None.
    """
    for style in ("ymd", "compact", "two", "name", "name first"):
        loose = _DATES[style].replace("[-/.]", "[-/._]")
        found = re.search(rf"(?<!\d){loose}(?!\d)", text)
        if not found:
            continue
        groups = found.groupdict()
        year = int(groups["y"]) + (2000 if len(groups["y"]) == 2 else 0)
        month = (
            _MONTHS.get((groups.get("mon") or "")[:3].lower())
            if "mon" in groups
            else int(groups["mo"])
        )
        day = int(groups["d"])
        if style == "two" and month is not None and month > 12 >= day:
            day, month = month, day
        try:
            return float((date(year, month or 0, day) - date(1970, 1, 1)).days)
        except ValueError:
            continue
    return None


def time_in(text: str) -> float | None:
    """Seconds of the day of the first h:m:s (or h:m) in a text, or None."""
    found = re.search(rf"(?<![\d:]){_TIME}(?![\d:])", text)
    if not found or len(found["m"]) < 2 or int(found["h"]) > 23 or int(found["m"]) > 59:
        return None
    hours = int(found["h"])
    if found["ap"]:
        hours = hours % 12 + (12 if found["ap"].lower().startswith("p") else 0)
    return (
        hours * 3600
        + int(found["m"]) * 60
        + int(found["s"] or 0)
        + float(f"0.{found['f']}" if found["f"] and found["s"] else 0)
    )
