"""Charts of trends and of the response to duty, as layers that the page's script draws."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np

from audit.report.display import figure, number, shown, unit_for
from audit.report.page.picture import Step, duty_chart
from audit.service.web.pages.usual import curve_of

if TYPE_CHECKING:
    from audit.archive.step.response import GearResponse, Response
    from audit.archive.store.journal import JournalNote
    from audit.archive.trend.trend import Trend

Layer = dict[str, Any]


def trend_charts(
    name: str, trend: Trend, notes: Sequence[JournalNote], *, us: bool
) -> list[dict[str, Any]]:
    """Two charts on one axis of nights: the measure itself, and how far it is from what was
    expected, with control limits.
    """
    marks = _journal(trend.dates, notes, trend.measure.name)
    if trend.shift is not None:
        marks.append({"kind": "upright", "x": trend.shift.onset, "text": "shift begins"})
    unit = "" if trend.measure.unit == "1" else trend.measure.unit
    nights = len(trend.dates)
    alike = {"ticks": _ticks(trend.dates), "tall": False, "across": "night"}

    def of_nights(kind: str, values: Sequence[float], digits: int, style: int) -> Layer:
        """The line or the points of the last nights."""
        x, y = list(range(nights - len(values), nights)), [round(v, digits) for v in values]
        return {"kind": kind, "x": x, "y": y, "style": style}

    values = [shown(v, unit, us=us) for v in trend.values]
    level = [of_nights(kind, values, 4, 0) for kind in ("line", "points")]
    if trend.baseline is not None:
        said = figure(trend.baseline, unit, us=us, digits=trend.measure.digits).strip()
        level.append(_level(shown(trend.baseline, unit, us=us), f"baseline {said}", "target"))
    if trend.forecast is not None:
        limit = trend.forecast.limit
        said = f"limit {number(limit, unit, us=us)}"
        level.append(_level(shown(limit, unit, us=us), said, "limit"))
    control = [
        of_nights("line", trend.ewma, 3, 0),
        of_nights("points", trend.scores, 3, 2),
        *(_level(end, "limit", "limit") for end in (trend.ewma_limit, -trend.ewma_limit)),
    ]
    return [
        {
            "id": name,
            "title": "The measure",
            "unit": unit_for(unit, us=us),
            "about": f"{trend.measure.label}, a point a night, corrected to the same conditions",
            "layers": level + marks,
            **alike,
            "told": _measure_told(trend, unit, us=us),
        },
        {
            "id": f"{name}-control",
            "title": "Control chart",
            "unit": "expected spreads",
            **alike,
            "about": "points: each night's distance from what was expected; line: their moving "
            "average, which should stay between the control limits",
            "told": _control_told(trend),
            "layers": control + marks,
        },
    ]


def _level(y: float, text: str, role: str) -> Layer:
    return {"kind": "level", "y": y, "text": text, "role": role}


def _measure_told(trend: Trend, unit: str, *, us: bool) -> str:
    """The chart of the measure in words."""
    if not trend.values:
        return "No night yet."
    dates, digits = trend.dates, trend.measure.digits
    low, high = int(np.argmin(trend.values)), int(np.argmax(trend.values))
    first, last, least, most = (
        figure(trend.values[i], unit, us=us, digits=digits).strip() for i in (0, -1, low, high)
    )
    return (
        f"{len(dates)} nights, from {first} on {dates[0]} to {last} on {dates[-1]}; lowest {least} "
        f"on {dates[low]}, highest {most} on {dates[high]}."
    )


def _control_told(trend: Trend) -> str:
    """The control chart in words."""
    if not trend.ewma:
        return "No moving average yet."
    outside = sum(abs(v) > trend.ewma_limit for v in trend.ewma)
    return (
        f"The moving average stands at {trend.ewma[-1]:.1f}; its limits are "
        f"{-trend.ewma_limit:.1f} and {trend.ewma_limit:.1f}. It was outside them on {outside} of "
        f"{len(trend.ewma)} nights."
    )


def _ticks(dates: Sequence[str]) -> dict[str, str]:
    """The indices of the first night, one in the middle and the last, with their days."""
    count = min(3, len(dates))
    at = [round(i * (len(dates) - 1) / max(count - 1, 1)) for i in range(count)]
    return {str(i): dates[i] for i in at}


def _journal(dates: Sequence[str], notes: Iterable[JournalNote], measure: str) -> list[Layer]:
    """An upright line where a note on this measure falls between the nights."""
    days = [date.fromisoformat(d).toordinal() for d in dates]
    out: list[Layer] = []
    for note in notes:
        day = date.fromisoformat(note.day).toordinal()
        if days and measure in note.touches and days[0] <= day <= days[-1] + 30:
            at = round(max(float(np.interp(day, days, range(len(days)))) - 0.25, -0.25), 2)
            out.append({"kind": "upright", "x": at, "text": note.text[:40]})
    return out


def response_chart(gear: GearResponse, found: Response, *, us: bool, steps: bool) -> dict[str, Any]:
    """Settled boost against duty in one gear: the pulls on the curve, the duty to try next; all as
    in the last night's air.

    steps: False where the decision is no step, so that none is drawn. Nor is one that is not beyond
    what was pulled.
    """
    relative, power = found.air.relative, float(np.median(gear.curve.power))
    names = ("duty_mean_pct", "boost_settled_kpa", "relative")
    rows = gear.rows.select(names).drop_nulls().rows() if gear.rows.height else []
    settled = [(duty, boost * (relative / air) ** power) for duty, boost, air in rows]
    following, step = gear.step.duty, None
    if steps and following is not None and following > max((d for d, _ in settled), default=0.0):
        step = Step(following, gear.curve.interval(following, relative=relative))
    return duty_chart(
        f"gear-{gear.gear}",
        "Settled boost against duty",
        settled,
        curve=curve_of(gear, relative),
        target=None if gear.wanted is None else gear.wanted[0],
        limit=found.car.boost_limit_kpa,
        step=step,
        us=us,
    )
