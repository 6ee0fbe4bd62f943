"""The least-squares spectrum behind `oscillation`, and the period-by-period look at its peak."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.signal.arrays import FloatArray, IntArray, block_means, median_sorted, quantile
from audit.signal.robust import MAD_TO_SIGMA
from audit.signal.turns import ComplexArray, turns

OVERSAMPLE = 2.5
SAMPLES_A_CYCLE = 10  # a faster log is thinned to this for the band in hand
BAND = 1.6  # highest over lowest frequency that share one moving average
NEARLY_ALL = 0.7  # of the periods: its ends, half a swing and half none, may fall out of step
WILD = (
    3.5  # robust sigma beyond which a sample is drawn in: a knee, not a sine (whose top is at 0.95)
)


class Swing(NamedTuple):
    """A peak of the spectrum: hz, clock and detrended signal (wild samples drawn in, and
    whole), what the detrending left of it,
    score and share of the variance.
    """

    hz: float
    t: FloatArray
    rest: FloatArray
    whole: FloatArray
    gain: float
    score: float
    share: float


class Run(NamedTuple):
    """Where the swing is there: cycles, amplitude (zero to peak), damping, times, share of
    variance, surprise;
    usual: the amplitude that two thirds of the whole window reach.
    """

    cycles: float
    amplitude: float
    damping: float
    from_s: float
    to_s: float
    share: float
    snr: float
    surprise: float
    usual: float


def peaks(t: FloatArray, y: FloatArray, *, lowest_hz: float, highest_hz: float) -> list[Swing]:
    """The best frequency of each band less its own trend, strongest first.

    A band whose best lies outside it has none: what leaks in from a slower wander is no peak.
    """
    length = float(t[-1] - t[0])
    step = 1 / (OVERSAMPLE * length)
    found: list[Swing] = []
    low = lowest_hz
    while low < highest_hz:
        high = min(low * BAND, highest_hz)
        window = 1 / np.sqrt(low * high)
        most = max(int(SAMPLES_A_CYCLE * high * length), 40)
        x, v, count = block_means(t, y, most) if t.size > 2 * most else (t, y, np.ones(1))
        whole = v - trend(x, v, window)
        rest = _clipped(whole)
        f = np.arange(max(low - 0.6 / length, 0.5 * lowest_hz), high + 0.6 / length, step)
        share = _quick_share(x, rest, f)
        i = int(np.argmax(share))
        if low - 0.5 * step <= f[i] <= high + 0.5 * step:
            fine = np.maximum(f[i] + step * np.linspace(-1, 1, 9), 0.5 * lowest_hz)
            exact = _share(x, rest, fine)
            j = int(np.argmax(exact))
            hz = float(fine[j])
            block = float(count[0]) * length / t.size if count[0] > 1 else 0.0
            gain = (1 - float(np.sinc(hz * window))) * float(np.sinc(hz * block))
            found.append(
                Swing(
                    hz,
                    x,
                    rest,
                    whole,
                    gain,
                    float(_surprise(exact[j : j + 1], x.size)[0]),
                    float(exact[j]),
                )
            )
        low = high
    return sorted(found, key=lambda swing: -swing.score)


def trend(t: FloatArray, y: FloatArray, window: float) -> FloatArray:
    """Mean of the straight-line signal over the window centred on each sample.

    Beyond its ends the signal is carried on point-mirrored, so that a slope stays a slope.
    """
    half = 0.5 * window
    before, after = (t > t[0]) & (t <= t[0] + half), (t < t[-1]) & (t >= t[-1] - half)
    # the ends themselves are noisy: mirror about a short mean
    first, last = _end_levels(t, y, window)
    clock = np.concatenate((2 * t[0] - t[before][::-1], t, 2 * t[-1] - t[after][::-1]))
    value = np.concatenate((2 * first - y[before][::-1], y, 2 * last - y[after][::-1]))
    area = np.concatenate(([0.0], np.cumsum(0.5 * (value[1:] + value[:-1]) * np.diff(clock))))
    high, low = np.minimum(t + half, clock[-1]), np.maximum(t - half, clock[0])
    mean: FloatArray = (_area_at(high, clock, value, area) - _area_at(low, clock, value, area)) / (
        high - low
    )
    return mean


def _end_levels(t: FloatArray, y: FloatArray, window: float) -> tuple[float, float]:
    """The level of the trend at both ends: a line through one whole window, read at its outer
    edge.
    """
    levels = []
    for rows, at in ((t <= t[0] + window, t[0]), (t >= t[-1] - window, t[-1])):
        u, v = t[rows] - at, y[rows]
        if u.size < 4:
            levels.append(float(v.mean()))
            continue
        angle = 2 * np.pi * u / window
        columns = np.stack(
            (np.ones_like(u), u, np.cos(angle), np.sin(angle))[: 4 if u.size > 5 else 2], axis=1
        )
        square = columns.T @ columns
        c = np.linalg.solve(square + np.diag(1e-6 * np.diag(square)), columns.T @ (v - v.mean()))
        levels.append(float(c[0] + v.mean()))
    return levels[0], levels[1]


def _area_at(at: FloatArray, t: FloatArray, y: FloatArray, area: FloatArray) -> FloatArray:
    i = np.minimum(np.maximum(t.searchsorted(at, side="right") - 1, 0), t.size - 2)
    u = at - t[i]
    slope = (y[i + 1] - y[i]) / (t[i + 1] - t[i])
    found: FloatArray = area[i] + u * (y[i] + 0.5 * slope * u)
    return found


def _clipped(rest: FloatArray) -> FloatArray:
    rest = rest - rest.mean()
    limit = WILD * MAD_TO_SIGMA * median_sorted(np.abs(rest))
    return np.minimum(np.maximum(rest, -limit), limit) if limit > 0 else rest


def _share(t: FloatArray, rest: FloatArray, f: FloatArray) -> FloatArray:
    """Share of the variance that a sine of each frequency explains, by least squares
    (Lomb-Scargle).
    """
    even = f.size > 2 and np.abs(f[2:] - 2 * f[1:-1] + f[:-2]).max() < 1e-12 * f[-1]
    u = t - t[0]
    turning = turns(u, f[0], f[1] - f[0], f.size) if even else np.exp((2j * np.pi) * f[:, None] * u)
    c, s = np.ascontiguousarray(turning.real), np.ascontiguousarray(turning.imag)
    cc, cs = np.einsum("ij,ij->i", c, c), np.einsum("ij,ij->i", c, s)
    ss = t.size - cc
    yc, ys = c @ rest, s @ rest
    det = np.maximum(cc * ss - cs * cs, 1e-9 * t.size**2)
    total = float(rest @ rest)
    share = (
        (yc * yc * ss - 2 * yc * ys * cs + ys * ys * cc) / det / total
        if total > 0
        else np.zeros(f.size)
    )
    return np.minimum(np.maximum(share, 0.0), 1 - 1e-12)


def _quick_share(t: FloatArray, rest: FloatArray, f: FloatArray) -> FloatArray:
    """As _share, taking sine and cosine as orthogonal on this clock: good to some 10 %, for the
    search only.
    """
    total = float(rest @ rest)
    if total <= 0:
        return np.zeros(f.size)
    z = _transform(t - t[0], rest, float(f[0]), float(f[1] - f[0]) if f.size > 1 else 0.0, f.size)
    share: FloatArray = (z.real**2 + z.imag**2) * (2 / (t.size * total))
    return share


def _transform(
    u: FloatArray, rest: FloatArray, first: float, step: float, count: int
) -> ComplexArray:
    """Sum of rest exp(2 pi i f u) on an even grid of f, as a product of coarse and fine turns."""
    width = max(int(np.sqrt(count)), 1)
    blocks = -(-count // width)
    coarse = turns(u, first, step * width, blocks) * rest
    fine = turns(u, 0.0, step, width)
    z: ComplexArray = (coarse @ fine.T).ravel()[:count]
    return z


def _surprise(share: FloatArray, n: int) -> FloatArray:
    """Minus the log of the chance that white noise explains as much at one given frequency."""
    return -0.5 * (n - 3) * np.log1p(-share)


def period_by_period(swing: Swing) -> Run:
    """Amplitude and phase in each period (stepping by half of one), and the longest stretch in
    step.
    """
    t, rest, hz = swing.t, swing.rest, swing.hz
    period = 1 / hz
    turn = np.exp(-2j * np.pi * hz * (t - t[0]))
    steps = max(int((t[-1] - t[0]) / (0.5 * period) + 1e-6) - 1, 1)
    begin = t[0] + 0.5 * period * np.arange(steps)
    low, high = np.searchsorted(t, begin - 1e-9), np.searchsorted(t, begin + period - 1e-9)
    z, count = _local(rest, turn, low, high)
    start, stop = _in_step(z)
    # drawing in wild samples flattens the first cycles of a swing that dies, and all of one that
    # fills less than half of the window: undo it where nearly all stays in step
    bare, _ = _local(swing.whole, turn, low, high)
    first, last = _in_step(bare)
    first, last = max(first, start), min(last, stop)
    if last - first >= NEARLY_ALL * (stop - start):
        z, rest, start, stop = bare, swing.whole, first, last
    size = np.abs(z)
    here = size[start:stop]
    end = float(min(begin[stop - 1] + period, t[-1]))
    rows = (t >= begin[start]) & (t <= end)
    n = int(rows.sum())
    share = float(_share(t[rows], rest[rows], np.array([hz]))[0]) if n > 3 else 0.0
    noise = float(np.mean(rest[rows] ** 2)) * (1 - share)
    mean = float(
        np.sqrt(max(float(np.mean(here**2 - 4 * noise / np.maximum(count[start:stop], 1))), 0.0))
    )
    usual = quantile(size, 0.35) ** 2 - 4 * noise / max(median_sorted(count), 1.0)
    return Run(
        0.5 * _effective(here) + 0.5,
        mean / swing.gain,
        _damping(here),
        float(begin[start]),
        end,
        share,
        share / max(1 - share, 1e-9),
        float(_surprise(np.array([share]), n)[0]) if n > 3 else 0.0,
        float(np.sqrt(max(usual, 0.0))) / swing.gain,
    )


def _effective(size: FloatArray) -> float:
    """How many windows carry the swing: all where it is steady, about one where it dies at once."""
    even = np.minimum(size, 1.5 * median_sorted(size))
    return float(even.sum() ** 2 / max(float(np.sum(even**2)), 1e-300))


def _local(
    rest: FloatArray, turn: ComplexArray, low: IntArray, high: IntArray
) -> tuple[ComplexArray, FloatArray]:
    """Complex amplitude in each window by least squares on one sine (no level: the trend is
    off).
    """
    sums = np.concatenate(
        (
            np.zeros((3, 1), complex),
            np.cumsum(np.stack((rest * turn, turn * turn, np.ones_like(turn))), axis=1),
        ),
        axis=1,
    )
    zy, q, n = sums[:, high] - sums[:, low]
    count = n.real
    # minimise |rest - Re(a conj(turn))|²: normal equations of a and its conjugate
    det = np.maximum(count**2 - np.abs(q) ** 2, 0.05 * np.maximum(count, 1) ** 2)
    z: ComplexArray = 2 * (count * zy - q * np.conj(zy)) / det
    return z, count


def _in_step(z: ComplexArray) -> tuple[int, int]:
    """Longest stretch of windows of like phase and of at least 0.3 of the size that a quarter of
    them reach.
    """
    size = np.abs(z)
    large = quantile(size, 0.75)
    strong = size >= 0.3 * large
    turned = np.abs(np.angle(z[1:] * np.conj(z[:-1]))) < 1.2
    joined = strong[1:] & strong[:-1] & turned
    edges = np.diff(np.concatenate(([False], joined, [False])).astype(np.int8))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    if not starts.size:
        i = int(np.argmax(size))
        return i, i + 1
    weight = np.concatenate(([0.0], np.cumsum(size**2)))
    best = int(np.argmax(weight[stops + 1] - weight[starts]))
    return int(starts[best]), int(stops[best]) + 1


def _damping(size: FloatArray) -> float:
    """Damping ratio from the slope of the log amplitude, half a period a step."""
    if size.size < 3:
        return 0.0
    x = 0.5 * np.arange(size.size)
    logs = np.log(np.maximum(size, 1e-3 * size.max() + 1e-300))
    weight = size**2
    u = x - float(weight @ x) / float(weight.sum())
    decrement = -float((weight * u) @ logs) / float((weight * u) @ u)
    return decrement / float(np.sqrt(4 * np.pi**2 + decrement**2))
