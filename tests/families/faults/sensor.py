"""Faults of sensors and logger: nothing is wrong with the engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from families.limits import Array

from .base import Fault

if TYPE_CHECKING:
    from families.night import Spec


class _Sensor(Fault):
    """Faults of a sensor or of the logger: nothing is wrong with the engine."""

    graded = False

    def damage_channel(self) -> str:
        """A logged channel that guards the engine, drawn by the seed."""
        names = [
            c.signal
            for c in self.night.spec.columns
            if c.signal in ("manifold_pressure", "manifold_gauge", "lambda")
        ]
        return names[int(self.dice[1] * len(names))]

    def held_times(self, index: int) -> tuple[float, float]:
        """Begin and end [s] of the held part of a pull."""
        pull = self.night.trace.pulls[index]
        time = self.night.trace.data["t"]
        return float(time[pull.settled]), float(time[pull.last - 1])

    def true_size(self) -> float:
        return self.size


class FlatLine(_Sensor):
    """Manifold pressure or lambda frozen from 2 s before a pull to 1 s after it.

    Below size 1: the coolant reading stands still, as behind a good thermostat.
    """

    code = "sensor.flat_line"

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        if signal != (self.damage_channel() if self.present else "coolant_temp"):
            return value
        pull = self.night.trace.pulls[self.one]
        time = self.night.trace.data["t"]
        mask = (when > time[pull.first] - 2.0) & (when < time[pull.last - 1] + 1.0)
        if mask.any():
            value[mask] = value[np.argmax(mask)]
        return value


class Dropout(_Sensor):
    """Manifold pressure or lambda falls to the sensor's zero for two to four readings in a pull."""

    code = "sensor.dropout"

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        if not self.present or signal != self.damage_channel():
            return value
        start, end = self.held_times(self.one)
        at = start + (0.3 + 0.4 * self.dice[2]) * (end - start)
        if when[0] <= at <= when[-1]:
            first = int(np.searchsorted(when, at))
            zero = -self.night.weather.pressure_kpa if signal == "manifold_gauge" else 0.0
            value[first : first + 2 + int(3 * self.dice[3])] = zero
        return value


class Spike(_Sensor):
    """One reading of manifold pressure 70 kPa too high in a pull; below size 1: 1.2 kPa."""

    code = "sensor.spike"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.rate_hz >= 10.0 and spec.has_pressure

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        own = [c.signal for c in self.night.spec.columns if c.signal.startswith("manifold_")]
        if signal != own[0]:
            return value
        start, end = self.held_times(self.one)
        at = start + (0.3 + 0.5 * self.dice[2]) * (end - start)
        if when[0] <= at <= when[-1]:
            value[int(np.searchsorted(when, at))] += 70.0 if self.present else 1.2
        return value


class Gap(_Sensor):
    """Rows missing for 0.8 to 1.2 s in every pull; below size 1 for 0.4 s in a cruise."""

    code = "sensor.gap"

    def keep(self, log: int, when: Array) -> Array:
        mask = np.ones(len(when), dtype=bool)
        for pull in self.night.trace.pulls:
            start, end = self.held_times(pull.index)
            if self.present:
                at = start + 0.3 * (end - start)
                mask &= ~((when > at) & (when < at + 0.8 + 0.4 * self.dice[2]))
            elif pull.index == self.one:
                begin = float(self.night.trace.data["t"][pull.first]) - 3.0
                mask &= ~((when > begin) & (when < begin + 0.4))
        return mask


class Disagree(_Sensor):
    """Two pressure sensors 12 kPa apart all night; below size 1: 1 kPa.

    Absolute against gauge where both are logged, else manifold against barometer at rest.
    """

    code = "sensor.disagree"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        both = spec.has("manifold_pressure") and spec.has("manifold_gauge")
        rest = spec.has("barometric_pressure") and any(p.start == "off" for p in spec.logs)
        return both or (rest and spec.has("manifold_pressure"))

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        both = self.night.spec.has("manifold_gauge")
        if signal == ("manifold_gauge" if both else "manifold_pressure"):
            value += 12.0 if self.present else 1.0
        return value


class AmbientDoubt(_Sensor):
    """Nothing trustworthy says what the air pressure was.

    Barometer: reads 15 kPa too high, against the pressure with the engine stopped. Engine-stopped
    start: missing. Altitude in the car file: missing. Below size 1 each is off by about 0.8 kPa.
    """

    code = "sensor.ambient_doubt"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        at_rest = any(p.start == "off" for p in spec.logs)
        if spec.has("manifold_pressure") and spec.has("manifold_gauge"):
            return False  # their difference is the air pressure
        return spec.ambient in ("key_on", "altitude") or (spec.ambient == "baro" and at_rest)

    def prepare(self) -> None:
        if self.night.spec.ambient == "key_on" and self.present:
            self.night.skip_off = True

    def papers(self) -> None:
        if self.night.spec.ambient == "altitude":
            altitude = self.night.spec.car.altitude_m
            self.night.altitude_m = None if self.present else altitude + 70.0

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        if self.night.spec.ambient == "baro" and signal == "barometric_pressure":
            value += 15.0 if self.present else 0.8
        return value
