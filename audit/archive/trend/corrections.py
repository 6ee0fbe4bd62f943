"""What is left of a measure once weather, height, gear and duty are taken out, night by night.

A robust Bayesian regression that is updated with each night: the score of a night uses only the
nights before it, so a chart of the scores says what would have been seen on that night.
Sources: recursive residuals, Brown, Durbin and Evans, J. R. Statist. Soc. B 37 (1975); scores of a
process with unknown mean and spread, Quesenberry, J. Quality Technology 23 (1991); weights, Huber
(1964). All from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.model import Array
from audit.signal.arrays import median_sorted
from audit.signal.robust import MAD_TO_SIGMA

PRIOR_NIGHTS = 6.0  # what the table's noise counts for against the nights seen
KNOWN_NIGHTS = PRIOR_NIGHTS + 8.0  # before these the guard below is off: no level yet to guard
HUBER = 2.0  # scores beyond this count less
WITHIN = 0.5  # weight of a pull's distance to its night's mean against a night's mean
SPREAD_CLIP = 2.5  # a night adds at most this many spreads, squared, to the spread
# a run of scores of this sum (after 1 off each) stops the learning, lest it learns the fault
GUARD = 4.0


@dataclass(frozen=True)
class Nights:
    """One measure night by night, and what is expected of it before any.

    dates: ISO days. rows: (x, y) of each, x of shape (pulls, p) with a leading column of ones, y of
    shape (pulls,), no NaN. mean, sd: expected coefficients and their standard deviations, (p,).
    noise: spread from night to night, y's unit. reference: (p,), the conditions that values are
    told for. missing: variance a night for what was not logged, y's unit squared.
    """

    dates: tuple[str, ...]
    rows: list[tuple[Array, Array]]
    mean: Array
    sd: Array
    noise: float
    reference: Array
    missing: Array


@dataclass(frozen=True)
class Corrected:
    """One value a night. residual: observed minus expected, the measure's unit; score: the same as
    a standard normal score; value: the night's at the reference conditions, by the last
    coefficients. coefficients: after the last night.
    """

    residual: Array
    score: Array
    value: Array
    coefficients: Array


class Spread:
    """The spread from night to night, learnt as the nights come: `noise` before any, counted as
    `nights`.
    """

    def __init__(self, noise: float, nights: float) -> None:
        self.squares, self.count = nights * noise**2, nights
        self.up = self.down = 0.0

    @property
    def variance(self) -> float:
        return self.squares / self.count

    def learns(self, score: float) -> bool:
        """Learn a night by its score, unless a run of them looks like a fault."""
        if self.count >= KNOWN_NIGHTS:
            clipped = max(-4.0, min(4.0, score))
            self.up = max(0.0, self.up + clipped - 1.0)
            self.down = max(0.0, self.down - clipped - 1.0)
        if max(self.up, self.down) >= GUARD:
            return False
        self.squares += self.variance * min(score**2, SPREAD_CLIP**2)
        self.count += 1.0
        return True


def correct(nights: Nights) -> Corrected:
    """Run the regression over the nights in order."""
    variance = (nights.sd / nights.noise) ** 2
    information, covariance = np.diag(1.0 / variance), np.diag(variance)
    vector, beta = nights.mean / variance, nights.mean
    spread = Spread(nights.noise, PRIOR_NIGHTS)
    told, means = [], []
    for (every_x, every_y), missing in zip(nights.rows, nights.missing, strict=True):
        noise2, freedom = spread.variance, spread.count
        x, y = _sound(every_x, every_y, beta, noise2)
        mean_x, mean_y = x.sum(axis=0) / len(y), float(y.sum()) / len(y)
        residual = mean_y - float(mean_x @ beta)
        unsure = noise2 * (1.0 + float(mean_x @ covariance @ mean_x)) + missing
        score = residual / unsure**0.5
        told.append((residual, score, freedom))
        means.append((*mean_x, mean_y))
        if len(y) > 1:  # what the pulls tell against each other: nothing of the level
            x, y = x - mean_x, y - mean_y
            weight = WITHIN * _weight((y - x @ beta) / noise2**0.5)
            information += (x.T * weight) @ x
            vector = vector + (x.T * weight) @ y
        if spread.learns(score):  # a fault is learnt neither as the level nor as noise
            weight = _weight(score)
            information += weight * mean_x[:, None] * mean_x
            vector = vector + weight * mean_y * mean_x
        covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
        beta = covariance @ vector
    residuals, scores, count = np.array(told).reshape(-1, 3).T
    seen = np.array(means).reshape(-1, len(beta) + 1)
    value = seen[:, -1] - (seen[:, :-1] - nights.reference) @ beta
    return Corrected(residuals, _normal_scores(scores, count), value, beta)


def _weight(off: Array | float) -> Array:
    """Huber's weights of distances in spreads."""
    return np.asarray(HUBER / np.maximum(np.abs(off), HUBER), dtype=np.float64)


def _sound(x: Array, y: Array, beta: Array, noise2: float) -> tuple[Array, Array]:
    """The pulls that are not far off their night's middle."""
    if len(y) < 3:
        return x, y
    residual = y - x @ beta
    off = np.abs(residual - median_sorted(residual))
    keep = off <= 3.5 * max(MAD_TO_SIGMA * median_sorted(off), noise2**0.5)
    return x[keep], y[keep]


def _normal_scores(t: Array, freedom: Array) -> Array:
    """Student scores to normal ones of the same tail."""
    from scipy.special import ndtri, stdtr

    tail = np.maximum(stdtr(freedom, -np.abs(t)), 1e-300)
    return np.asarray(-np.sign(t) * ndtri(tail), dtype=float)
