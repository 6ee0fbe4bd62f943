"""What is left of a measure once weather, height, gear and duty are taken out, night by night.

A robust Bayesian regression that is updated with each night: the score of a night uses only the
nights before it, so a chart of the scores says what would have been seen on that night.
Sources: recursive residuals, Brown, Durbin and Evans, J. R. Statist. Soc. B 37 (1975); scores of a
process with unknown mean and spread, Quesenberry, J. Quality Technology 23 (1991); weights, Huber
(1964). All from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from audit.model import Array
from audit.signal.arrays import median_sorted
from audit.signal.robust import MAD_TO_SIGMA

PRIOR_NIGHTS = 6.0  # what the table's noise counts for against the nights seen
HUBER = 2.0  # scores beyond this count less
WITHIN = 0.5  # weight of a pull's distance to its night's mean against a night's mean
SPREAD_CLIP = 2.5  # a night adds at most this many spreads, squared, to the spread
WARM_NIGHTS = 8.0  # before these the guard below is off, for there is no level yet to guard
# a run of scores of this sum (after 1 off each) stops the learning, lest it learns the fault
GUARD = 4.0


@dataclass(frozen=True)
class Prior:
    """Expected coefficients, their standard deviations and the night-to-night noise, in the
    measure's unit.
    """

    mean: Array
    sd: Array
    noise: float


@dataclass(frozen=True)
class Corrected:
    """One value a night. residual: observed minus expected, the measure's unit; score: the same as
    a standard normal score. value: the night's value at the reference conditions, by the last
    coefficients. coefficients: after the last night.
    """

    residual: Array
    score: Array
    value: Array
    coefficients: Array


def correct(
    nights: Sequence[tuple[Array, Array]],
    prior: Prior,
    *,
    reference: Array,
    missing: Array | None = None,
) -> Corrected:
    """Run the regression over the nights in order.

    nights: (x, y) of each, x of shape (pulls, p) with a leading column of ones, y of shape
    (pulls,), no NaN.
    reference: p values, the conditions that `value` is told for. missing: extra variance a night
    for conditions that were not logged, the measure's unit squared.
    """
    state = _State(prior)
    extra = np.zeros(len(nights)) if missing is None else missing
    out = [state.night(x, y, more) for (x, y), more in zip(nights, extra, strict=True)]
    residual, score, freedom = np.array(out).reshape(-1, 3).T
    values = _values(nights, reference, state.beta)
    return Corrected(residual, _normal_scores(score, freedom), values, state.beta)


def _values(nights: Sequence[tuple[Array, Array]], reference: Array, beta: Array) -> Array:
    """Mean of each night at the reference conditions."""
    if not nights:
        return np.empty(0)
    counts = np.array([len(y) for _, y in nights])
    x, y = np.concatenate([x for x, _ in nights]), np.concatenate([y for _, y in nights])
    sums = np.add.reduceat(
        y - (x - reference) @ beta, np.concatenate([[0], np.cumsum(counts)[:-1]])
    )
    return np.asarray(sums / counts, dtype=float)


def _normal_scores(t: Array, freedom: Array) -> Array:
    """Student scores to normal ones of the same tail."""
    from scipy.special import ndtri, stdtr

    tail = np.maximum(stdtr(freedom, -np.abs(t)), 1e-300)
    return np.asarray(-np.sign(t) * ndtri(tail), dtype=float)


class _State:
    """Information matrix and vector, in units of the noise's variance."""

    def __init__(self, prior: Prior) -> None:
        variance = (prior.sd / prior.noise) ** 2
        self.information = np.diag(1.0 / variance)
        self.covariance = np.diag(variance)
        self.vector = prior.mean / variance
        self.beta = prior.mean.copy()
        self.squares = PRIOR_NIGHTS * prior.noise**2
        self.count = PRIOR_NIGHTS
        self.nights = 0
        self.up = self.down = 0.0

    def night(self, x: Array, y: Array, missing: float) -> tuple[float, float, float]:
        """(residual, Student score, degrees of freedom) of a night before it is learnt."""
        noise2, freedom = self.squares / self.count, self.count
        pull_residual = y - x @ self.beta
        if len(y) > 2 and not (keep := _sound(pull_residual, noise2)).all():
            x, y = x[keep], y[keep]
        mean_x, mean_y = x.sum(axis=0) / len(y), float(y.sum()) / len(y)
        residual = mean_y - float(mean_x @ self.beta)
        spread2 = noise2 * (1.0 + float(mean_x @ self.covariance @ mean_x)) + missing
        score = residual / spread2**0.5
        self._learn_within(x - mean_x, y - mean_y, noise2)
        self._watch(score)
        if max(self.up, self.down) < GUARD:  # a fault is learnt neither as the level nor as noise
            self._learn_night(mean_x, mean_y, score)
            self.squares += min(residual**2 * noise2 / spread2, SPREAD_CLIP**2 * noise2)
            self.count += 1.0
        self.nights += 1
        self.covariance = np.asarray(np.linalg.inv(self.information), dtype=np.float64)
        self.beta = self.covariance @ self.vector
        return residual, score, freedom

    def _learn_within(self, x: Array, y: Array, noise2: float) -> None:
        """What the pulls of one night tell against each other: nothing of the level."""
        if len(y) > 1:
            residual = y - x @ self.beta
            weight = WITHIN * np.minimum(
                1.0, HUBER * noise2**0.5 / np.maximum(np.abs(residual), 1e-12)
            )
            self.information += (x.T * weight) @ x
            self.vector += (x.T * weight) @ y

    def _watch(self, score: float) -> None:
        clipped = max(-4.0, min(4.0, score)) if self.nights >= WARM_NIGHTS else 0.0
        self.up = max(0.0, self.up + clipped - 1.0)
        self.down = max(0.0, self.down - clipped - 1.0)

    def _learn_night(self, x: Array, y: float, score: float) -> None:
        weight = min(1.0, HUBER / max(abs(score), 1e-12))
        self.information += weight * x[:, None] * x
        self.vector += weight * y * x


def _sound(residual: Array, noise2: float) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Pulls that are not far off their night's middle."""
    off = np.abs(residual - median_sorted(residual))
    limit = 3.5 * max(MAD_TO_SIGMA * median_sorted(off), noise2**0.5)
    return np.asarray(off <= limit, dtype=np.bool_)
