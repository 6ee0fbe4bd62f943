"""Faults of the mixture while boost is held."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from families import limits as lim
from families.drive import PULL_STEP_S, Pull
from families.limits import Array

from .base import Fault, smooth

if TYPE_CHECKING:
    from families.night import Spec


class _Mixture(Fault):
    """Faults of the mixture while the boost is held."""

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("lambda")

    def bounds(self) -> tuple[Array, Array, Array]:
        """Watch, hold and stop lambda through the night: by a logged target, or by boost."""
        night = self.night
        if night.spec.has("lambda_target"):
            aim = night.plant.lambda_aim()
            level = lim.OVER_LAMBDA_TARGET
            return aim + level.watch, aim + level.hold, aim + 0.12
        return lim.lean_limits(night.plant.boost, night.car.fuel, night.car.direct)

    def blend(self, burnt: Array, pull: Pull, goal: Array, start_s: float = 0.0) -> None:
        """Lead the mixture to a goal within 0.15 s of the settling of a pull and hold it there."""
        mask = self.in_held(pull)
        weight = smooth((self.window(pull)[mask] - start_s) / 0.15)
        burnt[mask] += weight * (goal[mask] - burnt[mask])

    def excess_sizes(self, pull: Pull) -> Array:
        """Size of the sensed lambda against the lean limits, held for 0.3 s."""
        watch, hold, _ = self.bounds()
        read = self.night.signals["lambda"][pull.span]
        size = 1.0 + (read - hold[pull.span]) / (2.0 * (hold - watch)[pull.span])
        size = size[pull.settled - pull.first :]
        return np.asarray(np.lib.stride_tricks.sliding_window_view(size, 31).min(axis=1))


class Lean(_Mixture):
    """Too lean while boost is held. True value: what the sensor shows for 0.3 s, without noise.

    Lambda = hold + (size - 1) x 2 x (hold - watch) of the limit that applies at that boost (the
    table by boost, or the logged target + 0.07), all banks alike.
    """

    code = "mixture.lean"

    def mixture(self, burnt: list[Array]) -> None:
        watch, hold, _ = self.bounds()
        goal = hold + (self.size - 1.0) * 2.0 * (hold - watch)
        for pull in self.hit_pulls():
            for bank in burnt:
                self.blend(bank, pull, goal)

    def true_size(self) -> float:
        return max(float(np.max(self.excess_sizes(p))) for p in self.hit_pulls())


class LeanSpike(_Mixture):
    """A short miss of fuel, 0.25 s, that the sensor sees as a spike to stop + 0.03.

    Below size 1 the spike stays 0.012 under the watch limit.
    """

    code = "mixture.lean_spike"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return super().fits(spec) and spec.rate_hz >= 10.0

    def goal(self) -> Array:
        watch, _, stop = self.bounds()
        return stop + 0.03 if self.present else watch - 0.012

    def mixture(self, burnt: list[Array]) -> None:
        pull, goal = self.night.trace.pulls[self.one], self.goal()
        since = self.window(pull)
        held = (pull.last - pull.settled) * PULL_STEP_S
        start = held * (0.35 + 0.25 * self.dice[0])
        mask = (since >= start) & (since < start + 0.25)
        for bank in burnt:
            # mixing (40 ms) and sensor (70 ms) swallow 6 % of a step of 0.25 s in 1 - 1/lambda
            was, want = 1.0 - 1.0 / bank[mask], 1.0 - 1.0 / goal[mask]
            bank[mask] = 1.0 / (1.0 - (was + (want - was) / 0.937))

    def true_size(self) -> float:
        pull = self.night.trace.pulls[self.one]
        gap = (self.night.signals["lambda"] - self.goal())[pull.held]
        return self.size if abs(float(np.max(gap[30:]))) < 0.008 else 0.0


class Rich(_Mixture):
    """Far too rich while boost is held. True value: sensed lambda at the fuel's rich limit's size."""

    code = "mixture.rich"

    def mixture(self, burnt: list[Array]) -> None:
        goal = np.full(len(burnt[0]), lim.rich(self.night.car.fuel).at(self.size))
        for pull in self.hit_pulls():
            for bank in burnt:
                self.blend(bank, pull, goal)

    def true_size(self) -> float:
        level = lim.rich(self.night.car.fuel)
        lowest = [float(np.min(self.night.signals["lambda"][p.held])) for p in self.hit_pulls()]
        return level.size(min(lowest))


class DriftsLean(_Mixture):
    """Leaner and leaner from settling to the lift, in every pull: fuel runs out as load rises.

    From the mixture aimed at to hold + 0.02, reached 0.4 s before it; below size 1 to watch - 0.012.
    """

    code = "mixture.drifts_lean"
    graded = False

    def mixture(self, burnt: list[Array]) -> None:
        watch, hold, _ = self.bounds()
        goal = hold + 0.02 if self.present else watch - 0.012
        for pull in self.night.trace.pulls:
            mask = self.in_held(pull)
            since = self.window(pull)[mask]
            share = since / max(0.1, since[-1] - 0.4)
            for bank in burnt:
                bank[mask] += np.minimum(1.0, share) * (goal[mask] - bank[mask])

    def true_size(self) -> float:
        ends = [float(self.excess_sizes(p)[-1]) for p in self.night.trace.pulls]
        over = min(ends) > 1.0
        return self.size if over == self.present else 0.0


class BanksDiffer(_Mixture):
    """One bank leaner, the other richer. True value: |difference| under load = size x 0.06."""

    code = "mixture.banks_differ"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("lambda_2")

    def mixture(self, burnt: list[Array]) -> None:
        apart = 0.5 * self.size * lim.BANKS_APART
        for pull in self.night.trace.pulls:
            middle = 0.5 * (burnt[0] + burnt[1])
            self.blend(burnt[0], pull, middle - apart)
            self.blend(burnt[1], pull, middle + apart)

    def true_size(self) -> float:
        apart = self.night.signals["lambda_2"] - self.night.signals["lambda"]
        middle = [float(np.median(apart[p.held][40:])) for p in self.night.trace.pulls]
        return max(middle, key=lambda a: abs(a / lim.BANKS_APART - self.size)) / lim.BANKS_APART
