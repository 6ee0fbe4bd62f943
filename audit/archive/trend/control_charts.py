"""Control charts: moving average and cumulative sums, along the last axis of any array.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM) and 6.3.2.4 (EWMA).
"""

from __future__ import annotations

import math

import numpy as np

from audit.model import Array
from audit.signal.robust import MAD_TO_SIGMA


def robust_centre_and_sigma(x: Array) -> tuple[float, float]:
    """Median and 1.4826 MAD of n finite values, in their unit; (nan, nan) for none.

    Source: NIST e-Handbook 1.3.5.17 (Iglewicz and Hoaglin).
    """
    if len(x) == 0:
        return math.nan, math.nan
    centre = float(np.median(x))
    return centre, MAD_TO_SIGMA * float(np.median(np.abs(x - centre)))


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


def first_signal(chart: Array, limit: float) -> Array:
    """Run length along the last axis: 1-based place of the first value above the limit, nan for
    none.
    """
    over = np.asarray(chart) > limit
    return np.where(over.any(axis=-1), over.argmax(axis=-1) + 1.0, np.nan)
