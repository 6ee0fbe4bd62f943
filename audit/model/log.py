"""One recording: its channels, ambient pressure, samples, and what of them may be believed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from audit.model.basis import MISSING, NOT_EVALUATED, Array, FlagArray
from audit.model.finding import Finding

if TYPE_CHECKING:
    import polars as pl


_NUMBERED = re.compile(r"_\d+$")


@lru_cache
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
    """Something intake did or skipped, for the reader. line: 1-based in the source file, or
    None.
    """

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
    """How one source column was understood. canonical = scale * source + offset (inverse:
    1/source).
    """

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


class Barometric(NamedTuple):
    """Ambient pressure used for boost, where it comes from, and how far it may be off."""

    kpa: float
    # a phrase for people: "barometric channel", "manifold pressure with the engine stopped", ...
    source: str
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

    frame: `time` (s, strictly increasing) and one column a canonical channel (Float64, null where
    the row has no sample), then every column that is no channel, and untouched source values of
    converted channels, under Channel.stored_as.
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
        """Whether manifold pressure is read as gauge pressure: then boost needs no ambient
        pressure.
        """
        channel = self.by_name.get("manifold_pressure")
        return channel is not None and "gauge" in channel.source_unit

    @property
    def boost_room_kpa(self) -> float:
        """How far boost may be off either way for its ambient pressure, kPa."""
        return 0.0 if self.reads_gauge else self.barometric.uncertainty_kpa

    def sensors(self, name: str) -> tuple[str, ...]:
        """Every channel of one quantity, the first first: ('lambda', 'lambda_2'); () without
        any.
        """
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
        """All rows of a canonical channel that have a sample and, where flags are given, one of 1
        or 2.
        """
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

        A manifold pressure that was read over ambient moves with it, so that boost stays what the
        gauge read.
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


@dataclass(frozen=True, eq=False)
class Sanity:
    """What may be believed: a flag a sample, and one a test, for each canonical channel of a
    log.
    """

    samples: Mapping[str, FlagArray]  # rows long; 9 where the row has no sample
    tests: Mapping[str, Mapping[str, int]]  # channel -> test -> flag of the whole channel
    flags: Mapping[str, int]  # channel -> aggregate flag
    # channel -> white-noise sigma in canonical units, where it could be had
    noise: Mapping[str, float]
    findings: tuple[Finding, ...] = ()

    def says_nothing(self, name: str) -> bool:
        """Whether a channel has not one sample of a sensor in the log: it is as good as not
        logged.
        """
        flags = self.samples.get(name)
        return flags is not None and bool((flags == MISSING).all())


def believed_series(log: Log, sanity: Sanity, name: str, start_s: float, end_s: float) -> Series:
    """True samples of `name` with flag 1 or 2 and start_s <= t <= end_s; empty if the log lacks
    it.
    """
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
