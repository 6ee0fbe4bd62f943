"""The line that a signal settles on, told apart from what dies away on the way there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from audit.signal.arrays import FloatArray, block_means, median_sorted

MOST_POINTS = 96
DECAYS = np.geomspace(0.03, 0.3, 6)  # time constants of a plain approach, as shares of the window
DAMPING = np.array([0.01, 0.08, 0.15, 0.25, 0.4, 0.6, 0.8])  # of a ringing approach
FREQUENCIES = 14


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
    if u.size < 8:
        return Settled(float(x[0]), median_sorted(v), 0.0, 0.0, False, sigma)
    shapes = _shapes(u)
    weight = count
    best = _best(u, v, shapes, weight, sigma)
    for _ in range(2):
        scale = max(1.4826 * median_sorted(np.abs(best.residual)), 1e-3 * float(np.ptp(v)), 0.5 * sigma, 1e-12)
        weight = count * np.minimum(1.0, 1.5 * scale / np.maximum(np.abs(best.residual), 1e-12))
        best = _best(u, v, shapes, weight, sigma)
    envelope = shapes.end[best.shape] if best.shape >= 0 else 0.0
    steady = best.shape >= 0 and bool(shapes.rings[best.shape]) and envelope > 0.2
    return Settled(float(x[0]), best.level, best.slope, best.size * envelope, steady,
                   1.4826 * median_sorted(np.abs(best.residual)))


@dataclass(frozen=True)
class _Shapes:
    """Every approach tried: two columns each (the second 0 for a plain one), what is left at the end."""

    first: FloatArray
    second: FloatArray
    end: FloatArray
    rings: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


@dataclass(frozen=True)
class _Fit:
    cost: float
    level: float
    slope: float
    shape: int
    size: float
    residual: FloatArray


def _shapes(u: FloatArray) -> _Shapes:
    length = float(u[-1])
    plain = np.exp(-u[None, :] / (DECAYS[:, None] * length))
    highest = max(min(0.35 * (u.size - 1), 8 * length), 2.0)
    cycles = np.geomspace(0.5, highest, FREQUENCIES)
    f, z = (a.ravel() for a in np.meshgrid(cycles, DAMPING))
    decay = 2 * np.pi * f * z / np.sqrt(1 - z * z)
    # under 1.25 cycles only a swing that dies out in the window can be told from a slope
    kept = (f >= 1.25) | (np.exp(-decay) < 0.05)
    f, decay = f[kept, None], decay[kept, None]
    s = u[None, :] / length
    envelope = np.exp(-decay * s)
    zeros = np.zeros_like(plain)
    return _Shapes(
        np.concatenate((plain, envelope * np.cos(2 * np.pi * f * s))),
        np.concatenate((zeros, envelope * np.sin(2 * np.pi * f * s))),
        np.concatenate((plain[:, -1], np.exp(-decay[:, 0]))),
        np.concatenate((np.zeros(plain.shape[0], bool), np.ones(f.size, bool))),
    )


def _best(u: FloatArray, y: FloatArray, shapes: _Shapes, weight: FloatArray, sigma: float) -> _Fit:
    root = np.sqrt(weight)
    n = float(weight.sum() ** 2 / np.sum(weight**2))
    fits = [_fit(u, y, shapes, root, n, sigma, sloped=sloped) for sloped in (False, True)]
    return min(fits, key=lambda fit: fit.cost)


def _fit(u: FloatArray, y: FloatArray, shapes: _Shapes, root: FloatArray, n: float, sigma: float,
         *, sloped: bool) -> _Fit:
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
