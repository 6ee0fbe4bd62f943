"""Trends and fleet as lines of text, as wide as the screen, and as JSON-ready documents."""

from __future__ import annotations

import dataclasses
import math
import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from audit.archive.trend.fleet import Standing
from audit.archive.trend.trend import Trend, Trends
from audit.archive.watched import called, chart_settings

WIDTH = 80
CHART_WIDTH = 24
BARS = "▁▂▃▄▅▆▇█"
STATES = {
    "few": "too few",
    "steady": "steady",
    "not_sure": "not sure",
    "past_limit": "PAST LIMIT",
    "drifting": "drifts",
    "shifted": "SHIFTED",
}
QUIET = ("few", "steady", "not_sure")
TABLE_WIDTH = 78  # of a row with its chart; a narrower screen goes without


def chart(values: Sequence[float], *, width: int = CHART_WIDTH, least_span: float = 0.0) -> str:
    """A line of bars, one a group of nights, lowest to highest value; "" for no values.

    least_span: the height that fills the chart at least, so that noise does not look like a cliff.
    """
    if not values:
        return ""
    groups = (
        [values[len(values) * i // width : len(values) * (i + 1) // width] for i in range(width)]
        if len(values) > width
        else [[v] for v in values]
    )
    means = [sum(group) / len(group) for group in groups]
    low, high = min(means), max(means)
    middle, span = (low + high) / 2, max(high - low, least_span, 1e-12)
    places = (
        math.floor((m - middle) / span * (len(BARS) - 1) + (len(BARS) - 1) / 2 + 0.5) for m in means
    )
    return "".join(BARS[min(max(p, 0), len(BARS) - 1)] for p in places)


def _plain_number(value: float, _unit: str, digits: int) -> str:
    return f"{value:.{digits}f}"


@dataclass(frozen=True)
class Shown:
    """How figures are shown: a message, a number of a unit with digits, a unit's name, how many
    columns. Metric as it stands.
    """

    message: Callable[[str], str] = str
    number: Callable[[float, str, int], str] = _plain_number
    unit: Callable[[str], str] = str
    width: int = WIDTH


METRIC = Shown()


def trend_lines(found: Trends, *, shown: Shown = METRIC) -> list[str]:
    """The trends of one car: a table, then what has moved in sentences."""
    nights = f"{len(found.dates)} night{'s' if len(found.dates) != 1 else ''}"
    spread = f", {found.dates[0]} to {found.dates[-1]}" if found.dates else ""
    lines = _wrapped(f"{found.car}: {nights}{spread}", shown)
    if not found.trends:
        return [*lines, "No pull has a measure that can be followed yet."]
    drawn = f"  {'nights':<{CHART_WIDTH}}" if shown.width >= TABLE_WIDTH else ""
    lines += ["", f"{'measure':<23} {'first':>6} {'now':>6}{drawn}  state"]
    lines += [_row(t, shown) for t in found.trends if t.measure.kind != "joint" or t.shift]
    moved = [t for t in found.trends if t.state not in QUIET]
    unsure = [t for t in found.trends if t.state == "not_sure" and t.measure.kind != "joint"]
    for t in [*moved, *unsure]:
        lines.append("")
        for text in (
            shown.message(t.said),
            f"Usually {t.meaning}." if t.meaning else "",
            f"Look at: {'; '.join(t.look_at)}." if t.look_at else "",
        ):
            lines += _wrapped(text, shown)
    if not moved:
        lines += ["", *_wrapped(_nothing_moved(found), shown)]
    for note in found.notes:
        lines += [
            "",
            *_wrapped(
                f"Noted {note.day}: {note.text} (new baseline for "
                f"{called(note.touches) or 'nothing'}).",
                shown,
            ),
        ]
    return lines


def _nothing_moved(found: Trends) -> str:
    if any(t.state != "few" for t in found.trends):
        return "Nothing has moved that is worth a word."
    most = max(len(t.dates) for t in found.trends)
    more = int(chart_settings()["least_nights"]) + 1 - most
    return f"Too few nights to tell a trend yet: {more} more {'night' if more == 1 else 'nights'}."


def _row(t: Trend, shown: Shown) -> str:
    unit = "" if t.measure.unit == "1" else f", {shown.unit(t.measure.unit)}"
    name = f"{called([t.measure.name])}{unit.replace(' per 1000 rpm', '/krpm')}"[:23]
    first, now = (_number(v, t, shown) for v in (t.baseline, t.level))
    drawn = ""
    if shown.width >= TABLE_WIDTH:
        drawn = f"  {chart(t.values, least_span=2 * t.measure.matters):<{CHART_WIDTH}}"
    return f"{name:<23} {first:>6} {now:>6}{drawn}  {STATES[t.state]}"


def _number(value: float | None, t: Trend, shown: Shown) -> str:
    return "–" if value is None else shown.number(value, t.measure.unit, t.measure.digits)


def fleet_lines(standings: Iterable[Standing]) -> list[str]:
    """All cars, one a line, worst first, each with what is worst about it."""
    rows = list(standings)
    if not rows:
        return ["No car in this archive yet."]
    lines = [f"{'car':<24} {'nights':>6}  {'last night':<10}  {'verdict':<7}  trends"]
    for s in rows:
        moved = called(s.moved) or "steady"
        first = f"{s.car[:24]:<24} {s.nights:>6}  {s.last:<10}  {s.verdict:<7}  "
        lines += textwrap.wrap(
            moved, WIDTH, initial_indent=first, subsequent_indent=" " * len(first)
        )
    return lines


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
        "findings": [dataclasses.asdict(f) for f in found.findings],
        "notes": [{"date": n.day, "text": n.text, "touches": list(n.touches)} for n in found.notes],
    }


def _measure(t: Trend) -> dict[str, Any]:
    shift, charts = None, ("values", "scores", "ewma", "cusum_high", "cusum_low")
    if t.shift is not None:
        shift = {"side": t.shift.side, "amount": t.shift.amount, "chart": t.shift.which}
        shift |= {"since": t.shift_night, "told": t.raised_night}
    slope = None if t.slope is None else dataclasses.asdict(t.slope)
    return {
        "name": t.measure.name,
        "unit": t.measure.unit,
        "state": t.state,
        "said": t.said,
        "meaning": t.meaning or None,
        "look_at": list(t.look_at),
        **{name: getattr(t, name) for name in ("baseline", "level", "limit")},
        "nights": list(t.dates),
        **{name: list(getattr(t, name)) for name in charts},
        "ewma_limit": t.ewma_limit,
        "shift": shift,
        "slope": slope and {name: v for name, v in slope.items() if name != "level"},
        "reaches": None if t.forecast is None else dataclasses.asdict(t.forecast),
    }


def fleet_document(standings: Iterable[Standing]) -> dict[str, Any]:
    """The fleet as a JSON-ready document, 'pullaudit.fleet' version 1, worst first."""
    return {
        "document": "pullaudit.fleet",
        "version": 1,
        "cars": [dataclasses.asdict(s) for s in standings],
    }
