"""Faults of what brings the fuel: pump, injectors, a cut by the computer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from families import limits as lim
from families.car import Disturbance
from families.drive import Pull, PullTrace
from families.limits import Array

from .base import PAD, Fault, smooth

if TYPE_CHECKING:
    from families.night import Spec


class PressureDrop(Fault):
    """Fuel pressure over manifold pressure falls as load rises.

    True value: (level off load - least in the pull) / level off load = size x 12 %; with direct
    injection the rail against its own level earlier in the pull.
    """

    code = "fuel.pressure_drop"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("fuel_pressure") and spec.has_pressure

    def differential(self) -> Array:
        """Fuel pressure over manifold pressure; the rail's own with direct injection."""
        rail = self.night.signals["fuel_pressure"]
        return rail if self.night.car.direct else rail - self.night.plant.boost

    def level(self, pull: Pull) -> float:
        """What the differential was before the fault."""
        over = self.differential()
        if self.night.car.direct:
            return float(np.max(over[pull.held]))
        quiet = ~self.night.plant.pulling & self.night.plant.runs
        return float(np.median(over[quiet]))

    def signals(self) -> None:
        rail = self.night.signals["fuel_pressure"]
        for pull in self.night.trace.pulls:
            level, over = self.level(pull), self.differential()
            since = self.window(pull)[pull.span]
            end = since[-1]
            share = smooth((since - 0.1 * end) / (0.6 * end))
            least = level * (1.0 - self.size * lim.FUEL_DROP_PCT / 100.0)
            rail[pull.span] += share * (least - over[pull.span])

    def true_size(self) -> float:
        sizes = []
        for pull in self.night.trace.pulls:
            over, level = self.differential()[pull.span], self.level(pull)
            held = over[pull.settled - pull.first :]
            sizes.append((1.0 - float(np.min(held)) / level) / (lim.FUEL_DROP_PCT / 100.0))
        return max(sizes, key=lambda s: abs(s - self.size))


class InjectorLimit(Fault):
    """Injectors too small. True value: highest share of the cycle = 92 + (size - 1) x 14 %."""

    code = "fuel.injector_limit"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("injector_duty") or spec.has("injector_pulse_width")

    def duty(self) -> Array:
        """Injector duty [%], from the pulse width where only that is logged."""
        if self.night.spec.has("injector_duty"):
            return self.night.signals["injector_duty"]
        return self.night.signals["injector_pulse_width"] * self.night.plant.rpm / 1200.0

    def signals(self) -> None:
        peak = float(np.max(self.duty()[self.night.plant.pulling]))
        for name in ("injector_duty", "injector_pulse_width"):
            if self.night.spec.has(name):
                self.night.signals[name] *= lim.INJECTOR_DUTY_PCT.at(self.size) / peak

    def true_size(self) -> float:
        return lim.INJECTOR_DUTY_PCT.size(float(np.max(self.duty()[self.night.plant.pulling])))


class FuelCut(Fault):
    """The computer cuts the fuel for 0.35 s in one pull. Below size 1: only the cut of overrun."""

    code = "fuel.cut"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("lambda")

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if pull.index != self.one or not self.present:
            return None
        start = pull.settled_at + int((0.3 + 0.3 * self.dice[0]) * (len(pull.t) - pull.settled_at))
        cut = np.zeros(len(pull.t) + PAD)
        cut[start : start + 35] = 1.0
        return Disturbance(cut=cut.tolist())

    def true_size(self) -> float:
        cut = float(np.sum(self.night.trace.data["cut"][self.night.trace.pulls[self.one].span]))
        return self.size if (cut >= 35) == self.present else 0.0
