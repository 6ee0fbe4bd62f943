"""Which gear: from the gear channel, else the car file's gearing, else the log's own ratios."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from audit.model import FAIL, Array, Car, Log, Sanity, Series
from audit.pulls.rows import believed
from audit.signal.arrays import finite, median, quantile

LEAST_SPEED = 15.0  # km/h: below it the clutch slips and the speed is a guess
LAGS_S = np.arange(0.0, 1.25, 0.1)  # a road speed from a satellite or a slow bus comes this late
# spread of a ratio, 10 to 90 %, that a road speed in whole km/h still allows (natural logarithm)
STEADY = 0.05
NEAR = 0.10  # a ratio this far from every gear is none of them
# Overall ratio of a usual car, rpm per km/h, first to sixth: 3.5, 2.05, 1.42, 1.08, 0.86, 0.71 with
# 3.9 and a 1.9 m tyre.
USUAL = np.log(np.array([3.5, 2.05, 1.42, 1.08, 0.86, 0.71]) * 3.9 / 1.9 / 0.06)
# rpm per km/h: 3.0 with 3.2 and a 2.1 m tyre; less is no first gear, however the log begins
LEAST_FIRST = 75.0
SCALE_SD, STEP_SD = 0.20, 0.12  # how cars differ in the whole, and in each gear (natural logarithm)
FIRST_STEP, NEXT_STEPS = 2.05, 1.65  # a wider step has a gear missing in it
SURE = 4.0  # twice the log of the odds against the next best numbering
ROUGH = 0.04  # scatter of one gear's ratio in a log, natural logarithm


@dataclass(frozen=True, eq=False)
class Gearing:
    """ratios: rpm per km/h of gears 1, 2, ... (car file) or of the clusters seen; numbers: their
    gears or None; lag_s: how late the road speed comes."""

    ratios: Array
    numbers: tuple[int | None, ...]
    lag_s: float


def ratio_at(rpm: Series, speed: Series, *, lag_s: float) -> Array:
    """Engine speed over road speed at each sample of the first, rpm per km/h; NaN if unknown."""
    if len(speed.t) < 2:
        return np.full(len(rpm.t), np.nan)
    at = np.interp(rpm.t + lag_s, speed.t, speed.value, left=np.nan, right=np.nan)
    near = np.clip(np.searchsorted(speed.t, rpm.t + lag_s), 1, len(speed.t) - 1)
    wide = speed.t[near] - speed.t[near - 1] > 2.5
    return np.where((at >= LEAST_SPEED) & ~wide, rpm.value / np.maximum(at, 1.0), np.nan)


def speed_lag(rpm: Series, speed: Series, stretches: list[tuple[float, float]]) -> float:
    """How late road speed comes, s: the delay at which engine speed over it is steadiest.

    Source: arithmetic; in one gear the ratio is constant. 0 where no delay is clearly better and
    leaves the ratio steady (spinning wheels look like a delay at first sight)."""
    pairs = [(rpm.within(a, b), _around(speed, a, b + float(LAGS_S[-1]))) for a, b in stretches]
    pairs = [(r, s) for r, s in pairs if len(r.t) >= 6]
    if not pairs or len(speed.t) < 6:
        return 0.0
    spread = []
    for lag in LAGS_S:
        each = [_scatter(ratio_at(r, s, lag_s=float(lag))) for r, s in pairs]
        good = [e for e in each if np.isfinite(e)]
        spread.append(median(good) if good else np.inf)
    best = int(np.argmin(spread))
    return float(LAGS_S[best]) if spread[best] < min(0.8 * spread[0], STEADY) else 0.0


def _around(series: Series, start_s: float, end_s: float) -> Series:
    """The samples of a stretch and two on each side, so that values between stay the same."""
    low, high = (int(i) for i in np.searchsorted(series.t, (start_s, end_s)))
    return Series(series.t[max(0, low - 2) : high + 2], series.value[max(0, low - 2) : high + 2])


def _scatter(ratio: Array) -> float:
    good = finite(ratio)
    if len(good) < 5:
        return np.nan
    some = np.sort(good[:: max(1, len(good) // 80)])
    return float(np.log(some[int(0.9 * len(some))] / some[int(0.1 * len(some))]))


def gearing(
    log: Log, sanity: Sanity, car: Car, stretches: list[tuple[float, float]]
) -> Gearing | None:
    """The ratios of the car, by its file or by the log; None without engine and road speed.

    stretches: (start_s, end_s) of the wide-open ones."""
    if not log.has("vehicle_speed") or not log.has("engine_speed") or _useless(log, sanity):
        return None
    rpm, speed = believed(log, sanity, "engine_speed"), believed(log, sanity, "vehicle_speed")
    if len(rpm.t) < 5 or len(speed.t) < 3:
        return None
    lag = speed_lag(rpm, speed, stretches)
    if car.rpm_per_kmh:
        ratios = np.array(car.rpm_per_kmh)
        return Gearing(ratios, tuple(range(1, len(ratios) + 1)), lag)
    ratio = ratio_at(rpm, speed, lag_s=lag)
    clusters = _clusters(rpm, ratio)
    by_count = _starts_in_first(rpm, speed, ratio, clusters)
    numbers = _counted(clusters) if by_count else _numbered(clusters)
    return Gearing(clusters, numbers, lag)


def _useless(log: Log, sanity: Sanity) -> bool:
    top = np.nanmax(log.values("vehicle_speed"), initial=0.0)
    return sanity.flags.get("vehicle_speed") == FAIL or not top >= LEAST_SPEED


def _clusters(rpm: Series, ratio: Array) -> Array:
    """Ratios, rpm per km/h, highest first, at which the log spends a second or more steadily."""
    if len(ratio) < 3:
        return np.empty(0)
    logs = np.log(np.where(ratio > 0, ratio, np.nan))
    logs = finite(logs[(np.abs(np.gradient(logs)) < 0.02) & (rpm.value > 1200.0)])
    if len(logs) < 5:
        return np.empty(0)
    width = 0.02
    edges = np.arange(np.log(8.0), np.log(400.0), width)
    count = np.histogram(logs, edges)[0].astype(np.float64)
    smooth = np.convolve(count, (0.25, 0.5, 0.25), mode="same")
    interval = max(median(np.diff(rpm.t)), 1e-3)
    here = smooth[1:-1]
    stands = (here > smooth[:-2]) & (here >= smooth[2:]) & (here * interval >= 0.3)
    peak = np.flatnonzero(stands) + 1
    found: list[tuple[float, int]] = []
    for i in peak[np.argsort(-smooth[peak])]:
        centre = edges[i] + 0.5 * width
        if all(abs(centre - other) > 0.12 for other, _ in found):
            near = logs[np.abs(logs - centre) < 2 * width]
            if len(near) * interval >= 1.0:
                found.append((median(near), len(near)))
    most = max((n for _, n in found), default=0)
    return np.exp(sorted((c for c, n in found if n >= 0.02 * most), reverse=True))


def _starts_in_first(rpm: Series, speed: Series, ratio: Array, clusters: Array) -> bool:
    """Is there a start from standstill whose first steady ratio is the highest one seen?"""
    if not len(clusters) or clusters[0] < LEAST_FIRST:
        return False
    stood = speed.t[speed.value < 3.0]
    for start in stood[np.append(np.diff(stood) > 3.0, len(stood) > 0)[: len(stood)]]:
        near = finite(ratio[(rpm.t > start) & (rpm.t < start + 12.0)])[:400]
        first = near[: max(5, len(near) // 4)]
        if len(first) >= 5 and np.mean(np.abs(np.log(first / clusters[0])) < NEAR) > 0.5:
            return True
    return False


def _counted(clusters: Array) -> tuple[int | None, ...]:
    """Gears counted down from first, as far as no step is so wide that one may be missing in it."""
    numbers: list[int | None] = [1]
    last = np.inf
    for i, step in enumerate(clusters[:-1] / clusters[1:]):
        widest = FIRST_STEP if i == 0 else min(NEXT_STEPS, 1.12 * last)
        numbers.append(i + 2 if numbers[-1] is not None and step <= widest else None)
        last = step
    return tuple(numbers)


def _numbered(clusters: Array) -> tuple[int | None, ...]:
    """A gear for each ratio where one numbering is clearly likelier, by how cars are geared."""
    k = len(clusters)
    if not 1 <= k <= len(USUAL):
        return (None,) * k
    logs = np.log(clusters)
    scored = sorted(
        (_misfit(logs - USUAL[list(gears)]), gears) for gears in combinations(range(len(USUAL)), k)
    )
    lowest, best = scored[0]
    rivals = [
        next((score for score, gears in scored if gears[i] != best[i]), np.inf) for i in range(k)
    ]
    usual = lowest < 9.0 + 3 * k
    sure = [usual and rival - lowest >= SURE for rival in rivals]
    return tuple(gear + 1 if told else None for gear, told in zip(best, sure, strict=True))


def _misfit(off: Array) -> float:
    """Chi-square of the ratios against the usual ones, the common scale free within SCALE_SD."""
    n = len(off)
    shift = off.sum() / STEP_SD**2 / (n / STEP_SD**2 + 1 / SCALE_SD**2)
    return float(((off - shift) ** 2).sum() / STEP_SD**2 + shift**2 / SCALE_SD**2)


def gear_of(
    log: Log, sanity: Sanity, table: Gearing | None, start_s: float, end_s: float
) -> tuple[int | None, float | None]:
    """(gear, rpm per km/h) of a pull; None for what cannot be told."""
    ratio = None if table is None else _pull_ratio(log, sanity, table, start_s, end_s)
    logged = _logged_gear(log, sanity, start_s, end_s)
    if logged is not None:
        return logged, ratio
    if ratio is None or table is None or not len(table.ratios):
        return None, ratio
    off = np.abs(np.log(table.ratios / ratio))
    best = int(np.argmin(off))
    return (table.numbers[best] if off[best] <= NEAR else None), ratio


def _pull_ratio(
    log: Log, sanity: Sanity, table: Gearing, start_s: float, end_s: float
) -> float | None:
    """A low quarter of the ratio in the pull: spin and a slipping clutch only ever raise it."""
    rpm = believed(log, sanity, "engine_speed").within(start_s, end_s)
    ratio = ratio_at(rpm, believed(log, sanity, "vehicle_speed"), lag_s=table.lag_s)
    good = finite(ratio)
    if len(good) < 3:
        return None
    low, middle = quantile(good, 0.25), median(good)
    return middle if middle < (1 + ROUGH) * low else low


def _logged_gear(log: Log, sanity: Sanity, start_s: float, end_s: float) -> int | None:
    """The gear channel's commonest value in the middle of the pull, where it is a gear at all."""
    if not log.has("gear") or sanity.flags.get("gear") == FAIL:
        return None
    edge = 0.15 * (end_s - start_s)
    inside = believed(log, sanity, "gear").within(start_s + edge, end_s - edge).value
    whole = inside[(inside >= 1) & (inside <= 10) & (inside == np.round(inside))]
    if len(whole) < max(1, 0.6 * len(inside)):
        return None
    return int(np.bincount(whole.astype(np.intp)).argmax())
