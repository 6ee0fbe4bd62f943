"""Faults of what sets the boost: solenoid, duty, throttle plate."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from families.car import Disturbance
from families.drive import PullTrace

from .base import PAD, Fault, smooth
from .boost import UnderTarget

if TYPE_CHECKING:
    from families.night import Spec


class NoResponse(Fault):
    """Boost stays the same from pull to pull though the owner raises the duty."""

    code = "control.no_response"
    graded = False
    gain = 0.0

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return bool(spec.car.control.steps_pct) and spec.has("wastegate_duty")

    def prepare(self) -> None:
        if self.present:
            self.night.duty_gain = self.gain

    def true_size(self) -> float:
        levels = [p.level_kpa for p in self.night.trace.pulls]
        moved = levels[-1] - levels[0]
        healthy = moved > 8.0
        if not self.present:
            return self.size if healthy else 0.0
        wrong = abs(moved) < 3.0 if self.gain == 0.0 else moved < -8.0
        return self.size if wrong else 0.0


class Reversed(NoResponse):
    """Boost falls from pull to pull as the owner raises the duty: the solenoid is plumbed wrong."""

    code = "control.reversed"
    gain = -1.0


class ThrottleClosed(Fault):
    """The computer shuts the throttle to 55 % for half a second in a pull, the pedal down.

    Below size 1: to 95 %, which is still wide open.
    """

    code = "control.throttle_closed"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return (
            spec.car.line.by_wire and spec.has("throttle_position") and spec.has("pedal_position")
        )

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if pull.index != self.one:
            return None
        start = int(len(pull.t) * (0.45 + 0.15 * self.dice[0]))
        cap = np.ones(len(pull.t) + PAD)
        cap[start : start + 50] = 0.55 if self.present else 0.95
        return Disturbance(throttle=cap.tolist())

    def true_size(self) -> float:
        opening = self.night.trace.data["u"][self.night.trace.pulls[self.one].span]
        shut = float(np.min(opening[60:])) < 0.7
        return self.size if shut == self.present else 0.0


class Saturated(UnderTarget):
    """As boost.under_target, with the duty at its end stop from the settling on.

    True value: median of target - boost = size x 14 kPa while the duty stands at its top.
    """

    code = "control.saturated"

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return super().fits(spec) and spec.has("wastegate_duty")

    def signals(self) -> None:
        duty = self.night.signals["wastegate_duty"]
        top = self.night.car.control.top_duty_pct
        for pull in self.night.trace.pulls:
            climb = smooth((self.window(pull)[pull.span] + 0.5) / 0.5)
            duty[pull.span] += climb * (top - duty[pull.span])
