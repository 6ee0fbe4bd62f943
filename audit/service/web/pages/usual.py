"""What a car's earlier nights were like, for the sheets of measures of a night."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audit.report.page.measures import DutyCurve, History, Usual, measures_by_group

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.step.response import GearResponse, Response

# How far a curve is drawn beyond the duties logged, and in how many points.
BEYOND_PCT, POINTS = 15.0, 41
LEAST_PULLS = 5  # before a range is called usual


def wanted() -> tuple[str, ...]:
    """Columns of a pull that its history is made of."""
    return ("gear", *(m.name for measures in measures_by_group().values() for m in measures))


def history_of(pulls: pl.DataFrame | None, date: str, found: Response | None = None) -> History:
    """What stands beside a night, gear by gear. pulls: all of the car's, None without an archive;
    date: the night's ISO day; found: boost against duty, for the curve of the gear pulled most.
    """
    main = next((g for g in found.gears if g.gear == found.main), None) if found else None
    curve = None if found is None or main is None else curve_of(main, found.air.relative)
    needs = () if found is None else needs_of(found)
    before = None if pulls is None or pulls.is_empty() else pulls.filter(pulls["date"] < date)
    if before is None or before.is_empty():
        return History(curve=curve, needs=needs)
    last = str(before["date"].max())
    gears = before.partition_by("gear", as_dict=True)
    usual = {key[0]: _usual(frame, last) for key, frame in gears.items()}
    return History(last, usual, curve, needs)


def needs_of(found: Response) -> tuple[tuple[int, float, float], ...]:
    """What the targets of the other gears take, as in History, of those that were pulled and reach
    their target.
    """
    return tuple(
        (gear.gear, gear.wanted[0], gear.wanted[2])
        for gear in found.gears
        if gear.gear and gear.gear != found.main and gear.pulls
        if gear.wanted is not None and gear.wanted[2] is not None
    )


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
    every = (m.name for measures in measures_by_group().values() for m in measures)
    names = [name for name in every if name in pulls.columns]
    ranges, means = {}, {}
    on_last = pulls.filter(pulls["date"] == last)
    for name in names:
        seen = pulls[name].cast(float).drop_nulls()
        if len(seen) >= LEAST_PULLS:
            low, high = seen.quantile(0.05, "linear"), seen.quantile(0.95, "linear")
            if low is not None and high is not None:
                ranges[name] = (float(low), float(high))
        there = on_last[name].cast(float).drop_nulls()
        if len(there):
            means[name] = float(there.to_numpy().mean())
    return Usual(ranges, means)
