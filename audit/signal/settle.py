"""The line that a signal settles on, told apart from what dies away on the way there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.signal.arrays import FloatArray, block_means, median_sorted
from audit.signal.lines import theil_sen

MOST_POINTS = 64
DECAYS = np.geomspace(0.03, 0.3, 6)  # time constants of a plain approach, as shares of the window
DAMPING = np.array([0.01, 0.1, 0.2, 0.35, 0.55, 0.8])  # of a ringing approach
FREQUENCIES = 13
LEAST_POINTS = 8
FINER = np.array([0.86, 0.9, 0.95, 1.0, 1.05, 1.1, 1.16])  # second look around the best frequency
FINER_DAMPING = np.array([0.65, 0.8, 1.0, 1.25, 1.5])


@dataclass(frozen=True)
class Settled:
    """y = level + slope (t - origin_s) + what dies away.

    left: size of the dying part at the end; still_rings: the swing is steady rather than dying.
    """

    origin_s: float
    level: float
    slope: float
    left: float
    still_rings: bool
    sigma: float

    def at(self, t: FloatArray) -> FloatArray:
        """The settled line at the times t."""
        return self.level + self.slope * (t - self.origin_s)


def settle(t: FloatArray, y: FloatArray, sigma: float) -> Settled:
    """Fit a level or a line plus a plain or ringing approach to it, to the part after a transition.

    t: n seconds, clean, at least 3; y: n; sigma: noise. Each shape of the approach (six time constants; fourteen
    frequencies by seven damping ratios) is fitted by least squares and the best is taken
    by the Bayesian information criterion, twice: the second time wild samples weigh less.
    Source: exponential fits by variable projection (Golub and Pereyra 1973, from memory); Huber weights.
    """
    x, v, count = block_means(t, y, MOST_POINTS)
    u = x - x[0]
    if u.size < LEAST_POINTS:
        return _few(x, v, sigma)
    shapes = _coarse(u)
    best = _best(u, v, shapes, count, sigma)
    weight = _weights(best.residual, v, count, sigma)
    best = _best(u, v, shapes, weight, sigma)
    if best.shape >= 0:
        shapes = _finer(u, shapes, best.shape)
        best = _best(u, v, shapes, weight, sigma)
    left = shapes.end[best.shape] if best.shape >= 0 else 0.0
    steady = best.shape >= 0 and bool(shapes.rings[best.shape]) and left > 0.2
    return Settled(float(x[0]), best.level, best.slope, best.size * float(left), steady,
                   1.4826 * median_sorted(np.abs(best.residual)))


def _few(x: FloatArray, y: FloatArray, sigma: float) -> Settled:
    """Too short for shapes: a line where its slope is sure, else a level."""
    line = theil_sen(x, y) if x.size > 3 else None
    if line is None or line.low <= 0 <= line.high:
        return Settled(float(x[0]), median_sorted(y), 0.0, 0.0, False, sigma)
    return Settled(float(x[0]), line.at(float(x[0])), line.slope, 0.0, False, sigma)


def _weights(residual: FloatArray, y: FloatArray, count: FloatArray, sigma: float) -> FloatArray:
    """Huber weights times the number of samples in each block."""
    size = np.abs(residual)
    scale = max(1.4826 * median_sorted(size), 1e-3 * float(np.ptp(y)), 0.5 * sigma, 1e-12)
    weights: FloatArray = count * np.minimum(1.0, 1.5 * scale / np.maximum(size, 1e-12))
    return weights


@dataclass(frozen=True)
class _Shapes:
    """Every approach tried: two columns each (the second 0 for a plain one), what is left at the end."""

    first: FloatArray
    second: FloatArray
    end: FloatArray
    decay: FloatArray
    cycles: FloatArray
    rings: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@dataclass(frozen=True)
class _Fit:
    cost: float
    level: float
    slope: float
    shape: int
    size: float
    residual: FloatArray


def _coarse(u: FloatArray) -> _Shapes:
    """The first grid, in shares of the window: plain approaches and ringing ones."""
    highest = max(min(0.35 * (u.size - 1), 8 * float(u[-1])), 2.0)
    f, z = (a.ravel() for a in np.meshgrid(np.geomspace(0.5, highest, FREQUENCIES), DAMPING))
    return _shapes(u, 1 / DECAYS, f, 2 * np.pi * f * z / np.sqrt(1 - z * z))


def _finer(u: FloatArray, shapes: _Shapes, best: int) -> _Shapes:
    """A second grid about the best of the first."""
    nothing = np.empty(0)
    if not shapes.rings[best]:
        return _shapes(u, shapes.decay[best] * FINER, nothing, nothing)
    f, d = (a.ravel() for a in np.meshgrid(shapes.cycles[best] * FINER, shapes.decay[best] * FINER_DAMPING))
    return _shapes(u, nothing, f, d)


def _shapes(u: FloatArray, plain: FloatArray, f: FloatArray, decay: FloatArray) -> _Shapes:
    # under 1.25 cycles only a swing that dies out in the window can be told from a slope
    kept = (f >= 1.25) | (np.exp(-decay) < 0.05)
    f, decay = f[kept], decay[kept]
    s = u / u[-1]
    every = np.concatenate((plain, decay))
    envelope = np.exp(-every[:, None] * s)
    angle = 2 * np.pi * f[:, None] * s
    first, second = envelope, np.zeros_like(envelope)
    second[plain.size:] = envelope[plain.size:] * np.sin(angle)
    first[plain.size:] *= np.cos(angle)
    return _Shapes(first, second, np.exp(-every), every, np.concatenate((np.zeros(plain.size), f)),
                   np.arange(every.size) >= plain.size)


def _best(u: FloatArray, y: FloatArray, shapes: _Shapes, weight: FloatArray, sigma: float) -> _Fit:
    root = np.sqrt(weight)
    n = float(weight.sum() ** 2 / np.sum(weight**2))
    fits = [_fit(u, y, shapes, root, n, sigma=sigma, sloped=sloped) for sloped in (False, True)]
    return min(fits, key=lambda fit: fit.cost)


def _fit(u: FloatArray, y: FloatArray, shapes: _Shapes, root: FloatArray, n: float,
         *, sigma: float, sloped: bool) -> _Fit:
    base = np.stack((np.ones_like(u), u)[: 1 + sloped], axis=1)
    q, r = np.linalg.qr(base * root[:, None])
    yw = y * root
    rest = yw - q @ (q.T @ yw)
    total = float(rest @ rest)
    c1, c2 = shapes.first * root, shapes.second * root
    d1, d2 = c1 - (c1 @ q) @ q.T, c2 - (c2 @ q) @ q.T
    g11, g22, g12 = (np.einsum("ij,ij->i", a, b) for a, b in ((d1, d1), (d2, d2), (d1, d2)))
    b1, b2 = d1 @ rest, d2 @ rest
    pair = shapes.rings
    g22 = np.where(pair, g22, 1.0)
    det = np.maximum(g11 * g22 - g12 * g12, 1e-12 * (g11 * g22 + 1e-300))
    k1, k2 = (b1 * g22 - b2 * g12) / det, (b2 * g11 - b1 * g12) / det
    gain = np.minimum(k1 * b1 + k2 * b2, total)
    floor = n * (0.3 * sigma) ** 2 + 1e-9 * float(yw @ yw) + 1e-300
    # frequency, damping and time constant are parameters too
    price = np.log(n) * (1.0 + sloped + np.where(pair, 4.0, 2.0))
    cost = n * np.log((total - gain + floor) / n) + price
    plain_cost = n * np.log((total + floor) / n) + np.log(n) * (1.0 + sloped)
    i = int(np.argmin(cost))
    if plain_cost <= cost[i]:
        coefficient = np.linalg.solve(r, q.T @ yw)
        return _Fit(plain_cost, float(coefficient[0]), float(coefficient[1]) if sloped else 0.0, -1, 0.0,
                    y - base @ coefficient)
    dying = k1[i] * shapes.first[i] + k2[i] * shapes.second[i]
    coefficient = np.linalg.solve(r, q.T @ ((y - dying) * root))
    return _Fit(float(cost[i]), float(coefficient[0]), float(coefficient[1]) if sloped else 0.0, i,
                float(np.hypot(k1[i], k2[i])), y - dying - base @ coefficient)
