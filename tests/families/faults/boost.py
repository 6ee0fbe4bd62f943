"""Faults of boost: level, shape, swing, and what the sensor can tell of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from families import limits as lim
from families.car import Disturbance
from families.drive import PULL_STEP_S, PullTrace
from families.limits import Array

from .base import PAD, Fault, pad, since, smooth

if TYPE_CHECKING:
    from families.night import Night, Spec


class _Boost(Fault):
    """Boost faults: a pressure added at the manifold, built on the boost of the healthy pull."""

    def reference_of(self, pull: PullTrace) -> Array:
        return pull.target if pull.closed else np.full_like(pull.base, pull.level)


class Overshoot(_Boost):
    """Peak boost above the settled level (above the target, where boost is closed loop).

    True value: peak - level in kPa = size x max(14 kPa, 15 % of the level), 20 kPa at most: the
    figure that binds. A gate that opens late: a bump that rises and dies away within a second.
    """

    code = "boost.overshoot"

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if not self.hits(pull.index):
            return None
        ref = self.reference_of(pull)
        # a following target is met on its plateau, where target and settled level are one
        start = int(np.argmax(pull.base >= (0.98 if pull.closed else 0.92) * np.max(ref)))
        held = (len(pull.base) - pull.settled_at) * PULL_STEP_S
        rise = min(0.18 + 0.25 * self.dice[0], held / 8.0)
        rise = max(rise, min(1.2 / self.night.spec.rate_hz, held / 6.0))
        tau = np.maximum(0.0, since(pull, start) / rise)
        shape = tau * np.exp(1.0 - tau)
        low, high, n = 0.0, 80.0, len(pull.base)
        for _ in range(30):
            mid = 0.5 * (low + high)
            boost = pull.base + mid * shape[:n]
            level = float(np.median((ref if pull.closed else boost)[-(n // 3) :]))
            peak = float(np.max(boost - (ref if pull.closed else level)))
            if peak > self.size * lim.overshoot_hold_kpa(level):
                high = mid
            else:
                low = mid
        return Disturbance(boost=(low * shape).tolist())

    def true_size(self) -> float:
        sizes = []
        for pull in self.hit_pulls():
            ref = self.reference(pull)
            level = float(np.median(ref[-(len(ref) // 3) :]))
            sizes.append(float(np.max(self.boost(pull) - ref)) / lim.overshoot_hold_kpa(level))
        return max(sizes)


class OverTarget(_Boost):
    """Held boost above the target. True value: median of boost - target = size x 14 kPa.

    A sticking gate: the closed loop has not the authority to bring it down. In every pull.
    """

    code = "boost.over_target"
    sign = 1.0
    step_kpa = lim.OVER_TARGET_KPA

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.car.control.closed and spec.target_known

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        goal = pull.target + self.sign * self.size * self.step_kpa
        weight = smooth((pull.base / pull.target - 0.75) / 0.2)
        weight = np.maximum.accumulate(weight)
        return Disturbance(boost=pad(weight * (goal - pull.base), slope=False).tolist())

    def true_size(self) -> float:
        target = self.night.trace.data["target"]
        sizes = []
        for pull in self.night.trace.pulls:
            apart = self.boost(pull) - target[pull.span]
            held = apart[pull.settled - pull.first + 20 :]
            sizes.append(self.sign * float(np.median(held)) / self.step_kpa)
        return max(sizes, key=lambda s: abs(s - self.size))


class UnderTarget(OverTarget):
    """Settled boost short of the target. True value: median of target - boost = size x 14 kPa.

    A leak: the trim of the closed loop is at its end, the duty itself is not. In every pull.
    """

    code = "boost.under_target"
    sign = -1.0
    step_kpa = lim.UNDER_TARGET_KPA


class OverLimit(Fault):
    """Boost above the limit the owner states. True value: peak - limit = (size - 1) x 20 kPa.

    The boost is the healthy one; the engine is a weaker one whose limit lies lower.
    """

    code = "boost.over_limit"

    def papers(self) -> None:
        peak = max(float(np.max(self.boost(p))) for p in self.night.trace.pulls)
        self.night.limit_kpa = round(peak - (self.size - 1.0) * lim.OVER_LIMIT_STEP_KPA, 2)

    def true_size(self) -> float:
        peak = max(float(np.max(self.boost(p))) for p in self.night.trace.pulls)
        assert self.night.limit_kpa is not None
        return 1.0 + (peak - self.night.limit_kpa) / lim.OVER_LIMIT_STEP_KPA


class Creep(_Boost):
    """Boost climbing with engine speed at constant duty: the gate cannot pass enough.

    True value: slope of boost on engine speed from settling to the lift = size x 8 kPa per 1000 rpm.
    In every pull.
    """

    code = "boost.creep"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return not spec.car.control.closed and not spec.target_known

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        krpm, first = pull.rpm / 1000.0, pull.settled_at
        natural = float(np.polyfit(krpm[first:], pull.base[first:], 1)[0])
        slope = self.size * lim.CREEP_KPA_PER_KRPM - natural
        rise = np.maximum(0.0, pad(krpm, slope=True) - krpm[first])
        return Disturbance(boost=(slope * rise).tolist())

    def true_size(self) -> float:
        sizes = []
        for pull in self.night.trace.pulls:
            krpm = self.night.trace.data["rpm"][pull.held] / 1000.0
            held = self.boost(pull)[pull.settled - pull.first :]
            sizes.append(float(np.polyfit(krpm, held, 1)[0]) / lim.CREEP_KPA_PER_KRPM)
        return max(sizes, key=lambda s: abs(s - self.size))


class Fade(_Boost):
    """Boost falling away after its peak. True value: (peak - end) / peak = size x 25 %. Every pull."""

    code = "boost.fade"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return not spec.car.control.closed and not spec.target_known

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        first = min(pull.settled_at + 30, len(pull.base) - 60)
        n = len(pull.base)
        share = np.maximum(0.0, (np.arange(n + PAD) - first) / (n - 1 - first))
        base, goal = pad(pull.base), self.size * lim.FADE_PCT / 100.0
        depth = goal
        for _ in range(6):
            left = base * (1.0 - depth * share)
            depth += goal - (1.0 - left[n - 1] / np.max(left[:n]))
        return Disturbance(boost=(-depth * base * share).tolist())

    def true_size(self) -> float:
        sizes = []
        for pull in self.night.trace.pulls:
            boost = self.boost(pull)
            left = float(boost[-1] / np.max(boost))
            sizes.append((1.0 - left) / (lim.FADE_PCT / 100.0))
        return max(sizes, key=lambda s: abs(s - self.size))


class Lost(_Boost):
    """A hose lets go in one pull. True value: fall within 0.5 s = size x 25 % of the boost."""

    code = "boost.lost"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.rate_hz >= 10.0

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if pull.index != self.one:
            return None
        held = len(pull.base) - pull.settled_at
        start = pull.settled_at + int((0.25 + 0.2 * self.dice[0]) * held)
        fall = smooth(since(pull, start) / 0.3)
        return Disturbance(
            boost=(-self.size * lim.LOST_PCT / 100.0 * pad(pull.base) * fall).tolist()
        )

    def true_size(self) -> float:
        pull = self.night.trace.pulls[self.one]
        boost = self.boost(pull)[pull.settled - pull.first :]
        fall = 1.0 - boost[50:] / boost[:-50]
        return float(np.max(fall)) / (lim.LOST_PCT / 100.0)


class Uneven(_Boost):
    """One pull against the others of its gear and duty.

    True value: |level of the last pull - median level of the others| = size x 14 kPa.
    """

    code = "boost.uneven"

    def __init__(self, night: Night, size: float, rng: np.random.Generator) -> None:
        super().__init__(night, size, rng)
        self.levels: dict[int, float] = {}
        self.gears = [g for plan in night.spec.logs for g, _, _ in plan.pulls]

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        gears = [g for plan in spec.logs for g, _, _ in plan.pulls]
        return gears.count(gears[-1]) >= 3 and not spec.car.control.steps_pct

    def others(self) -> float:
        last = self.n_pulls - 1
        same = [
            v for i, v in self.levels.items() if i != last and self.gears[i] == self.gears[last]
        ]
        return float(np.median(same))

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if pull.index != self.n_pulls - 1:
            self.levels[pull.index] = pull.level
            return None
        sign = 1.0 if self.dice[0] < 0.5 else -1.0
        apart = self.others() + sign * self.size * lim.UNEVEN_KPA - pull.level
        share = np.clip(pad(pull.base) / pull.level, 0.0, None)
        return Disturbance(boost=(apart * share * share).tolist())

    def true_size(self) -> float:
        boost = self.boost(self.night.trace.pulls[-1])
        level = float(np.median(boost[-(len(boost) // 3) :]))
        return abs(level - self.others()) / lim.UNEVEN_KPA


class Oscillation(_Boost):
    """A periodic swing of the held boost. True value: peak to peak = size x 15 kPa, 1 to 3 Hz."""

    code = "boost.oscillation"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.rate_hz >= 8.0

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if not self.hits(pull.index):
            return None
        held = (len(pull.base) - pull.settled_at) * PULL_STEP_S
        fastest = min(3.0, 0.2 * self.night.spec.rate_hz)
        slowest = min(fastest, max(1.0, 3.5 / held))
        hertz = slowest + (fastest - slowest) * self.dice[0]
        tau = since(pull, pull.settled_at)
        swing = 0.5 * self.size * lim.OSCILLATION_KPA_PP * np.sin(2.0 * np.pi * hertz * tau)
        return Disturbance(boost=(swing * np.clip(tau * hertz * 2.0, 0.0, 1.0)).tolist())

    def true_size(self) -> float:
        sizes = []
        for pull in self.hit_pulls():
            swing = self.night.trace.data["added"][pull.held]
            sizes.append(float(np.ptp(swing)) / lim.OSCILLATION_KPA_PP)
        return max(sizes)


class SensorCeiling(Fault):
    """The pressure sensor's top lies 3 kPa under the held boost: its readings stand still there."""

    code = "boost.sensor_ceiling"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("manifold_pressure") != spec.has("manifold_gauge")

    def top_kpa(self) -> float:
        """Highest absolute pressure the sensor can tell."""
        level = min(p.level_kpa for p in self.night.trace.pulls)
        away = -3.0 if self.present else 60.0
        return self.night.weather.pressure_kpa + level + away

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        if signal == "manifold_pressure":
            return np.minimum(value, self.top_kpa())
        if signal == "manifold_gauge":
            return np.minimum(value, self.top_kpa() - self.night.weather.pressure_kpa)
        return value

    def true_size(self) -> float:
        top = self.top_kpa() - self.night.weather.pressure_kpa
        beyond = [float(np.sum(self.boost(p) > top)) for p in self.night.trace.pulls]
        return self.size if (min(beyond) * PULL_STEP_S > 1.0) == self.present else 0.0


class NoLimit(Fault):
    """Boost above 100 kPa and nobody said what the engine may see. Below size 1 it was said."""

    code = "boost.no_limit"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.car.control.level_kpa >= 108.0

    def papers(self) -> None:
        if self.present:
            self.night.limit_kpa = None

    def true_size(self) -> float:
        return self.size if (self.night.limit_kpa is None) == self.present else 0.0
