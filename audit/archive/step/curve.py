"""Boost against duty as a curve that never falls, with an interval that widens where there is no
data.

Boost at duty d is a level plus the integral of a slope; the slope is the car's own plus a bend that
fades over some percent of duty (an integrated Ornstein-Uhlenbeck process), so far from the data the
curve may still bend either way. Gears share the curve and may differ in level and slope; nights and
pulls add their spread. The spreads, the bend and the power of air density are weighed by how well
they explain the data, and the paths are drawn from all of them. Paths are then made to rise: inside
the data by the nearest rising path in the largest deviation, outside by leaving out falling slopes.
Sources (from memory): Gaussian-process regression, Rasmussen and Williams (2006), chapters 2 and 5;
projection of posterior paths on rising ones, Lin and Dunson, Biometrika 101 (2014); nearest rising
path in the largest deviation is the mean of the running maxima from the left and minima from the
right, Ubhaya (1974).
Does not see: a valve that answers otherwise up than down (see audit.archive.step.valve).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from itertools import product
from typing import NamedTuple

import numpy as np

from audit.archive.step.step import choices, figures
from audit.model import Array

GRID = np.arange(0.0, 101.0)
PATHS = 2000
LEAST_WEIGHT = 0.01  # of a set of spreads, against the best; lighter ones are left out
SEED = 20_11
SPREADS = ("pull_sd", "night_sd", "bend_sd")


class Points(NamedTuple):
    """n pulls. duty: %; boost: kPa gauge; gear: whole number, 0 for unknown; night: whole number;
    weight: 1 for the newest, less for older; relative: air density over the reference's.
    """

    duty: Array
    boost: Array
    gear: Array
    night: Array
    weight: Array
    relative: Array


@dataclass(frozen=True)
class Curve:
    """Settled boost of one gear against duty.

    paths: (PATHS, 101) kPa gauge in the reference air, at 0 to 100 % duty, none falling; noise:
    (PATHS,) what the next pull adds, kPa; power: (PATHS,) of air density; air: (PATHS,) of the
    coming night over what it is taken to be. data: lowest and highest duty logged in this gear, ()
    for none.
    """

    gear: int
    paths: Array
    noise: Array
    power: Array
    data: tuple[float, ...]
    air: Array | float = 1.0

    def drawn(
        self, duty: float, *, relative: float = 1.0, pull: bool = True, air_known: bool = False
    ) -> Array:
        """Draws of boost at a duty, kPa gauge: of the next pull, or of the curve itself. air_known:
        `relative` is the air of the pull, and not that of the night before it. (PATHS,).
        """
        low = int(np.clip(np.floor(duty), 0, len(GRID) - 2))
        share = float(np.clip(duty - low, 0.0, 1.0))
        level = (1.0 - share) * self.paths[:, low] + share * self.paths[:, low + 1]
        if not pull:
            return np.asarray(level * relative**self.power)
        air = relative if air_known else relative * self.air
        return np.asarray((level + self.noise) * air**self.power)

    def interval(
        self, duty: float, *, cover: float = 0.9, relative: float = 1.0, pull: bool = True
    ) -> tuple[float, float, float]:
        """(lower end, median, upper end) of boost at a duty, kPa gauge."""
        draws = self.drawn(duty, relative=relative, pull=pull)
        low, middle, high = np.quantile(draws, [(1 - cover) / 2, 0.5, (1 + cover) / 2])
        return float(low), float(middle), float(high)

    def upper(self, duty: float, *, sure: float, relative: float = 1.0) -> float:
        """The boost that a pull in this air stays under with this certainty, kPa gauge."""
        return float(np.quantile(self.drawn(duty, relative=relative, air_known=True), sure))

    def duty_for(
        self, boost: float, *, relative: float = 1.0
    ) -> tuple[float | None, float | None, float | None]:
        """(lower end, median, upper end) of the duty that settles at `boost`, %, nine in ten; None
        where 100 % does not reach it.
        """
        level = self.paths * relative ** self.power[:, None]
        above = level >= boost
        at = np.where(above.any(axis=1), above.argmax(axis=1), len(GRID) - 1)
        rows = np.arange(len(at))
        y0, y1 = level[rows, np.maximum(at - 1, 0)], level[rows, at]
        over = np.where((y1 > y0) & (at > 0), (y1 - boost) / np.maximum(y1 - y0, 1e-12), 0.0)
        duty = np.where(above.any(axis=1), at - over, np.inf)
        ends = np.quantile(duty, [0.05, 0.5, 0.95], method="nearest")
        low, middle, high = (float(v) if np.isfinite(v) else None for v in ends)
        return low, middle, high


class Curves(dict[int, Curve]):
    """The curve of each gear, drawn when it is first asked for, by itself, so that it is the same
    whichever others are; a gear without pulls borrows from the others.

    points: at least one pull, all finite. spring_kpa: the car file's, gauge. Raises ValueError for
    no pull.
    """

    def __init__(self, points: Points, *, spring_kpa: float | None = None) -> None:
        super().__init__()
        if len(points.duty) == 0:
            raise ValueError("a curve needs at least one pull")
        setting = figures("curve")
        spring, sd = setting["spring_kpa"], setting["spring_sd"]
        if spring_kpa is not None:
            spring, sd = spring_kpa, setting["known_spring_sd"]
        self.points, self.spring, self.spring_sd = points, spring, sd
        # the air of the pulls may hardly differ, so that they cannot tell how boost goes by it
        self.blind = bool(np.ptp(points.relative) < 0.01)
        fits, weights = self._fits()
        freed = setting["scale_pulls"] + len(points.duty)
        rng = np.random.default_rng(SEED)
        counts = rng.multinomial(PATHS, weights / weights.sum())
        self.used = [(f, int(c)) for f, c in zip(fits, counts, strict=True) if c]
        # A night differs from the next by more than the few at hand may show, so heavier tails than
        # a normal's.
        freedom = setting["tails"]
        tails = rng.standard_t(freedom, PATHS) * np.sqrt((freedom - 2.0) / freedom)
        self.scale = np.concatenate([f.scale * _freed(freed, c, rng) for f, c in self.used])
        spread = np.concatenate([np.full(c, f.spread) for f, c in self.used])
        self.noise = spread * self.scale * tails
        fitted = np.concatenate([np.full(c, f.power) for f, c in self.used])
        self.power = fitted
        if len({f.power for f, _ in self.used}) == 1 and self.blind:
            self.power = rng.choice(choices("air_power"), size=PATHS)
        self.air = np.exp(rng.normal(0.0, setting["air_sd"], PATHS))
        # the paths hold in the air of the pulls, whatever the power
        self.moved = float(np.median(points.relative)) ** (fitted - self.power)

    def __missing__(self, gear: int) -> Curve:
        own = self.points.duty[self.points.gear == gear]
        seen = own if len(own) else self.points.duty
        paths = _rising(self._paths(gear), float(seen.min()), float(seen.max()))
        data = (float(own.min()), float(own.max())) if len(own) else ()
        moved = paths * self.moved[:, None]
        self[gear] = Curve(gear, moved, self.noise, self.power, data, self.air)
        return self[gear]

    def _paths(self, gear: int) -> Array:
        """Draws of boost in one gear before they are made to rise, (PATHS, 101) kPa gauge."""
        rng, points = np.random.default_rng((SEED, gear)), self.points
        grid = GRID, np.full(len(GRID), float(gear))
        means, offs = [], []
        for fit, count in self.used:
            boost = partial(_covariance, bend_sd=fit.bend_sd, spring_sd=self.spring_sd)
            across = boost(*grid, points.duty, points.gear)
            half = np.linalg.solve(fit.root, across.T)
            covariance = boost(*grid, *grid) - half.T @ half
            root = np.linalg.cholesky(covariance + 1e-6 * np.eye(len(GRID)))
            means += [across @ fit.solved] * count
            offs.append(rng.standard_normal((count, len(GRID))) @ root.T)
        middle = self.spring + _expected_rise(GRID) + np.array(means)
        return np.asarray(middle + np.concatenate(offs) * self.scale[:, None])

    def _fits(self) -> tuple[list[_Fit], Array]:
        """The sets of spreads and power that explain the pulls, with the weight of each."""
        points, prior = self.points, figures("curve")["scale_pulls"]
        powers = np.array(choices("air_power")[1:2] if self.blind else choices("air_power"))
        spreads = [*product(*map(choices, SPREADS))]
        weigh = np.sqrt(points.weight[:, None] * points.weight)
        same_night = (points.night[:, None] == points.night) / weigh
        own = points.duty, points.gear
        bends = {
            sd: _covariance(*own, *own, bend_sd=sd, spring_sd=self.spring_sd)
            for sd in choices("bend_sd")
        }
        root = np.linalg.cholesky(
            [bends[b] + n**2 * same_night + np.diag(p**2 / points.weight) for p, n, b in spreads]
        )
        z = points.boost / points.relative ** powers[:, None]
        # half: how far each pull fell from what those before it led to expect, in its spreads
        half = np.linalg.solve(root, (z - self.spring - _expected_rise(points.duty)).T)
        missed, freedom = prior + (half**2).sum(axis=1), prior + len(points.duty)
        score = -0.5 * freedom * np.log(missed / prior)
        score -= powers * float(np.log(points.relative).sum())
        score -= np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)[:, None]
        # before any pull was seen the middle values are twice as likely as the outer ones
        middle = np.sum(np.array(spreads) == [choices(name)[1] for name in SPREADS], axis=1)
        score += np.log(2.0) * (middle[:, None] + (powers == choices("air_power")[1]))
        weight = np.exp(score - score.max()).T
        places = np.argwhere(weight >= LEAST_WEIGHT)
        fits = [
            _Fit(
                float(np.hypot(*spreads[s][:2])),
                spreads[s][2],
                float(powers[p]),
                root[s],
                np.linalg.solve(root[s].T, half[s, :, p]),
                float(np.sqrt(missed[s, p] / freedom)),
            )
            for p, s in places
        ]
        return fits, weight[tuple(places.T)]


class _Fit(NamedTuple):
    """One set of spreads with what it takes to predict. spread: of night and pull; root: Cholesky
    factor of the pulls' covariance; solved: covariance⁻¹ (z - mean); scale: by how much this car
    differs from what the set expects, by how far each pull fell from what those before it led to
    expect.
    """

    spread: float
    bend_sd: float
    power: float
    root: Array
    solved: Array
    scale: float


def _freed(freedom: float, count: int, rng: np.random.Generator) -> Array:
    """What is not known of a scale that stands on so many degrees of freedom."""
    return np.asarray(np.sqrt(freedom / rng.chisquare(freedom, count)))


def _expected_rise(duty: Array) -> Array:
    """Boost over the spring that a duty brings before any pull was seen, kPa: a slope that grows
    evenly with duty.
    """
    setting = figures("curve")
    low = setting["slope_low"]
    return np.asarray(setting["slope"] * duty * (low + (1.0 - low) * duty / 100.0))


def _covariance(
    a: Array, gear_a: Array, b: Array, gear_b: Array, *, bend_sd: float, spring_sd: float
) -> Array:
    """Of boost between duties a and b in their gears, kPa², (len(a), len(b))."""
    setting = figures("curve")
    length = setting["bend_length"]
    both, low = np.multiply.outer(a, b), np.minimum.outer(a, b)
    near = np.exp(-a / length)[:, None] + np.exp(-b / length)
    gap = np.exp(-np.abs(np.subtract.outer(a, b)) / length)
    bend = (bend_sd * length) ** 2 * (2.0 * low / length + near - 1.0 - gap)
    shared = spring_sd**2 + setting["slope_sd"] ** 2 * both + bend
    own = setting["gear_level"] ** 2 + setting["gear_slope"] ** 2 * both
    return np.asarray(shared + np.equal.outer(gear_a, gear_b) * own)


def _rising(paths: Array, low: float, high: float) -> Array:
    """Paths that do not fall: the nearest in the largest deviation from low to high, without
    falling steps outside.
    """
    first, last = int(np.floor(low)), int(np.ceil(high))
    inside = paths[:, first : last + 1]
    from_left = np.maximum.accumulate(inside, axis=1)
    from_right = np.minimum.accumulate(inside[:, ::-1], axis=1)[:, ::-1]
    middle = 0.5 * (from_left + from_right)
    steps = np.maximum(np.diff(paths, axis=1), 0.0)
    before = np.cumsum(steps[:, :first][:, ::-1], axis=1)[:, ::-1]
    after = np.cumsum(steps[:, last:], axis=1)
    return np.hstack([middle[:, :1] - before, middle, middle[:, -1:] + after])
