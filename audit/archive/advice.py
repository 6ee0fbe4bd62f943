"""A trend in words, and as a finding for the next night."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

from audit.model import Finding

if TYPE_CHECKING:
    from audit.archive.trends import Trend

SOON_NIGHTS = 20  # a limit this near is worth a 'watch'


def describe(trend: Trend) -> Trend:
    """The trend with its sentence and, where it has moved, what that usually means."""
    side = side_of(trend)
    meaning = trend.measure.means.get(side, "") if side else ""
    return dataclasses.replace(trend, said=_said(trend), meaning=meaning)


def side_of(trend: Trend) -> str | None:
    """'up', 'down' or None: which way the measure has moved."""
    if trend.shift:
        return trend.shift.side
    if trend.state == "drifting" and trend.slope:
        return "up" if trend.slope.per_night > 0 else "down"
    return None


def _said(trend: Trend) -> str:
    name = trend.measure.label.capitalize()
    n = len(trend.dates)
    if trend.state == "few":
        since = f" since '{trend.because}'" if trend.because else ""
        return f"{name}: {n} {_nights(n)}{since}, too few to say anything yet."
    if trend.shift:
        more, night = trend.shift, trend.shift_night
        way = "higher" if more.side == "up" else "lower"
        text = f"{name} is {_figure(abs(more.amount), trend)} {way} since {night} than it was before under the same conditions"
        return f"{text}{_ahead(trend)}."
    if trend.state == "drifting" and trend.slope:
        s = trend.slope
        return (
            f"{name} moves by {_figure(s.per_night * 10, trend)} in 10 nights "
            f"({_figure(s.low * 10, trend)} to {_figure(s.high * 10, trend)}){_ahead(trend)}."
        )
    return f"{name}: steady over {n} nights."


def _nights(n: int) -> str:
    return "night" if n == 1 else "nights"


def _figure(value: float, trend: Trend) -> str:
    unit = trend.measure.unit
    # a difference of two temperatures is in K
    shown = "" if unit == "1" else " K" if unit == "°C" else f" {unit}"
    return f"{value:.{trend.measure.digits}f}{shown}"


def _ahead(trend: Trend) -> str:
    ahead = trend.forecast
    if ahead is None:
        return ""
    unit = "" if trend.measure.unit == "1" else f" {trend.measure.unit}"
    return (
        f"; at this pace it reaches the limit of {ahead.limit:g}{unit} in about {ahead.nights} {_nights(ahead.nights)} "
        f"({ahead.soonest} to {ahead.latest})"
    )


def severity_of(trend: Trend) -> str | None:
    """'note' for a sure drift, 'watch' for a shift or a limit that is near, 'hold' for a serious shift."""
    if trend.shift:
        return "hold" if abs(trend.shift.amount) >= trend.measure.serious else "watch"
    if trend.state == "drifting":
        near = trend.forecast is not None and trend.forecast.nights <= SOON_NIGHTS
        return "watch" if near else "note"
    return None


def finding_of(trend: Trend) -> Finding | None:
    """The finding that the next night should carry, None when there is nothing to tell."""
    severity, side = severity_of(trend), side_of(trend)
    if severity is None or side is None:
        return None
    amount = trend.shift.amount if trend.shift else trend.slope.per_night * 10 if trend.slope else None
    limit = trend.measure.serious if severity == "hold" else trend.measure.matters
    means = f" Usually {trend.meaning}." if trend.meaning else ""
    noted = " If something was changed that night, tell it with `pullaudit note`." if trend.shift else ""
    return Finding(
        code=trend.measure.code[side], severity=severity, message=f"Over the nights: {trend.said}{means}{noted}",
        channel=trend.measure.channel or None, value=amount, limit=limit if trend.shift else None, unit=trend.measure.unit,
        likely=tuple(part.strip() for part in trend.meaning.replace(" or ", ", ").split(",") if part.strip()),
        look_at=trend.measure.look_at.get(side, ()),
    )  # fmt: skip
