"""What this car's other nights were like, as a page shows it beside tonight's figures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Usual:
    """One gear: range of each measure over earlier nights, (low, high), nine pulls in ten, and the mean of the last night."""

    ranges: Mapping[str, tuple[float, float]]
    last: Mapping[str, float]


@dataclass(frozen=True)
class History:
    """last_night: ISO day of the night before, "" for none; by_gear: what was usual in each gear."""

    last_night: str = ""
    by_gear: Mapping[int | None, Usual] = field(default_factory=dict)
