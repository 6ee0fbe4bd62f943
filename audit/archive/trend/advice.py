"""A trend in words, and as a finding for the next night."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

from audit.archive.trend.trend import Trend
from audit.archive.watched import watched
from audit.model import Finding

SOON_NIGHTS = 20  # a limit this near is worth a 'watch'
_APART = re.compile(
    r"(?:,| or )+ *(?![^()]*\))"
)  # between causes, not between what a bracket holds
LATE_NIGHTS = 5  # what "of late" is a mean of: the nights that the moving average weighs most


def describe(trend: Trend, others: Sequence[Trend] = ()) -> Trend:
    """The trend with its sentence and, where it has moved, what that usually means.

    others: the trends of its parts, for one that is a signature of several measures.
    """
    meaning = trend.measure.means.get(trend.told_as, "")
    said = _said_of_parts(trend, others) if trend.parts else _said(trend)
    return dataclasses.replace(trend, said=said, meaning=meaning)


def _said_of_parts(trend: Trend, others: Sequence[Trend]) -> str:
    named = {t.measure.name: t for t in others}
    told = [
        (
            f"{named[name].measure.label} {_figure(abs(amount), named[name])} "
            f"{'higher' if amount > 0 else 'lower'}"
        )
        for name, amount in trend.parts.items()
    ]
    listed = f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else told[0]
    return (
        f"{trend.measure.label.capitalize()}: since {trend.shift_night} {listed} than before "
        "under the same conditions."
    )


def _said(trend: Trend) -> str:
    name = trend.measure.label.capitalize()
    n = len(trend.dates)
    if trend.state == "few":
        since = f" since '{trend.because}'" if trend.because else ""
        return f"{name}: {n} {_nights(n)}{since}, too few to say anything yet."
    if trend.shift:
        more, night = trend.shift, trend.shift_night
        way = "higher" if more.side == "up" else "lower"
        text = (
            f"{name} is {_figure(abs(more.amount), trend)} {way} since {night} than it was before "
            "under the same conditions"
        )
        return f"{text}{_ahead(trend)}."
    if trend.state == "drifting" and trend.slope:
        s = trend.slope
        return (
            f"{name} moves by {_figure(s.per_night * 10, trend)} in 10 nights "
            f"({_figure(s.low * 10, trend)} to {_figure(s.high * 10, trend)}){_ahead(trend)}."
        )
    if trend.state == "past_limit" and trend.limit is not None and trend.level is not None:
        return (
            f"{name}: {_level(trend.level, trend)} of late, past its limit of "
            f"{_level(trend.limit, trend)}, though it has not changed over these nights."
        )
    if trend.state == "not_sure":
        return _not_sure(trend)
    return f"{name}: steady over {n} nights."


def _not_sure(trend: Trend) -> str:
    """What is past the chart's own limit and yet no shift."""
    name = trend.measure.label.capitalize()
    late = trend.residuals[-LATE_NIGHTS:]
    off = sum(late) / len(late)
    way, side = ("higher", "up") if off > 0.0 else ("lower", "down")
    why = "which by itself is no fault"
    if trend.measure.bad in (side, "both"):
        matters = _figure(trend.measure.matters, trend)
        why = f"too little (under {matters}) or too new to call it a shift: more nights tell"
    return f"{name}: not sure. About {_figure(abs(off), trend)} {way} of late than before, {why}."


def _nights(n: int) -> str:
    return "night" if n == 1 else "nights"


def _figure(value: float, trend: Trend) -> str:
    unit = trend.measure.unit
    # a difference of two temperatures is in K
    shown = "" if unit == "1" else " K" if unit == "°C" else f" {unit}"
    return f"{value:.{trend.measure.digits}f}{shown}"


def _level(value: float, trend: Trend) -> str:
    unit = "" if trend.measure.unit == "1" else f" {trend.measure.unit}"
    return f"{value:.{trend.measure.digits}f}{unit}"


def _ahead(trend: Trend) -> str:
    ahead = trend.forecast
    if ahead is None:
        return ""
    unit = "" if trend.measure.unit == "1" else f" {trend.measure.unit}"
    return (
        f"; at this pace it reaches the limit of {ahead.limit:g}{unit} in about {ahead.nights} "
        f"{_nights(ahead.nights)} ({ahead.soonest} to {ahead.latest})"
    )


def severity_of(trend: Trend) -> str | None:
    """'note' for a sure drift, 'watch' for a shift or a limit that is near, 'hold' for a serious
    shift.
    """
    if trend.parts:
        return "watch"
    if trend.shift:
        return "hold" if abs(trend.shift.amount) >= trend.measure.serious else "watch"
    if trend.state == "drifting":
        near = trend.forecast is not None and trend.forecast.nights <= SOON_NIGHTS
        return "watch" if near else "note"
    return None


def findings_of(trends: Sequence[Trend]) -> tuple[Finding, ...]:
    """The findings that the next night should carry.

    Where a signature stands, its finding speaks for those of its measures, unless one of these is
    worth more.
    """
    told = {name for t in trends for name in t.parts}
    found = [(t, f) for t in trends if (f := finding_of(t)) is not None]
    return tuple(f for t, f in found if t.measure.name not in told or f.severity == "hold")


def causes(meaning: str) -> tuple[str, ...]:
    """What a shift usually means, cause by cause; what stands in a bracket stays with its cause."""
    return tuple(part for part in _APART.split(meaning) if part)


def _lifted_by(trend: Trend) -> str:
    """What ends the alarm of a shift that nobody can see the reason of."""
    labels = {m.name: m.label for m in watched()}
    named = " and ".join(labels[name] for name in trend.parts or (trend.measure.name,))
    return (
        " What lifts it: mend it and note the part (`pullaudit note`), as what was changed that "
        f'night; or, all looked at and well, note "{named} is how my car is".'
    )


def finding_of(trend: Trend) -> Finding | None:
    """The finding that the next night should carry, None when there is nothing to tell."""
    severity, side = severity_of(trend), trend.side
    if severity is None or side is None:
        return None
    amount = (
        trend.shift.amount if trend.shift else trend.slope.per_night * 10 if trend.slope else None
    )
    limit = trend.measure.serious if severity == "hold" else trend.measure.matters
    means = f" Usually {trend.meaning}." if trend.meaning else ""
    noted = _lifted_by(trend) if trend.shift else ""
    return Finding(
        code=trend.measure.code[side],
        severity=severity,
        message=f"Over the nights: {trend.said}{means}{noted}",
        channel=trend.measure.channel or None,
        value=amount,
        limit=limit if trend.shift and not trend.parts else None,
        unit=trend.measure.unit,
        likely=causes(trend.meaning),
        look_at=trend.look_at,
    )
