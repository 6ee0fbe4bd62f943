"""What has moved as findings for the next night."""

from __future__ import annotations

import re
from collections.abc import Sequence

from audit.archive.trend.trend import Trend
from audit.model import Finding
from audit.tables import toml_table

SOON_NIGHTS = 20  # a limit this near is worth a 'watch'
# between causes, not between what a bracket holds
_APART = re.compile(r"(?:,| or )+ *(?![^()]*\))")


def findings_of(trends: Sequence[Trend]) -> tuple[Finding, ...]:
    """The findings that the next night should carry.

    Where a signature stands, its finding speaks for those of its measures, unless one of these is
    worth more.
    """
    told = {name for t in trends for name in t.parts}
    found = [(t, f) for t in trends if (f := finding_of(t)) is not None]
    return tuple(f for t, f in found if t.measure.name not in told or f.severity == "hold")


def finding_of(trend: Trend) -> Finding | None:
    """The finding that the next night should carry, None when there is nothing to tell: 'note' for
    a sure drift, 'watch' for a shift or a limit that is near, 'hold' for a serious shift.
    """
    shift, measure, words = trend.shift, trend.measure, toml_table("trends.toml")["said"]
    if shift:
        amount, severity = shift.amount, "watch"
        limit = None if trend.parts else measure.matters
        if abs(amount) >= measure.serious:
            severity, limit = "hold", measure.serious
    elif trend.side and trend.slope:
        near = trend.forecast is not None and trend.forecast.nights <= SOON_NIGHTS
        amount, severity, limit = 10 * trend.slope.per_night, "watch" if near else "note", None
    else:
        return None
    means = words["means"].format(meaning=trend.meaning) if trend.meaning else ""
    noted = words["noted"] if shift else ""
    return Finding(
        code=measure.code[trend.side or ""],
        severity=severity,
        message=words["finding"].format(said=trend.said, means=means, noted=noted),
        channel=measure.channel,
        value=amount,
        limit=limit,
        unit=measure.unit,
        likely=causes(trend.meaning),
        look_at=trend.look_at,
    )


def causes(meaning: str) -> tuple[str, ...]:
    """What a shift usually means, cause by cause; what stands in a bracket stays with its cause."""
    return tuple(part for part in _APART.split(meaning) if part)
