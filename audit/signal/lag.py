"""Signals that come late: first-order lag, transport lag, recovery."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from audit.signal.arrays import FloatArray, clean, median_sorted
from audit.signal.spans import interp_believed

GRID_MOST = 1500
LEAST_OVERLAP = 8


@dataclass(frozen=True)
class Lag:
    """lag_s: how late y is against the reference; correlation there; confidence 0 to 1."""

    lag_s: float
    correlation: float
    confidence: float


@dataclass(frozen=True)
class Cooling:
    """y = ambient + (start - ambient) exp(-(t - t_first) / tau_s); r2: share of the variance explained."""

    tau_s: float
    ambient: float
    start: float
    r2: float


def first_order(t: ArrayLike, y: ArrayLike, tau: float) -> FloatArray:
    """What a first-order sensor of time constant tau, s, makes of y; starts settled on the first value.

    t: n seconds, strictly increasing; y: n, taken as straight between samples. Exact on an uneven clock.
    Raises ValueError for a tau below 0 or blanks in y. Source: tau z' + z = y (any control text).
    """
    clock, values = clean(t, y)
    if not tau >= 0 or clock.size != np.size(np.asarray(y)):
        raise ValueError(f"first_order needs tau of 0 or more and no blanks, got tau {tau}")
    if tau == 0 or clock.size < 2:
        return values.copy()
    dt = np.diff(clock)
    keep = np.exp(-dt / tau)
    slope = np.diff(values) / dt
    # z - (y - slope tau) decays within the interval
    push = values[1:] - slope * tau - keep * (values[:-1] - slope * tau)
    result = [float(values[0])]
    for k, p in zip(keep.tolist(), push.tolist(), strict=True):  # a recursion: each value needs the one before
        result.append(k * result[-1] + p)
    return np.asarray(result, dtype=np.float64)


def first_order_gain(hz: float, tau: float) -> tuple[float, float]:
    """Gain and phase lag (degrees) of a first-order sensor at a frequency: 1/sqrt(1 + w²), atan w, w = 2 pi f tau."""
    w = 2 * np.pi * hz * tau
    return float(1 / np.sqrt(1 + w * w)), float(np.degrees(np.arctan(w)))


def first_order_reached(after_s: float, tau: float) -> float:
    """Share of a step that a first-order sensor shows after so long: 1 - exp(-t / tau)."""
    return float(-np.expm1(-max(after_s, 0.0) / tau)) if tau > 0 else 1.0


def shift(t: ArrayLike, y: ArrayLike, lag_s: float, *, max_gap_s: float = np.inf) -> FloatArray:
    """Move y earlier by lag_s, at the times t (same length): a late channel put beside what caused it.

    NaN where the moved channel has no value, and across gaps over max_gap_s.
    """
    at = np.asarray(t, dtype=np.float64)
    return interp_believed(at + lag_s, at, y, max_gap_s)


def transport_lag(t: ArrayLike, reference: ArrayLike, y: ArrayLike, *, least_s: float, most_s: float) -> Lag | None:
    """How late y follows the reference, by cross-correlation; None where nothing can be told.

    t: n seconds; reference, y: n each, blanks are bridged. Both are put on an even grid of the median interval; the
    slow line is taken off; for each lag from least_s to most_s the two are correlated over what overlaps, and
    the peak is refined by a parabola. The sign is free: a fall that follows a rise counts. Confidence
    is the square of the correlation, times how far the peak stands out of the lags tried, 0 where it lies
    at an end of the range. Raises ValueError for an empty range.
    Source: time-delay estimation by cross-correlation (Knapp and Carter 1976, from memory).
    """
    if not most_s > least_s:
        raise ValueError(f"most_s must be above least_s, got {least_s} and {most_s}")
    tx, x = clean(t, reference)
    ty, z = clean(t, y)
    if min(tx.size, ty.size) < LEAST_OVERLAP:
        return None
    step = max(min(median_sorted(np.diff(tx)), median_sorted(np.diff(ty))), 1e-6)
    low, high = max(float(tx[0]), float(ty[0])), min(float(tx[-1]), float(ty[-1]))
    step = max(step, (high - low) / GRID_MOST)
    grid = np.arange(low, high + 0.5 * step, step)
    lags = np.arange(int(np.floor(least_s / step)), int(np.ceil(most_s / step)) + 1)
    longest = grid.size - int(np.abs(lags).max())
    if longest < LEAST_OVERLAP or lags.size < 3:
        return None
    a, b = _level(np.interp(grid, tx, x)), _level(np.interp(grid, ty, z))
    r = _correlations(a, b, lags)
    size = np.abs(r)
    i = int(np.argmax(size))
    if not np.isfinite(size[i]) or size[i] == 0:
        return None
    inside = 0 < i < lags.size - 1
    away = 0.0
    if inside:
        bend = size[i - 1] - 2 * size[i] + size[i + 1]
        away = float(0.5 * (size[i - 1] - size[i + 1]) / bend) if bend < 0 else 0.0
    stands_out = 1 - float(np.quantile(size, 0.1)) / float(size[i])
    chance = 2 / np.sqrt(longest)
    sure = size[i] ** 2 * min(1.0, 2 * stands_out) if inside and size[i] > chance else 0.0
    return Lag(float(lags[i] + away) * step, float(r[i]), float(sure))


def _level(y: FloatArray) -> FloatArray:
    u = np.linspace(-1, 1, y.size)
    flat: FloatArray = y - y.mean() - u * float((u @ (y - y.mean())) / (u @ u))
    return flat


def _correlations(a: FloatArray, b: FloatArray, lags: np.ndarray[tuple[int, ...], np.dtype[np.intp]]) -> FloatArray:
    """Correlation of a with b read k rows later, over what overlaps, for each k."""
    result = np.zeros(lags.size)
    for j, k in enumerate(lags.tolist()):  # over lags, not rows
        u = a[max(0, -k): a.size - max(0, k)]
        v = b[max(0, k): b.size - max(0, -k)]
        du, dv = u - u.mean(), v - v.mean()
        norm = float(np.sqrt((du @ du) * (dv @ dv)))
        result[j] = float(du @ dv) / norm if norm > 1e-12 * u.size else 0.0
    return result


def cooling_fit(t: ArrayLike, y: ArrayLike, ambient: float | None = None) -> Cooling | None:
    """Newton's law of cooling fitted to a recovery; None under 4 samples, or where nothing recovers.

    t: n seconds; y: n °C; ambient: °C where known, else fitted. For each of 60 time constants between a fifth of the
    median interval and ten times the span the rest is linear; the best is refined twice. None as well where
    the fit runs to an end of that range (a straight line has no time constant).
    Source: Newton's law of cooling; separable least squares (Golub and Pereyra 1973, from memory).
    """
    clock, values = clean(t, y)
    if values.size < 4 or float(np.ptp(values)) == 0:
        return None
    u = clock - clock[0]
    low, high = 0.2 * median_sorted(np.diff(u)), 10 * float(u[-1])
    taus = np.geomspace(low, high, 60)
    for _ in range(3):
        rest = _cooling_errors(u, values, taus, ambient)
        i = int(np.argmin(rest))
        if taus[i] >= 0.99 * high or taus[i] <= 1.01 * low:
            return None
        best = float(taus[i])
        taus = np.geomspace(taus[max(i - 1, 0)], taus[min(i + 1, taus.size - 1)], 41)
    shape = np.exp(-u / best)
    if ambient is None:
        k, end = np.polyfit(shape, values, 1)
    else:
        k, end = float(shape @ (values - ambient) / (shape @ shape)), ambient
    left = values - end - k * shape
    r2 = 1 - float(left @ left) / float(np.sum((values - values.mean()) ** 2))
    return Cooling(best, float(end), float(end + k), r2)


def _cooling_errors(u: FloatArray, y: FloatArray, taus: FloatArray, ambient: float | None) -> FloatArray:
    shape = np.exp(-u[None, :] / taus[:, None])
    target = y - (y.mean() if ambient is None else ambient)
    if ambient is None:
        shape = shape - shape.mean(axis=1, keepdims=True)
    power = np.maximum(np.einsum("ij,ij->i", shape, shape), 1e-300)
    errors: FloatArray = float(target @ target) - (shape @ target) ** 2 / power
    return errors
