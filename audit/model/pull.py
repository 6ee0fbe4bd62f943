"""One wide-open pull: where it lies, and the believed samples in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

from audit.model.car import Car
from audit.model.log import Log, Sanity, Series, believed_series


@dataclass(frozen=True, slots=True)
class Span:
    """Where a pull lies: rows start (first) to stop (one past the last), and what ended it."""

    start: int
    stop: int
    start_s: float
    end_s: float
    gear: int | None
    rpm_start: float
    rpm_end: float
    ended_by: str  # "lift", "shift", "limiter", "log end", "gap"
    gear_ratio: float | None = None  # engine speed over road speed, rpm per km/h
    setting: str = "throttle"  # what told that it was wide open: "throttle", "pedal", "load"


class Tear(NamedTuple):
    """A wide-open stretch of which the log has only a part: what is there of it, and where it
    breaks off.

    how: "gap", "restart", "cut off", "log start", "log end"; pulls: those of the log that it leaves
    unfinished.
    """

    at_s: float
    how: str
    start_s: float
    end_s: float
    rpm_low: float
    rpm_high: float
    gear: int | None = None
    duty_pct: float | None = None
    pulls: tuple[int, ...] = ()


@dataclass(frozen=True, eq=False)
class Pull:
    """One wide-open pull: its span and a view of the believed samples of its log."""

    index: int
    span: Span
    log: Log
    sanity: Sanity
    car: Car
    night: tuple[Log, ...] = ()
    context: object | None = (
        None  # what the checks share of it, worked out once (checks/boost/context)
    )

    @cached_property
    def _cache(self) -> dict[tuple[str, float, float], Series]:
        return {}

    def __getstate__(self) -> dict[str, Any]:
        return {name: value for name, value in self.__dict__.items() if name != "_cache"}

    @property
    def start_s(self) -> float:
        return self.span.start_s

    @property
    def end_s(self) -> float:
        return self.span.end_s

    @property
    def gear(self) -> int | None:
        return self.span.gear

    def believed(self, name: str, *, lead_s: float = 0.0, tail_s: float = 0.0) -> Series:
        """True samples of a canonical channel with flag 1 or 2, from start - lead_s to end +
        tail_s.

        Samples that only repeat a held value are left out, so len/duration is the channel's real
        rate. 'boost' gives manifold pressure over barometric pressure, kPa gauge.
        """
        key = (name, lead_s, tail_s)
        found = self._cache.get(key)
        if found is None:
            found = self._cache[key] = self._read(name, lead_s, tail_s)
        return found

    def _read(self, name: str, lead_s: float, tail_s: float) -> Series:
        boost = name == "boost"
        channel = "manifold_pressure" if boost else name
        series = believed_series(
            self.log, self.sanity, channel, self.span.start_s - lead_s, self.span.end_s + tail_s
        )
        return (
            Series(series.t, series.value - self.log.barometric.kpa) if boost and series else series
        )


Measures = Mapping[str, float | None]
