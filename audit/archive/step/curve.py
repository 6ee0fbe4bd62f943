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

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from audit.archive.step.step_table import choices, figures
from audit.model import Array

GRID = np.arange(0.0, 101.0)
PATHS = 2000
LEAST_WEIGHT = 0.01  # of a set of spreads, against the best; lighter ones are left out
SEED = 20_11


@dataclass(frozen=True)
class Points:
    """n pulls. duty: %; boost: kPa gauge; gear: whole number, 0 for unknown; night: whole number;
    weight: 1 for the newest, less for older; relative: air density over the reference's.
    """

    duty: Array
    boost: Array
    gear: Array
    night: Array
    weight: Array
    relative: Array

    @property
    def n(self) -> int:
        return len(self.duty)


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
        self, boost: float, *, relative: float = 1.0, cover: float = 0.9
    ) -> tuple[float | None, float | None, float | None]:
        """(lower end, median, upper end) of the duty that settles at `boost`, %; None where 100 %
        does not reach it.
        """
        level = self.paths * relative ** self.power[:, None]
        reached = level >= boost
        first = np.where(reached.any(axis=1), reached.argmax(axis=1), len(GRID))
        duty = np.full(len(first), np.inf)
        inside = first < len(GRID)
        at = first[inside]
        before = np.maximum(at - 1, 0)
        y0, y1 = level[inside, before], level[inside, at]
        duty[inside] = at - np.where(
            (y1 > y0) & (at > 0), (y1 - boost) / np.maximum(y1 - y0, 1e-12), 0.0
        )
        low, middle, high = np.quantile(
            duty, [(1 - cover) / 2, 0.5, (1 + cover) / 2], method="nearest"
        )
        return tuple(float(v) if np.isfinite(v) else None for v in (low, middle, high))  # type: ignore[return-value]


def fit_curves(
    points: Points, gears: Sequence[int], *, spring_kpa: float | None = None
) -> dict[int, Curve]:
    """The curve of each gear asked for; a gear without pulls borrows from the others.

    points: at least one pull, all finite. spring_kpa: the car file's, gauge. Raises ValueError for
    no pull.
    """
    if points.n == 0:
        raise ValueError("a curve needs at least one pull")
    rng = np.random.default_rng(SEED)
    fits = _weighed(points, spring_kpa)
    total = sum(fit.weight for fit in fits)
    counts = rng.multinomial(PATHS, [fit.weight / total for fit in fits])
    used = [(fit, int(count)) for fit, count in zip(fits, counts, strict=True) if count]
    # A night differs from the next by more than the few at hand may show, so heavier tails than a
    # normal's.
    freedom = figures("curve")["tails"]
    tails = rng.standard_t(freedom, PATHS) * np.sqrt((freedom - 2.0) / freedom)
    scale = np.concatenate([f.scale * _freed(f.freedom, c, rng) for f, c in used])
    spread = np.concatenate([np.full(c, np.hypot(f.pull_sd, f.night_sd)) for f, c in used])
    noise = spread * scale * tails
    fitted = np.concatenate([np.full(c, f.power) for f, c in used])
    power, middle = fitted, float(np.median(points.relative))
    if len({f.power for f, _ in used}) == 1 and _learns_no_power(points):
        power = rng.choice(choices("air_power"), size=PATHS)
    air = np.exp(rng.normal(0.0, figures("curve")["air_sd"], PATHS))
    drawn = {  # each gear draws by itself, so that it is the same whichever others are asked for
        gear: _paths(points, gear, used, scale, np.random.default_rng((SEED, gear)))
        for gear in gears
    }
    moved = (middle ** (fitted - power))[
        :, None
    ]  # the paths hold in the air of the pulls, whatever the power
    return {
        gear: Curve(gear, paths * moved, noise, power, data, air)
        for gear, (paths, data) in drawn.items()
    }


def _learns_no_power(points: Points) -> bool:
    """The air of the pulls hardly differs, so that they cannot tell how boost goes by it."""
    return float(np.ptp(points.relative)) < 0.01


@dataclass(frozen=True)
class _Fit:
    """One set of spreads with its weight (its log, while they are compared) and what it takes to
    predict. scale: by how much this car differs from what the set expects, by how far each pull
    fell from what those before it led to expect; freedom: what that stands on.
    """

    weight: float
    pull_sd: float
    night_sd: float
    bend_sd: float
    power: float
    root: Array  # Cholesky factor of the pulls' covariance
    solved: Array  # covariance⁻¹ (z - mean)
    spring: float
    spring_sd: float
    scale: float
    freedom: float


def _freed(freedom: float, count: int, rng: np.random.Generator) -> Array:
    """What is not known of a scale that stands on so many degrees of freedom."""
    return np.asarray(np.sqrt(freedom / rng.chisquare(freedom, count)))


def _weighed(points: Points, spring_kpa: float | None) -> list[_Fit]:
    setting = figures("curve")
    spring = setting["spring_kpa"] if spring_kpa is None else spring_kpa
    spring_sd = setting["spring_sd"] if spring_kpa is None else setting["known_spring_sd"]
    powers, prior = choices("air_power"), setting["scale_pulls"]
    if _learns_no_power(points):
        powers = powers[1:2]
    same_night = (points.night[:, None] == points.night) / np.sqrt(
        points.weight[:, None] * points.weight
    )
    bends = {
        sd: _covariance(
            points.duty, points.gear, points.duty, points.gear, bend_sd=sd, spring_sd=spring_sd
        )
        for sd in choices("bend_sd")
    }
    fits = []
    for power in powers:
        z = points.boost / points.relative**power
        jacobian = -power * float(np.log(points.relative).sum())
        left = z - spring - _expected_rise(points.duty)
        for spreads in product(choices("pull_sd"), choices("night_sd"), choices("bend_sd")):
            pull_sd, night_sd, bend_sd = spreads
            covariance = (
                bends[bend_sd] + night_sd**2 * same_night + np.diag(pull_sd**2 / points.weight)
            )
            root = np.linalg.cholesky(covariance)
            half = np.linalg.solve(root, left)
            # half: how far each pull fell from what those before it led to expect, in its spreads
            missed, freedom = prior + float(half @ half), prior + points.n
            score = -0.5 * freedom * float(np.log(missed / prior)) + jacobian
            score -= float(np.log(np.diag(root)).sum())
            # before any pull was seen the middle values are twice as likely as the outer ones
            names = ("pull_sd", "night_sd", "bend_sd", "air_power")
            middle = sum(v == choices(n)[1] for v, n in zip((*spreads, power), names, strict=True))
            fits.append(
                _Fit(
                    weight=score + middle * float(np.log(2.0)),
                    pull_sd=pull_sd,
                    night_sd=night_sd,
                    bend_sd=bend_sd,
                    power=power,
                    root=root,
                    solved=np.linalg.solve(root.T, half),
                    spring=spring,
                    spring_sd=spring_sd,
                    scale=float(np.sqrt(missed / freedom)),
                    freedom=freedom,
                )
            )
    best = max(fit.weight for fit in fits)
    weighed = (replace(fit, weight=float(np.exp(fit.weight - best))) for fit in fits)
    return [fit for fit in weighed if fit.weight >= LEAST_WEIGHT]


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
    product_ab = a[:, None] * b[None, :]
    low = np.minimum(a[:, None], b[None, :])
    gap = np.abs(a[:, None] - b[None, :])
    bend = (bend_sd * length) ** 2 * (
        2.0 * low / length
        + np.exp(-a / length)[:, None]
        + np.exp(-b / length)[None, :]
        - 1.0
        - np.exp(-gap / length)
    )
    shared = spring_sd**2 + setting["slope_sd"] ** 2 * product_ab + bend
    own = setting["gear_level"] ** 2 + setting["gear_slope"] ** 2 * product_ab
    return np.asarray(shared + (gear_a[:, None] == gear_b[None, :]) * own)


def _paths(
    points: Points,
    gear: int,
    used: Sequence[tuple[_Fit, int]],
    scale: Array,
    rng: np.random.Generator,
) -> tuple[Array, tuple[float, ...]]:
    """Rising paths of one gear, and the lowest and highest duty logged in it."""
    gears = np.full(len(GRID), float(gear))
    paths: list[Array] = []
    done = 0
    among: dict[float, Array] = {}
    for fit, count in used:
        if fit.bend_sd not in among:
            among[fit.bend_sd] = _covariance(
                GRID, gears, GRID, gears, bend_sd=fit.bend_sd, spring_sd=fit.spring_sd
            )
        across = _covariance(
            GRID, gears, points.duty, points.gear, bend_sd=fit.bend_sd, spring_sd=fit.spring_sd
        )
        mean = fit.spring + _expected_rise(GRID) + across @ fit.solved
        half = np.linalg.solve(fit.root, across.T)
        covariance = among[fit.bend_sd] - half.T @ half
        root = np.linalg.cholesky(covariance + 1e-6 * np.eye(len(GRID)))
        off = rng.standard_normal((count, len(GRID))) @ root.T
        paths.append(mean + off * scale[done : done + count, None])
        done += count
    own = points.duty[points.gear == gear]
    seen = own if len(own) else points.duty
    rising = _rising(np.concatenate(paths), float(seen.min()), float(seen.max()))
    return rising, ((float(own.min()), float(own.max())) if len(own) else ())


def _rising(paths: Array, low: float, high: float) -> Array:
    """Paths that do not fall: the nearest in the largest deviation from low to high, without
    falling steps outside.
    """
    first, last = int(np.floor(low)), int(np.ceil(high))
    out = paths.copy()
    inside = paths[:, first : last + 1]
    from_left = np.maximum.accumulate(inside, axis=1)
    from_right = np.minimum.accumulate(inside[:, ::-1], axis=1)[:, ::-1]
    out[:, first : last + 1] = 0.5 * (from_left + from_right)
    steps = np.maximum(np.diff(paths, axis=1), 0.0)
    if last < len(GRID) - 1:
        out[:, last + 1 :] = out[:, last : last + 1] + np.cumsum(steps[:, last:], axis=1)
    if first > 0:
        out[:, :first] = (
            out[:, first : first + 1] - np.cumsum(steps[:, :first][:, ::-1], axis=1)[:, ::-1]
        )
    return out
