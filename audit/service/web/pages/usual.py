"""What a car's earlier nights were like, for the sheets of measures of a night."""

from __future__ import annotations

from typing import TYPE_CHECKING

from audit.report.page.history import History, Usual
from audit.report.page.measures import GROUPS

if TYPE_CHECKING:
    import polars as pl

COLUMNS = ("gear", *(row.name for _, rows in GROUPS for row in rows))  # of a pull, that it wants
LEAST_PULLS = 5  # before a range is called usual


def history_of(pulls: pl.DataFrame, date: str) -> History:
    """What stands before a night, gear by gear. pulls: all of the car's; date: the night's ISO day."""
    if pulls.is_empty():
        return History()
    before = pulls.filter(pulls["date"] < date)
    if before.is_empty():
        return History()
    last = str(before["date"].max())
    gears = before.partition_by("gear", as_dict=True)
    return History(last, {key[0]: _usual(frame, last) for key, frame in gears.items()})


def _usual(pulls: pl.DataFrame, last: str) -> Usual:
    names = [r.name for _, rows in GROUPS for r in rows if r.name in pulls.columns]
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
