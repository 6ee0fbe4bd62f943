"""Engine speed that runs away from road speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from families import limits as lim
from families.car import Disturbance
from families.drive import Pull, PullTrace
from families.limits import Array

from .base import Fault, since, smooth

if TYPE_CHECKING:
    from families.night import Spec


class Wheelspin(Fault):
    """The tyres let go for 0.8 s in one pull: engine speed 22 % ahead of road speed, then grip.

    Below size 1: 2 % of slip, as any driven tyre shows.
    """

    code = "traction.wheelspin"
    graded = False

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        return spec.has("vehicle_speed") and spec.has("engine_speed")

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        if pull.index != self.one:
            return None
        tau = since(pull, pull.settled_at)
        bump = smooth(tau / 0.25) * smooth((0.8 - tau) / 0.25)
        return Disturbance(slip=((0.22 if self.present else 0.02) * bump).tolist())

    def slip(self, pull: Pull) -> Array:
        """Share by which the engine runs ahead of the road."""
        data = self.night.trace.data
        tied = data["v"][pull.span] * self.night.car.line.rpm_per_mps(pull.gear)
        return data["rpm"][pull.span] / tied - 1.0

    def true_size(self) -> float:
        spins = float(np.max(self.slip(self.night.trace.pulls[self.one]))) > 0.15
        return self.size if spins == self.present else 0.0


class ClutchSlip(Wheelspin):
    """The clutch slips as torque peaks. True value: engine ahead of road speed = size x 8 %.

    In every pull: grows as the boost comes, stays 0.6 s, closes over the next second and a half.
    """

    code = "traction.clutch_slip"
    graded = True

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        tau = since(pull, pull.settled_at)
        bump = smooth((tau + 0.6) / 0.6) * smooth((2.1 - tau) / 1.5)
        return Disturbance(slip=(self.size * lim.CLUTCH_SLIP_PCT / 100.0 * bump).tolist())

    def true_size(self) -> float:
        sizes = [100.0 * float(np.max(self.slip(p))) for p in self.night.trace.pulls]
        return max(sizes, key=lambda s: abs(s - self.size * lim.CLUTCH_SLIP_PCT)) / (
            lim.CLUTCH_SLIP_PCT
        )
