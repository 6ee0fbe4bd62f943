"""Where the limit of a finding lies on the axis of its panel, in canonical units, as its measure
declares.
"""

from __future__ import annotations

import math

from audit.declared import Measure, all_declared
from audit.model import Finding, Limit, Measures, Pull
from audit.tables import limits_for

BESIDE_S = 0.3  # around a finding, where what its limit is counted from is read


def limit_levels(finding: Finding, measures: Measures, pull: Pull) -> list[float]:
    """Levels to draw a line at, in the panel's canonical unit; [] where the limit is none of an
    axis.

    A limit on a difference is laid on what it is a difference to: the settled boost, the target,
    the start.
    """
    limit, measure = finding.limit, _measure_of(finding, measures, pull)
    if measure is None or limit is None or not measure.line:
        return []
    if measure.line == "itself":
        return [limit]
    how, _, name = measure.line.rpartition(" ")
    base = _base(name, finding, measures, pull)
    if base is None:
        return []
    by = base * limit / 100 if how.startswith("share") else limit
    side = how.rpartition(" ")[2]
    return {"above": [base + by], "below": [base - by], "about": [base - by / 2, base + by / 2]}[
        side
    ]


def _measure_of(finding: Finding, measures: Measures, pull: Pull) -> Measure | None:
    """The measure that a finding judged: of its code's rows in its unit the one whose figure and
    limit are nearest.
    """
    named = {m.name: m for row in all_declared() for m in row.measures}
    rows = [r for r in limits_for(pull.car).rows(finding.code) if r.unit == finding.unit]

    def distance(row: Limit) -> tuple[float, float]:
        value, told = measures.get(row.measure), finding.value
        off = math.inf if value is None or told is None else abs(value - told)
        levels = [row.watch, row.hold, row.stop, *(v for at in row.along.values() for v in at)]
        gaps = [abs(v - (finding.limit or 0.0)) for v in levels if v is not None]
        return off, min(gaps, default=math.inf)

    nearest = min(rows, key=distance, default=None)
    return None if nearest is None else named.get(nearest.measure)


def _base(name: str, finding: Finding, measures: Measures, pull: Pull) -> float | None:
    """What a limit is counted from: a measure of the pull, a figure of the car, a channel at the
    finding's moment.
    """
    own = getattr(pull.car, name, None)
    if (value := measures.get(name, own)) is not None:
        return float(value)
    if not pull.log.has(name):
        return None
    series = pull.believed(name)
    if finding.start_s is not None:
        end = finding.end_s if finding.end_s is not None else finding.start_s
        series = series.within(finding.start_s - BESIDE_S, end + BESIDE_S)
    return float(series.value.mean()) if series else None
