"""Several sensors of one quantity: two lambda banks, knock by cylinder, absolute and gauge
pressure.

Each further column that reads as a channel already taken becomes NAME_2, NAME_3, ... in the order
of how well it reads. Left out: a filtered, modelled or averaged column, a copy of another column in
the same or another scale, and a pressure that may be the airbox's by its name and does not move
with the first. A sensor is never left out for being bad: a frozen one is kept, to be judged so.
Does not see: a copy that comes some rows late.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from audit.intake.names.naming import Named, header_of
from audit.intake.names.words import read_header
from audit.intake.raw import RawColumn
from audit.model import Array, base_of
from audit.signal.arrays import median, quantile
from audit.tables import row_of

MOST = 16  # sensors of one quantity
NO_SENSOR = frozenset(("filtered", "model"))  # ideas of a header that is no sensor's own reading
ROUNDING = 0.75  # of the sum of both columns' steps: what is left between a column and its copy
MOVES = 20.0  # steps of its own that a column must cover before a copy of it can be told
LEAST_ROWS = 12
ZERO_SHARE = 0.02  # of a pressure's range: a cut on the axis that is none
# ideas by which a name alone says manifold pressure, however the column moves; 'intake pressure'
# may be the airbox's
SAYS_MANIFOLD = frozenset(("boost", "manifold", "charge"))
TOGETHER = 0.5  # correlation of two sensors of one quantity, where the first moves


def further_sensors(
    named: Sequence[Named], columns: Sequence[RawColumn], thinned: Sequence[Array | None]
) -> list[Named]:
    """The columns with NAME_2, NAME_3, ... where they are further sensors; else why they are none.

    thinned: rows of evidence of each column, None for one without numbers.
    """
    out = list(named)
    kept: dict[str, list[int]] = {}
    for i, one in sorted(enumerate(named), key=lambda pair: pair[1].channel):
        if one.channel:  # the car file may name further sensors itself
            kept.setdefault(base_of(one.channel), []).append(i)
    free = [i for i, n in enumerate(named) if not n.channel and n.also]
    for i in sorted(free, key=lambda i: (-named[i].points, i)):
        channel = named[i].also
        row = row_of(channel)
        taken = {n.channel for n in out}
        number = next(n for n in range(2, len(out) + 3) if f"{channel}_{n}" not in taken)
        if not row.several or channel not in kept or number > MOST:
            continue
        why = _none(i, kept[channel], channel, columns=columns, thinned=thinned)
        if why:
            out[i] = named[i]._replace(why=f"reads as {channel} too, but {why}")
            continue
        kept[channel].append(i)
        out[i] = named[i]._replace(
            channel=f"{channel}_{number}",
            why=f"the header '{header_of(columns[i])}' reads as {channel} "
            f"({min(named[i].points, 1.0):.0%}), beside '{columns[kept[channel][0]].header}'",
            nearest="",
        )
    return out


def _none(
    i: int,
    others: Sequence[int],
    channel: str,
    *,
    columns: Sequence[RawColumn],
    thinned: Sequence[Array | None],
) -> str:
    """Why a column is no sensor of its own; '' when it is one."""
    own = read_header(header_of(columns[i]))
    if own.ideas & NO_SENSOR:
        return f"'{columns[others[0]].header}' is the better column for it"
    values = thinned[i]
    if values is None or not np.isfinite(values).any():
        return "there is no value in it"
    for other in others:
        beside = thinned[other]
        number = read_header(header_of(columns[other])).number
        if beside is None or (own.number != number and max(own.number, number) > 1):
            continue  # a number of its own: a sensor of its own, however alike
        if _copy(beside, values, shifted=channel == "manifold_pressure"):
            return f"it is a copy of '{columns[other].header}'"
    first = thinned[others[0]]
    if (
        first is not None
        and channel == "manifold_pressure"
        and own.number == 1
        and not own.ideas & SAYS_MANIFOLD
        and not _together(first, values)
    ):
        return f"it does not move with '{columns[others[0]].header}'"
    return ""


def _step(ordered: Array) -> float:
    """The smallest step between two values of a sorted column."""
    steps = np.diff(ordered)
    steps = steps[steps > 1e-9 * max(abs(float(ordered[-1])), abs(float(ordered[0])), 1e-9)]
    return float(steps.min()) if len(steps) else 0.0


def _copy(x: Array, y: Array, *, shifted: bool) -> bool:
    """Whether y is x in the same or another scale, but for rounding.

    shifted: a column over another zero counts as one of its own (gauge beside absolute pressure).
    """
    both = np.isfinite(x) & np.isfinite(y)
    x, y = x[both], y[both]
    if len(x) < LEAST_ROWS:
        return False
    if np.array_equal(x, y):
        return True
    step_x, step_y = _step(np.sort(x)), _step(np.sort(y))
    reach = float(np.ptp(x))
    if reach < MOVES * step_x or reach <= 0 or float(np.ptp(y)) <= 0:
        return False
    slope, cut = np.polyfit(x, y, 1).tolist()
    left = np.abs(y - (slope * x + cut))
    if slope <= 0 or quantile(left, 0.98) > ROUNDING * (slope * step_x + step_y):
        return False
    return not (shifted and abs(cut) > ZERO_SHARE * max(abs(float(y.max())), abs(float(y.min()))))


def _together(x: Array, y: Array) -> bool:
    """Whether two columns rise and fall together; True where the first does not move enough to
    tell.
    """
    both = np.isfinite(x) & np.isfinite(y)
    x, y = x[both], y[both]
    if len(x) < LEAST_ROWS or float(np.ptp(x)) < 0.3 * abs(median(x)):
        return True
    return float(np.ptp(y)) > 0 and float(np.corrcoef(x, y)[0, 1]) >= TOGETHER
