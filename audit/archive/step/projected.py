"""Fuel, mixture, knock and heat carried on to the boost of the next step, and held against their
limits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from audit.archive.step.evidence import arrays, counted_after, since_note
from audit.archive.step.step import ProjectedRow, projected_rows
from audit.model import Array, Car, Limit
from audit.tables import limits_for

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.store.journal import JournalNote

PRIOR_PULLS = 4.0  # what the table's noise counts for
ONE_SIDED = 1.645  # 95 % of a normal one


class Line(NamedTuple):
    """One measure against boost: y = level + slope (boost - middle), with what is needed for its
    upper end.
    """

    row: ProjectedRow
    limits: Limit
    level: float
    slope: float
    middle: float
    noise: float
    covariance: Array  # of (level, slope)

    def limit(self, boost_kpa: float) -> float:
        """The hold level at a boost in kPa gauge: some go by it."""
        return float(self.limits.when(boost_kpa).hold or 0.0)

    def worst(self, boost_kpa: float) -> float:
        """The 95 % end on the bad side at a settled boost in kPa gauge, in the measure's unit."""
        at = np.array([1.0, boost_kpa - self.middle])
        off = ONE_SIDED * float(np.sqrt(at @ self.covariance @ at + self.noise**2))
        return float(at @ [self.level, self.slope]) + (-off if self.limits.below else off)

    def past(self, boost_kpa: float) -> bool:
        """Whether it is projected to reach its limit there."""
        over = self.worst(boost_kpa) - self.limit(boost_kpa)
        return over <= 0.0 if self.limits.below else over >= 0.0


def lines_of(rows: pl.DataFrame, car: Car, notes: Sequence[JournalNote] = ()) -> tuple[Line, ...]:
    """The lines of all measures that the rows of one gear hold."""
    import polars as pl

    table = limits_for(car)
    found = []
    for row in projected_rows():
        limit = table.row(row.code, row.measure)
        if limit.hold is None:
            continue
        if row.measure == "injector_duty_max_pct" and car.injector_duty_limit_pct is not None:
            limit = replace(limit, hold=min(limit.hold, car.injector_duty_limit_pct))
        changed = since_note(notes, row.trend) if row.trend else None
        kept = rows.filter(counted_after(changed) & pl.col(row.measure).is_not_null())
        if kept.height:
            boost, values, air = arrays(kept, "boost_settled_kpa", row.measure, "air_c")
            if row.over_air and np.isfinite(air).all():
                values = values - air + air[-1]
            found.append(_line(row, limit, boost, values))
    return tuple(found)


def not_projected(lines: Sequence[Line]) -> tuple[str, ...]:
    """Labels of what no pull logged, so that the next step is not held against it."""
    there = {line.row.code for line in lines}
    return tuple(dict.fromkeys(row.label for row in projected_rows() if row.code not in there))


def _line(row: ProjectedRow, limit: Limit, x: Array, y: Array) -> Line:
    """Least squares with the table's slope as one more observation of it (Bayes, normal prior;
    level unknown).
    """
    middle = float(x.mean())
    design = np.column_stack([np.ones(len(x)), x - middle])
    prior = np.array([1e-12, 1.0 / row.sd**2])
    noise2 = row.noise**2
    for _ in range(3):  # the noise follows the residuals
        information = design.T @ design / noise2 + np.diag(prior)
        beta = np.linalg.solve(information, design.T @ y / noise2 + prior * [0.0, row.slope])
        left = float(np.sum((y - design @ beta) ** 2))
        noise2 = (PRIOR_PULLS * row.noise**2 + left) / (PRIOR_PULLS + len(x) - 1)
    level, slope = map(float, beta)
    return Line(
        row, limit, level, slope, middle, noise2**0.5, np.asarray(np.linalg.inv(information))
    )
