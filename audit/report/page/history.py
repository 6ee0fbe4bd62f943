"""What this car's other nights were like, as a page shows it beside tonight's figures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class Usual(NamedTuple):
    """One gear: (low, high) of each measure, nine earlier pulls in ten; last night's mean."""

    ranges: Mapping[str, tuple[float, float]]
    last: Mapping[str, float]


class DutyCurve(NamedTuple):
    """Settled boost against duty in one gear, kPa gauge in last night's air: most likely, and where
    nine pulls in ten lie. One figure a point, duty in % and rising.
    """

    duty: tuple[float, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


class History(NamedTuple):
    """last_night: ISO day of the night before, "" for none; by_gear: what was usual in each gear;
    curve: of tonight's gear, None where there is none. needs: (gear, target, duty) of every other
    gear that was pulled: the duty in % that its target, kPa gauge, takes.
    """

    last_night: str = ""
    by_gear: Mapping[int | None, Usual] = {}
    curve: DutyCurve | None = None
    needs: tuple[tuple[int, float, float], ...] = ()
