"""What every fault has in common, and the night without one."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

import numpy as np

from families.car import Disturbance
from families.drive import PULL_STEP_S, Pull, PullTrace
from families.limits import Array

if TYPE_CHECKING:
    from families.night import Night, Spec

PAD = 150  # samples a disturbance reaches past the pull it was made for


def smooth(x: Array) -> Array:
    """A step from 0 to 1 as x goes from 0 to 1, without corners."""
    y = np.clip(x, 0.0, 1.0)
    return np.asarray(y * y * (3.0 - 2.0 * y))


class Fault:
    """No fault at all: a healthy night. Faults override the places where they act."""

    code: ClassVar[str] = ""
    graded: ClassVar[bool] = True

    def __init__(self, night: Night, size: float, rng: np.random.Generator) -> None:
        """``rng`` draws what a fault leaves open: which pull, which sensor, how fast."""
        self.night, self.size, self.rng = night, size, rng
        self.n_pulls = sum(len(p.pulls) for p in night.spec.logs)
        self.one = int(rng.integers(self.n_pulls))
        self.everywhere = bool(rng.integers(2)) or self.n_pulls == 1
        self.dice = rng.uniform(0.0, 1.0, 6)
        self.present = size >= 1.0

    @classmethod
    def fits(cls, spec: Spec) -> bool:
        """Whether a family's channels and driving can carry this fault."""
        return True

    def prepare(self) -> None:
        """Change what is driven, before it is driven."""

    def disturb(self, pull: PullTrace) -> Disturbance | None:
        """What the fault adds in a pull; None where it adds nothing."""
        return None

    def mixture(self, burnt: list[Array]) -> None:
        """Change the mixture burnt in each bank, in place."""

    def signals(self) -> None:
        """Change the noise-free signals, in place."""

    def read(self, log: int, signal: str, when: Array, value: Array) -> Array:
        """Change a sensor's readings."""
        return value

    def keep(self, log: int, when: Array) -> Array:
        """Which rows of a log are written."""
        return np.ones(len(when), dtype=bool)

    def papers(self) -> None:
        """Change the car file, after the night was driven."""

    def true_size(self) -> float:
        """Size of what is really there, measured on the noise-free signals."""
        return 0.0

    # helpers -------------------------------------------------------------------------------
    def hits(self, index: int) -> bool:
        """Whether the fault shows in the pull of this number."""
        return self.everywhere or index == self.one

    def hit_pulls(self) -> list[Pull]:
        """The pulls in which the fault shows."""
        return [p for p in self.night.trace.pulls if self.hits(p.index)]

    def boost(self, pull: Pull) -> Array:
        """True boost [kPa gauge] in a pull."""
        return self.night.trace.data["map"][pull.span] - self.night.weather.pressure_kpa

    def reference(self, pull: Pull) -> Array:
        """What the boost of a pull should be: its target, or the level it settles to."""
        if pull.closed:
            return self.night.trace.data["target"][pull.span]
        boost = self.boost(pull)
        return np.full(len(boost), float(np.median(boost[-(len(boost) // 3) :])))

    def window(self, pull: Pull) -> Array:
        """Time [s] of the night's samples relative to the settling of a pull."""
        time = self.night.trace.data["t"]
        return np.asarray(time - time[pull.settled])

    def in_held(self, pull: Pull) -> Array:
        """Mask of the night's samples where a pull has settled."""
        mask = np.zeros(len(self.night.trace.data["t"]), dtype=bool)
        mask[pull.held] = True
        return mask


class Healthy(Fault):
    """The night without a fault."""


def pad(values: Array, slope: bool = False) -> Array:
    tail = np.full(PAD, values[-1])
    if slope:
        tail = tail + (values[-1] - values[-30]) / 29.0 * np.arange(1, PAD + 1)
    return np.concatenate([values, tail])


def since(pull: PullTrace, first: int) -> Array:
    """Seconds since a sample of a pull, as far as a disturbance reaches."""
    return np.asarray((np.arange(len(pull.base) + PAD) - first) * PULL_STEP_S, dtype=float)
