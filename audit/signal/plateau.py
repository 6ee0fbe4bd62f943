"""The settled part of a response: its level, and its slope against time or anything else."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from audit.signal.lines import Line, theil_sen


@dataclass(frozen=True)
class Plateau:
    """A settled stretch: from, to in s; level at its middle; slope per s; robust sigma about the line."""

    from_s: float
    to_s: float
    level: float
    slope_per_s: float
    residual_sigma: float


def plateau_slope(x: ArrayLike, y: ArrayLike) -> Line | None:
    """Slope of the plateau's values y against any regressor x (engine speed, say), with its 95 % interval.

    x and y: n values of the plateau only; x need not be sorted. None under 3 distinct x.
    The interval takes the samples as independent: held values and ringing make it too narrow.
    Source: Theil-Sen, as theil_sen.
    """
    return theil_sen(x, y)
