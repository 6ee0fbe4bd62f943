"""What this car's other nights were like, as a page shows it beside tonight's figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Usual:
    """One gear: range of each measure over earlier nights, (low, high), nine pulls in ten, and the
    mean of the last night.
    """

    ranges: Mapping[str, tuple[float, float]]
    last: Mapping[str, float]


@dataclass(frozen=True)
class DutyCurve:
    """Settled boost against duty in one gear, kPa gauge in last night's air: most likely, and where
    nine pulls in ten lie.

    duty, low, middle, high: one figure a point, duty in % and rising.
    """

    gear: int | None
    duty: tuple[float, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]


@dataclass(frozen=True)
class History:
    """last_night: ISO day of the night before, "" for none; by_gear: what was usual in each gear;
    curve: of tonight's gear, None where there is none. needs: (gear, target, duty) of every other
    gear that was pulled: the duty in % that its target, kPa gauge, takes.
    """

    last_night: str = ""
    by_gear: Mapping[int | None, Usual] = field(default_factory=dict)
    curve: DutyCurve | None = None
    needs: tuple[tuple[int, float, float], ...] = ()
