"""Trends and fleet as lines of text, as wide as the screen, and as JSON-ready documents."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import chain, pairwise
from typing import TYPE_CHECKING, Any

from audit.archive.trend.fleet import MOVED, Standing
from audit.archive.trend.trend import Trend, Trends, counted
from audit.archive.watched import called, chart_settings
from audit.tables import toml_table

if TYPE_CHECKING:
    import polars as pl

WIDTH = 80
CHART_WIDTH = 24
BARS = "▁▂▃▄▅▆▇█"
FEW = 3  # nights that make a season readable
BEST = ("duty_mean_pct", "boost_settled_kpa", "lambda_max", "intake_peak_c")  # of a night's pulls
SEASON = "{:<10} {:<7} {:>2} {:>4} {:>6} {:>6} {:>5}"  # 46 columns
TABLE_WIDTH = 78  # of a row with its chart; a narrower screen goes without


def chart(values: Sequence[float], *, width: int = CHART_WIDTH, least_span: float = 0.0) -> str:
    """A line of bars, one a group of nights, lowest to highest value; "" for no values.

    least_span: the height that fills the chart at least, so that noise does not look like a cliff.
    """
    n = min(len(values), width)
    ends = [len(values) * i // n for i in range(n + 1)] if n else [0]
    means = [sum(values[a:b]) / (b - a) for a, b in pairwise(ends)]
    low, high, most = min(means, default=0.0), max(means, default=0.0), len(BARS) - 1
    span = max(high - low, least_span, 1e-12)
    places = (math.floor((m - (low + high) / 2) / span * most + (most + 1) / 2) for m in means)
    return "".join(BARS[min(max(p, 0), most)] for p in places)


@dataclass(frozen=True)
class Shown:
    """How figures are shown: a message, a number of a unit with digits, a unit's name, how many
    columns. Metric as it stands.
    """

    message: Callable[[str], str] = str
    number: Callable[[float, str, int], str] = lambda value, _unit, digits: f"{value:.{digits}f}"
    unit: Callable[[str], str] = str
    width: int = WIDTH


METRIC = Shown()


def trend_lines(found: Trends, *, shown: Shown = METRIC) -> list[str]:
    """The trends of one car: a table, then what has moved in sentences."""
    spread = f", {found.dates[0]} to {found.dates[-1]}" if found.dates else ""
    lines = _wrapped(f"{found.car}: {counted(len(found.dates))}{spread}", shown)
    if not found.trends:
        return [*lines, "No pull has a measure that can be followed yet."]
    drawn = f"  {'nights':<{CHART_WIDTH}}" if shown.width >= TABLE_WIDTH else ""
    lines += ["", f"{'measure':<23} {'first':>6} {'now':>6}{drawn}  state"]
    lines += [_row(t, shown) for t in found.trends if not t.measure.parts or t.shift]
    moved = [t for t in found.trends if t.state in MOVED]
    unsure = [t for t in found.trends if t.state == "not_sure" and not t.measure.parts]
    for t in [*moved, *unsure]:
        means = f"Usually {t.meaning}." if t.meaning else ""
        look = f"Look at: {'; '.join(t.look_at)}." if t.look_at else ""
        told = (_wrapped(text, shown) for text in (shown.message(t.said), means, look))
        lines += ["", *chain(*told)]
    said = [] if moved else ["Nothing has moved that is worth a word."]
    if all(t.state == "few" for t in found.trends):
        more = _least() - max(len(t.dates) for t in found.trends)
        said = [f"Too few nights to tell a trend yet: {_more(more)}."]
    for note in found.notes:
        touched = called(note.touches) or "nothing"
        said.append(f"Noted {note.day}: {note.text} (new baseline for {touched}).")
    return lines + [line for text in said for line in ("", *_wrapped(text, shown))]


def _least() -> int:
    """Nights from which on a trend is charted."""
    return int(chart_settings()["least_nights"]) + 1


def _more(nights: int) -> str:
    return f"{nights} more {counted(nights).split()[1]}"


def _row(t: Trend, shown: Shown) -> str:
    m = t.measure
    unit = f", {shown.unit(m.unit)}".removesuffix(", 1").replace(" per 1000 rpm", "/krpm")
    name = f"{called([m.name])}{unit}"[:23]
    first, now = (shown.number(v, m.unit, m.digits) for v in (t.baseline, t.level))
    drawn = ""
    if shown.width >= TABLE_WIDTH:
        drawn = f"  {chart(t.values, least_span=2 * m.matters):<{CHART_WIDTH}}"
    return f"{name:<23} {first:>6} {now:>6}{drawn}  {toml_table('trends.toml')['state'][t.state]}"


def season_lines(
    nights: pl.DataFrame,
    pulls: pl.DataFrame,
    *,
    shown: Shown = METRIC,
    afr: float | None = None,
) -> list[str]:
    """Date, verdict, pulls, highest duty, boost of the best pull, leanest, hottest intake air; 46
    columns.

    nights, pulls: the car's rows of the archive. afr: the mixture is told as air-fuel ratio, so
    much of it for one of lambda.
    """
    told: tuple[Callable[[float], str], ...] = (
        lambda duty: f"{round(duty, 1):g}",
        lambda boost: shown.number(boost, "kPa", 1),
        lambda lean: f"{lean:.2f}" if afr is None else f"{lean * afr:.1f}",
        lambda air: shown.number(air, "°C", 0),
    )
    mixture = "lambda" if afr is None else "AFR"
    units = "", "", "", "%", shown.unit("kPa"), "max", shown.unit("°C")
    lines = [SEASON.format("night", "verdict", "n", "duty", "boost", mixture, "air")]
    lines.append(SEASON.format(*units))
    order = [c for c in ("date", "added_at", "night_id") if c in nights.columns]
    for night in nights.sort(order).iter_rows(named=True):
        rows = pulls.filter(pulls["night_id"] == night["night_id"])
        most = (rows[c].cast(float).max() if c in rows.columns else None for c in BEST)
        said = ("–" if v is None else tell(v) for tell, v in zip(told, most, strict=True))  # type: ignore[arg-type]
        lines.append(SEASON.format(night["date"], night["verdict"], rows.height, *said))
    if (more := FEW - nights.height) > 0:
        lines.append(f"{_more(more)} and this shows a direction.")
    if (more := _least() - nights.height) > 0:
        lines.append(f"Trends are charted from {_least()} nights on: {more} more.")
    return lines


def fleet_lines(standings: Iterable[Standing]) -> list[str]:
    """All cars, one a line, worst first, each with what is worst about it."""
    lines = [f"{'car':<24} {'nights':>6}  {'last night':<10}  {'verdict':<7}  trends"]
    for s in standings:
        moved = called(s.moved) or "steady"
        first = f"{s.car[:24]:<24} {s.nights:>6}  {s.last:<10}  {s.verdict:<7}  "
        lines += textwrap.wrap(moved, WIDTH, initial_indent=first, subsequent_indent=" " * 55)
    return lines if len(lines) > 1 else ["No car in this archive yet."]


def _wrapped(text: str, shown: Shown) -> list[str]:
    return textwrap.wrap(text, shown.width, break_long_words=False)


def trends_document(found: Trends) -> dict[str, Any]:
    """The trends as a JSON-ready document, 'pullaudit.trends' version 1; what is unknown is
    null.
    """
    return {
        "document": "pullaudit.trends",
        "version": 1,
        "car": found.car,
        "nights": list(found.dates),
        "measures": [_measure(t) for t in found.trends],
        "findings": [asdict(f) for f in found.findings],
        "notes": [{"date": n.day, "text": n.text, "touches": list(n.touches)} for n in found.notes],
    }


def _measure(t: Trend) -> dict[str, Any]:
    same = ("state", "said", "look_at", "baseline", "level", "values", "scores", "ewma")
    shift, slope, told = t.shift, asdict(t.slope) if t.slope else {}, {}
    slope.pop("level", None)
    if shift:
        told = {"side": shift.side, "amount": shift.amount, "chart": shift.which}
        told |= {"since": t.dates[shift.onset], "told": t.dates[shift.raised]}
    return {name: getattr(t, name) for name in (*same, "ewma_limit")} | {
        "name": t.measure.name,
        "unit": t.measure.unit,
        "meaning": t.meaning or None,
        "limit": t.limit.hold if t.limit else None,
        "nights": t.dates,
        "cusum_high": t.cusum("up"),
        "cusum_low": t.cusum("down"),
        "shift": told or None,
        "slope": slope or None,
        "reaches": t.forecast and asdict(t.forecast),
    }


def fleet_document(standings: Iterable[Standing]) -> dict[str, Any]:
    """The fleet as a JSON-ready document, 'pullaudit.fleet' version 1, worst first."""
    return {"document": "pullaudit.fleet", "version": 1, "cars": [asdict(s) for s in standings]}
