"""What a car's earlier nights were like, for the sheets of measures of a night."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from audit.report.page.measures import DutyCurve, History, Usual, measures_by_group

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.step.response import GearResponse, Response

# How far a curve is drawn beyond the duties logged, and in how many points.
BEYOND_PCT, POINTS = 15.0, 41
LEAST_PULLS = 5  # before a range is called usual


@cache
def wanted() -> tuple[str, ...]:
    """Columns of a pull that its history is made of: its gear, and every measure."""
    return ("gear", *(m.name for measures in measures_by_group().values() for m in measures))


def history_of(pulls: pl.DataFrame | None, date: str, found: Response | None = None) -> History:
    """What stands beside a night, gear by gear. pulls: all of the car's, None without an archive;
    date: the night's ISO day; found: boost against duty, for the curve of the gear pulled most, and
    for the duty that the targets of the other gears that were pulled take.
    """
    gears = found.gears if found else ()
    curves = [curve_of(g, found.air.relative) for g in gears if found and g.gear == found.main]
    needs = tuple(
        (gear.gear, gear.wanted[0], gear.wanted[2])
        for gear in gears
        if found and gear.gear and gear.gear != found.main and gear.pulls
        if gear.wanted is not None and gear.wanted[2] is not None
    )
    last, usual = "", {}
    if pulls is not None and (before := pulls.filter(pulls["date"] < date)).height:
        last = str(before["date"].max())
        by_gear = before.partition_by("gear", as_dict=True)
        usual = {key[0]: _usual(frame, last) for key, frame in by_gear.items()}
    return History(last, usual, next(iter(curves), None), needs)


def curve_of(gear: GearResponse, relative: float) -> DutyCurve:
    """A gear's curve as the pages draw it. relative: air density of the last night over the
    reference's.
    """
    ends = gear.curve.data or (0.0, 100.0)
    low, high = max(ends[0] - BEYOND_PCT, 0.0), min(ends[1] + BEYOND_PCT, 100.0)
    duty = [low + (high - low) * i / (POINTS - 1) for i in range(POINTS)]
    bounds = zip(*(gear.curve.interval(d, relative=relative) for d in duty), strict=True)
    below, middle, above = (tuple(round(v, 3) for v in level) for level in bounds)
    return DutyCurve(tuple(duty), below, middle, above)


def _usual(pulls: pl.DataFrame, last: str) -> Usual:
    ranges: dict[str, tuple[float, float]] = {}
    means: dict[str, float] = {}
    on_last = pulls.filter(pulls["date"] == last)
    for name in filter(pulls.columns.__contains__, wanted()[1:]):
        seen, there = (rows[name].cast(float).drop_nulls().to_numpy() for rows in (pulls, on_last))
        if len(seen) >= LEAST_PULLS:
            low, high = np.quantile(seen, (0.05, 0.95))
            ranges[name] = (float(low), float(high))
        if len(there):
            means[name] = float(there.mean())
    return Usual(ranges, means)
