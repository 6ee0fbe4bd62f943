"""Control charts: moving average and cumulative sums, along the last axis of any array.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
"""

from __future__ import annotations

import numpy as np

from audit.model import Array


def ewma(x: Array, *, weight: float, start: float) -> Array:
    """z_i = weight x_i + (1 - weight) z_(i-1), z_0 = start; the shape of x. Source: e-Handbook
    6.3.2.4.
    """
    x = np.asarray(x, dtype=float)
    out = np.empty_like(x)
    z = np.full(x.shape[:-1], float(start))
    for i in range(x.shape[-1]):
        z = weight * x[..., i] + (1.0 - weight) * z
        out[..., i] = z
    return out


def ewma_sigma(n: int, *, weight: float, sigma: float = 1.0) -> Array:
    """Standard deviation of each of the first n averages of independent values with the given
    sigma.

    sigma sqrt(weight / (2 - weight) (1 - (1 - weight)^(2 i))). Source: e-Handbook 6.3.2.4; its
    chart uses the steady value, for large i.
    """
    i = np.arange(1, n + 1)
    return np.asarray(
        sigma * np.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * i))),
        dtype=np.float64,
    )


def cusum(x: Array, *, target: float, k: float) -> tuple[Array, Array]:
    """Tabular sums, high and low side, each the shape of x and in its unit.

    high_i = max(0, high_(i-1) + x_i - target - k); low_i = max(0, low_(i-1) + target - k - x_i).
    A sum above h signals. Source: e-Handbook 6.3.2.3.
    """
    x = np.asarray(x, dtype=float)
    high, low = np.empty_like(x), np.empty_like(x)
    up = down = np.zeros(x.shape[:-1])
    for i in range(x.shape[-1]):
        up = np.maximum(0.0, up + x[..., i] - target - k)
        down = np.maximum(0.0, down + target - k - x[..., i])
        high[..., i], low[..., i] = up, down
    return high, low
