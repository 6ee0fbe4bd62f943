"""The nouns: Log, Channel, Pull, Finding, CheckResult, Night, Car.

Nothing here reads a file or prints. Arrays inside are never written to after they were made.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    import polars as pl

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
FlagArray = npt.NDArray[np.uint8]

# Flags of the QARTOD data-quality scheme (U.S. IOOS, flags manual).
GOOD, NOT_EVALUATED, SUSPECT, FAIL, MISSING = 1, 2, 3, 4, 9

# Severities and check states, by rank (worst last).
SEVERITIES = ("note", "watch", "hold", "stop")
VERDICTS = ("clear", "hold", "stop")
# The score at each level of a limit, and so the best that a finding of that level leaves.
SCORE_AT = {"watch": 70.0, "hold": 40.0, "stop": 10.0}
REQUIRED_CHECKS = ("boost_overshoot", "lean_under_load", "heat_soak", "oscillation")


_NUMBERED = re.compile(r"_\d+$")


def base_of(channel: str) -> str:
    """The quantity that a channel reads: 'lambda' for 'lambda_2', the name itself for the first."""
    return _NUMBERED.sub("", channel)


class Series(NamedTuple):
    """True samples of one channel: t in s from the log's first row, value in the channel's unit."""

    t: Array
    value: Array

    def __bool__(self) -> bool:
        return len(self.t) > 0

    def within(self, start_s: float, end_s: float) -> Series:
        """The samples with start_s <= t <= end_s."""
        t = self.t
        low, high = t.searchsorted(start_s - 1e-9), t.searchsorted(end_s + 1e-9)
        return Series(t[low:high], self.value[low:high])

    def at(self, t: Array, *, max_gap_s: float = math.inf) -> Array:
        """Linear between samples, NaN outside them and across gaps wider than max_gap_s."""
        if len(self.t) == 0:
            return np.full(len(t), np.nan)
        if len(self.t) == 1:
            return np.where(np.isclose(t, self.t[0]), self.value[0], np.nan)
        out = np.interp(t, self.t, self.value, left=np.nan, right=np.nan)
        if (self.t[1:] - self.t[:-1]).max() > max_gap_s:
            after = np.minimum(np.maximum(self.t.searchsorted(t, side="right"), 1), len(self.t) - 1)
            before_t, after_t = self.t[after - 1], self.t[after]
            out[(after_t - before_t > max_gap_s) & (t != before_t) & (t != after_t)] = np.nan
        return out


def _number(channel: str) -> int:
    found = _NUMBERED.search(channel)
    return int(found[0][1:]) if found else 1


EMPTY = Series(np.empty(0), np.empty(0))


@dataclass(frozen=True, slots=True)
class Note:
    """Something intake did or skipped, for the reader. line: 1-based in the source file, or None."""

    message: str
    line: int | None = None
    count: int = 1
    code: str | None = (
        None  # a sensor.* code if the note should become a finding (sensor.clock, ...)
    )
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Channel:
    """How one source column was understood. canonical = scale * source + offset (inverse: 1/source)."""

    name: str  # canonical name, or the column's own name when known is False
    source: str  # the column's header as the file has it
    source_unit: str = ""  # as decided, "psi gauge", "°F", "AFR"; "" when there is none
    unit: str = ""  # canonical unit
    rate_hz: float = 0.0  # its own effective rate
    known: bool = True
    held: bool = False  # the value is repeated between true samples
    unit_from: str = (
        ""  # "header", "units row", "cells", "car file", "physics", "format", "assumed"
    )
    name_why: str = ""
    unit_why: str = ""
    confidence: float = 1.0  # of the unit, 0 to 1
    runner_up: str = ""  # the next likeliest unit, when physics decided
    doubtful: bool = False  # below the margin: becomes sensor.unit_doubt
    scale: float = 1.0
    offset: float = 0.0
    nearest: str = ""  # for an unknown column, the canonical name it came nearest to
    stored_as: str = (
        ""  # column of the frame that holds the untouched source values ("" = same as name)
    )


@dataclass(frozen=True, slots=True)
class Barometric:
    """Ambient pressure used for boost, where it comes from, and how far it may be off."""

    kpa: float
    source: str  # a phrase for people: "barometric channel", "manifold pressure with the engine stopped", ...
    uncertainty_kpa: float
    kind: str = (
        "measured"  # measured, channel, stopped, altitude; wide_open and assumed are guesses
    )
    contradicted: str = ""  # the sentence that says what in the log speaks against it

    @property
    def assumed(self) -> bool:
        """Whether it is only a guess."""
        return self.kind in ("wide_open", "assumed")


@dataclass(frozen=True, eq=False)
class Log:
    """One recording in canonical channels and units.

    frame: `time` (s, strictly increasing) and one column a canonical channel (Float64, null where the
    row has no sample), then every column that is no channel, and untouched source values of converted
    channels, under Channel.stored_as.
    """

    path: str
    sha256: str
    frame: pl.DataFrame
    channels: tuple[Channel, ...]
    barometric: Barometric
    notes: tuple[Note, ...] = ()
    breaks: tuple[int, ...] = ()  # first row after each restart of the clock: nothing crosses these
    clock: str = ""  # how the clock was understood, a phrase
    wall_start: str | None = None  # ISO date-time of the first row, when the log tells
    us_units: bool = False  # the source is in psi or °F
    reader: str = ""
    cut_off_s: float | None = None  # time of the last row, where the file ends torn after it

    @cached_property
    def _arrays(self) -> dict[str, Array]:
        return {}

    @cached_property
    def _believed(self) -> dict[str, tuple[FlagArray | None, Series]]:
        return {}

    @cached_property
    def time(self) -> Array:
        return self.frame.get_column("time").to_numpy()

    @cached_property
    def by_name(self) -> dict[str, Channel]:
        return {c.name: c for c in self.channels if c.known}

    def has(self, name: str) -> bool:
        return name in self.by_name

    @cached_property
    def reads_gauge(self) -> bool:
        """Whether manifold pressure is read as gauge pressure: then boost needs no ambient pressure."""
        channel = self.by_name.get("manifold_pressure")
        return channel is not None and "gauge" in channel.source_unit

    @property
    def boost_room_kpa(self) -> float:
        """How far boost may be off either way for its ambient pressure, kPa."""
        return 0.0 if self.reads_gauge else self.barometric.uncertainty_kpa

    def sensors(self, name: str) -> tuple[str, ...]:
        """Every channel of one quantity, the first first: ('lambda', 'lambda_2'); () without any."""
        return tuple(sorted((c for c in self.by_name if base_of(c) == name), key=_number))

    def values(self, name: str) -> Array:
        """All rows of a canonical channel, float64, NaN where the row has no sample."""
        cache = self._arrays
        if name not in cache:
            column = self.frame.get_column(name)
            array = (
                column.cast(float).to_numpy()
                if column.dtype.is_numeric()
                else column.cast(float, strict=False).to_numpy()
            )
            cache[name] = np.asarray(array, dtype=np.float64)
        return cache[name]

    def believed(self, name: str, flag: FlagArray | None) -> Series:
        """All rows of a canonical channel that have a sample and, where flags are given, one of 1 or 2."""
        known = self._believed.get(name)
        if known is not None and known[0] is flag:
            return known[1]
        value = self.values(name)
        keep = np.isfinite(value)
        if flag is not None:
            keep &= flag <= NOT_EVALUATED
        series = Series(self.time, value) if keep.all() else Series(self.time[keep], value[keep])
        self._believed[name] = (flag, series)
        return series

    def with_barometric(self, barometric: Barometric) -> Log:
        """The same log over another ambient pressure; columns already turned into arrays are kept.

        A manifold pressure that was read over ambient moves with it, so that boost stays what the gauge read.
        """
        if barometric == self.barometric:
            return self
        moved = barometric.kpa - self.barometric.kpa
        gauges = [
            name
            for name in self.sensors("manifold_pressure")
            if self.by_name[name].offset == self.barometric.kpa and moved != 0.0
        ]
        frame = self.frame
        for name in gauges:
            frame = frame.with_columns(frame.get_column(name) + moved)
        channels = tuple(
            replace(c, offset=barometric.kpa) if c.known and c.name in gauges else c
            for c in self.channels
        )
        changed = replace(self, barometric=barometric, frame=frame, channels=channels)
        if "time" in self.__dict__:
            changed.__dict__["time"] = self.time
        for cache in ("_arrays", "_believed"):
            if cache in self.__dict__:
                kept = self.__dict__[cache]
                changed.__dict__[cache] = {n: v for n, v in kept.items() if n not in gauges}
        return changed

    def __getstate__(self) -> dict[str, object]:
        """Travels without the arrays made of its frame."""
        return {
            key: kept
            for key, kept in self.__dict__.items()
            if not key.startswith("_") and key != "time"
        }

    @property
    def rows(self) -> int:
        return self.frame.height

    @cached_property
    def duration_s(self) -> float:
        return float(self.time[-1] - self.time[0]) if self.rows > 1 else 0.0

    @cached_property
    def rate_hz(self) -> float:
        """Rows a second: one over the median interval; 0 for fewer than two rows."""
        if self.rows < 2:
            return 0.0
        steps = np.sort(np.diff(self.time))
        step = 0.5 * float(steps[(len(steps) - 1) // 2] + steps[len(steps) // 2])
        return 1.0 / step if step > 0 else 0.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing seen, with its evidence. A code is one of the stable finding codes."""

    code: str
    severity: str
    message: str
    channel: str | None = None
    start_s: float | None = None
    end_s: float | None = None
    value: float | None = None
    limit: float | None = None
    unit: str | None = None
    likely: tuple[str, ...] = ()
    look_at: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Sanity:
    """What may be believed: a flag a sample, and one a test, for each canonical channel of a log."""

    samples: Mapping[str, FlagArray]  # rows long; 9 where the row has no sample
    tests: Mapping[str, Mapping[str, int]]  # channel -> test -> flag of the whole channel
    flags: Mapping[str, int]  # channel -> aggregate flag
    noise: Mapping[
        str, float
    ]  # channel -> white-noise sigma in canonical units, where it could be had
    findings: tuple[Finding, ...] = ()


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


@dataclass(frozen=True, slots=True)
class Tear:
    """A wide-open stretch of which the log has only a part: what is there of it, and where it breaks off.

    how: "gap", "restart", "cut off", "log end"; pulls: those of the log that it leaves unfinished.
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
        """True samples of a canonical channel with flag 1 or 2, from start - lead_s to end + tail_s.

        Samples that only repeat a held value are left out, so len/duration is the channel's real rate.
        'boost' gives manifold pressure over barometric pressure, kPa gauge.
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


def believed_series(log: Log, sanity: Sanity, name: str, start_s: float, end_s: float) -> Series:
    """True samples of `name` with flag 1 or 2 and start_s <= t <= end_s; empty if the log lacks it."""
    channel = log.by_name.get(name)
    if channel is None:
        return EMPTY
    inside = log.believed(name, sanity.samples.get(name)).within(start_s, end_s)
    if channel.held and len(inside.t) > 1 and channel.rate_hz > 0:
        return Series(*_updates_only(inside.t, inside.value, channel.rate_hz))
    return inside


def _updates_only(t: Array, value: Array, rate_hz: float) -> tuple[Array, Array]:
    """Keep rows where a held value changed, and one a nominal interval while it does not move."""
    changed = np.empty(len(value), dtype=bool)
    changed[0] = True
    np.not_equal(value[1:], value[:-1], out=changed[1:])
    last = np.maximum.accumulate(np.where(changed, np.arange(len(t)), 0))
    age = t - t[last]
    tick = np.floor(age * rate_hz * (1 + 1e-6) + 1e-6)
    keep = changed.copy()
    keep[1:] |= (tick[1:] > tick[:-1]) & ~changed[1:] & (tick[1:] >= 1)
    return t[keep], value[keep]


Measures = Mapping[str, float | None]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """How one check came out. cause, when not evaluated: 'missing', 'not_believed', 'too_slow',
    'too_short' or 'crashed'; why is the sentence for people."""

    name: str
    status: str  # pass, watch, fail, not_evaluated
    score: float | None
    why: str = ""
    cause: str = ""
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, eq=False)
class PullAudit:
    """One pull judged: its measures, how each check came out, and what was found."""

    pull: Pull
    measures: Mapping[str, float | None]
    checks: Mapping[str, CheckResult]
    findings: tuple[Finding, ...]

    @property
    def score(self) -> float | None:
        scores = [c.score for c in self.checks.values() if c.score is not None]
        return min(scores) if scores else None


@dataclass(frozen=True, eq=False)
class LogAudit:
    """One file of the night: read and judged, or rejected with the reason."""

    path: str
    sha256: str
    status: str  # read, rejected
    error: str | None = None
    log: Log | None = None
    sanity: Sanity | None = None
    findings: tuple[Finding, ...] = ()
    pulls: tuple[PullAudit, ...] = ()
    checks: Mapping[str, CheckResult] = field(default_factory=dict)  # judged on the whole log
    tears: tuple[Tear, ...] = ()  # wide-open stretches of which a part is missing
    not_a_log: bool = False  # rejected, and nothing in the file looks like a log
    rows: int = 0
    duration_s: float = 0.0
    rate_hz: float = 0.0


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do about boost after a night. state: 'step', 'stay', 'no_step'. why, first: a sentence each,
    canonical units; first: what to look at first. expected_kpa: (low, mid, high), settled boost of the
    next pull at duty_next_pct, gauge, nine in ten. None for what is not known."""

    state: str
    why: str
    first: str
    duty_now_pct: float | None = None
    duty_next_pct: float | None = None
    expected_kpa: tuple[float, float, float] | None = None
    gear: int | None = None

    def plain(self) -> dict[str, Any]:
        """As plain values for JSON; figures to two digits."""
        low, mid, high = self.expected_kpa or (None, None, None)
        return {
            "state": self.state,
            "duty_now_pct": _rounded(self.duty_now_pct),
            "duty_next_pct": _rounded(self.duty_next_pct),
            "expected_kpa": {"low": _rounded(low), "mid": _rounded(mid), "high": _rounded(high)},
            "gear": self.gear,
            "why": self.why,
            "first": self.first,
        }


def _rounded(value: float | None) -> float | None:
    return round(float(value), 2) if value is not None and math.isfinite(value) else None


@dataclass(frozen=True, eq=False)
class Night:
    """All that is said of one night of one car."""

    car: Car
    logs: tuple[LogAudit, ...]
    verdict: str
    reasons: tuple[str, ...]
    checks: Mapping[str, CheckResult]
    findings: tuple[Finding, ...] = ()
    assumed: tuple[str, ...] = ()  # what was taken for granted for want of a car file
    us_units: bool = False
    setting: str = ""  # dyno, street or ""
    decision: Decision | None = None


@dataclass(frozen=True, slots=True)
class ColumnWord:
    """The car file's word on one channel: the column that holds it and, if given, its unit."""

    column: str
    unit: str | None = None


@dataclass(frozen=True)
class Car:
    """What the car file says. Every field may be absent; pressures kPa, boost in kPa gauge."""

    name: str = "unnamed car"
    path: str | None = None
    units: str | None = None  # us, metric
    fuel: str = "petrol"  # petrol, e1 to e99, ethanol, methanol
    ethanol_pct: float | None = 0.0  # of the fuel's volume; None for methanol
    stoichiometric_afr: float = 14.7
    altitude_m: float | None = None
    injection: str = "port"  # port, direct
    engine_limit_rpm: float | None = None
    cylinders: int = 4
    boost_limit_kpa: float | None = None
    sensor_top_kpa: float | None = None
    spring_kpa: float | None = None
    target_kpa: float | None = None
    target_by_gear_kpa: Mapping[int, float] = field(default_factory=dict)
    injector_duty_limit_pct: float | None = None
    gear_ratios: tuple[float, ...] = ()
    final_drive: float | None = None
    circumference_m: float | None = None
    solenoid_ports: int = 3
    solenoid_frequency_hz: float | None = None
    duty_min_pct: float = 0.0
    duty_max_pct: float = 100.0
    channels: Mapping[str, ColumnWord] = field(default_factory=dict)
    thresholds: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def target_for(self, gear: int | None) -> float | None:
        """The boost wanted in this gear, kPa gauge, if the car file tells."""
        if gear is not None and gear in self.target_by_gear_kpa:
            return self.target_by_gear_kpa[gear]
        return self.target_kpa


@dataclass(frozen=True, slots=True)
class Limit:
    """One row of the thresholds table for one measure, car overrides applied.

    below: a small value is the bad one. best: the value that scores 100.
    by, at, along: where the levels go by another figure (boost), its name, points and the levels there; best,
    watch, hold and stop are then those of the last point, and when() gives the row at any.
    """

    code: str
    measure: str
    unit: str
    best: float
    watch: float | None
    hold: float | None
    stop: float | None
    below: bool = False
    why: str = ""
    source: str = ""
    by: str = ""
    at: tuple[float, ...] = ()
    along: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    def when(self, figure: float | None) -> Limit:
        """The row at a figure of what its levels go by: straight lines between the points, level beyond them."""
        if figure is None or not self.at:
            return self
        levels = {n: float(np.interp(figure, self.at, v)) for n, v in self.along.items()}
        return replace(
            self,
            by="",
            at=(),
            along={},
            best=levels["best"],
            watch=levels.get("watch"),
            hold=levels.get("hold"),
            stop=levels.get("stop"),
        )

    def places(self, value: Array, figure: Array) -> Array:
        """How bad each value is at its own figure: 0 at best, 1 at watch, 2 at hold, 3 at stop, and on by line.

        For rows whose levels go by another figure; so stretches under changing boost compare.
        """
        levels = np.stack([np.interp(figure, self.at, v) for v in self.along.values()])
        place: Array = (value - levels[0]) / np.maximum(levels[1] - levels[0], 1e-6)
        for i in range(1, len(levels)):
            last = i == len(levels) - 1
            step = levels[i] - levels[i - 1] if last else levels[i + 1] - levels[i]
            step = np.maximum(step, 1e-6)  # a car file may lay two levels on one another
            place = np.where(value >= levels[i], i + (value - levels[i]) / step, place)
        return place

    def value_at(self, place: float, figure: float) -> float:
        """The value that stands at a place (see places) at this figure."""
        levels = [float(np.interp(figure, self.at, v)) for v in self.along.values()]
        i = min(max(int(place), 0), len(levels) - 1)
        step = levels[i] - levels[i - 1] if i == len(levels) - 1 else levels[i + 1] - levels[i]
        return levels[i] + (place - i) * max(step, 1e-6)

    def severity(self, value: float | None) -> str | None:
        """'watch', 'hold' or 'stop' when that level is reached, else None."""
        if value is None or not math.isfinite(value):
            return None
        for name in ("stop", "hold", "watch"):
            level = getattr(self, name)
            if level is not None and (value <= level if self.below else value >= level):
                return name
        return None

    def reached(self, value: float | None) -> float | None:
        """The level that the value has reached (the worst), or None."""
        severity = self.severity(value)
        return None if severity is None else getattr(self, severity)

    def score(self, value: float | None) -> float | None:
        """100 at best, 70 at watch, 40 at hold, 10 at stop, falling on beyond; linear between."""
        if value is None or not math.isfinite(value):
            return None
        if (value >= self.best) if self.below else (value <= self.best):
            return 100.0
        points = [(self.best, 100.0)]
        for name, score in SCORE_AT.items():
            level = getattr(self, name)
            if level is not None:
                points.append((level, score))
        sign = -1.0 if self.below else 1.0
        x = [sign * p for p, _ in points]
        y = [s for _, s in points]
        v = sign * value
        if v <= x[-1] or len(x) < 2:
            return float(np.interp(v, x, y))
        span = x[-1] - x[-2]
        slope = (y[-2] - y[-1]) / span if span > 0 else 0.0
        return max(0.0, y[-1] - slope * (v - x[-1]))


class LimitTable(Protocol):
    """What a check may ask of the limits (audit.tables.Limits)."""

    def rows(self, code: str) -> tuple[Limit, ...]: ...
    def row(self, code: str, measure: str) -> Limit: ...
    def setting(self, name: str) -> float: ...


def worst_severity(severities: Sequence[str]) -> str | None:
    """The worst of them, or None for none."""
    return max(severities, key=SEVERITIES.index) if severities else None
