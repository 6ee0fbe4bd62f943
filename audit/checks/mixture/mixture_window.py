"""The part of a pull in which a lambda reading speaks of the mixture under load.

Exhaust gas needs time to the probe, and the probe to answer; fuel cuts are lean by intention; at
the tip-in the wall film is lean before boost is there. What is left after those is what the mixture
may be judged by.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from audit.model import Array, Bools, LimitTable, Pull, Series
from audit.signal.arrays import IntArray, interval_of, median_sorted, rows_of
from audit.signal.spans import runs

DEFAULT_LAG_S = 0.15  # gas transport and probe; common practice 0.05 to 0.3 s, no published source
LAG_RANGE_S = (0.05, 0.4)
SETTLE_S = 0.2  # so long boost stands above the load before the probe is taken at its word
CUT_SHARE = 0.35  # an injection this small against the pull's own median is a cut
RECOVERY_S = 0.3  # after a cut, or a shift, the probe needs this to come back from free air
RECOVERY_MOST_S = 0.9  # and at most this, as long as it still comes back
COMES_BACK = 0.02  # lambda falling by this in 0.1 s
NO_FLAME = 1.25  # lambda under boost from which nothing burns; common practice, no published source
LIMITER_DROP = 0.015  # engine speed falling by this share, wide open, is a cut of some kind
STANDS_S = 0.25  # so long engine speed stands at a limiter that cuts softly


class Window(NamedTuple):
    """Lambda samples under settled load. gas: when the gas left the cylinder (t - lag_s), s.

    boost: kPa gauge at that time; load_kpa: boost that counted as load; low: the pull never reached
    the usual load."""

    lam: Series
    gas: Array
    boost: Array
    lag_s: float
    load_kpa: float
    low: bool
    interval_s: float


def mixture_window(pull: Pull, limits: LimitTable) -> Window:
    """Find it; it may be empty. settings.load_kpa: boost above which a mixture is under load."""
    lam = pull.believed("lambda")
    boost = pull.believed("boost", lead_s=1.5, tail_s=0.3)
    lag, usual = transport_lag(pull), limits.setting("load_kpa")
    peak = _most(boost.within(pull.start_s, pull.end_s))
    low = peak < usual
    load = peak - max(5.0, 0.3 * abs(peak)) if low else usual
    gas = lam.t - lag
    boost_then = boost.at(gas, max_gap_s=max(1.2, 3 * interval_of(boost.t)))
    keep = _settled(gas, boost, load) & (boost_then > load)
    keep &= lam.t <= pull.end_s - _tail_margin(pull) + 1e-6
    for start, end in [(pull.start_s, pull.start_s), *fuel_cuts(pull, limits)]:
        keep &= (lam.t < start) | (lam.t > _recovered(lam, end + lag))
    if keep.any():  # and at the beginning of the load, as long as the mixture of the tip-in goes
        keep &= lam.t > _recovered(lam, float(lam.t[keep.argmax()]) - RECOVERY_S)
    seen = Series(lam.t[keep], lam.value[keep])
    interval = interval_of(lam.t) or 1.0 / max(pull.log.by_name["lambda"].rate_hz, 0.1)
    return Window(seen, gas[keep], boost_then[keep], lag, load, low, interval)


def _recovered(lam: Series, from_s: float) -> float:
    """When lambda speaks of the mixture again after a cut whose gas had passed by from_s, s."""
    after = lam.within(from_s + RECOVERY_S, from_s + RECOVERY_MOST_S)
    settled = rows_of(~(lam.at(after.t - 0.1) - after.value > COMES_BACK))
    if not settled.size:
        return float(after.t[-1]) if len(after.t) else from_s + RECOVERY_S
    return max(float(after.t[settled[0]]) - 1e-6, from_s + RECOVERY_S)


def _most(boost: Series) -> float:
    """Highest boost that at least two samples reached."""
    if len(boost.t) < 2:
        return float(boost.value[0]) if boost else 0.0
    return float(np.partition(boost.value, -2)[-2])


def transport_lag(pull: Pull) -> float:
    """Time from the lift until lambda leaves its level, s.

    Seen where fuel is cut at the end of the pull and lambda is sampled at 8 Hz or more; else the
    default. It holds the gas transport and the start of the probe's answer; a cut that comes late
    makes it longer."""
    lam = pull.believed("lambda", tail_s=1.0)
    step, ended = interval_of(lam.t), pull.span.ended_by
    before = lam.within(pull.end_s - 0.6, pull.end_s).value
    if ended not in ("lift", "shift", "limiter") or not 0 < step <= 0.125 or len(before) < 3:
        return DEFAULT_LAG_S
    after = lam.within(pull.end_s - step, pull.end_s + 1.0)
    up = after.value > median_sorted(before) + 0.12
    first = rows_of(up[:-1] & up[1:])
    if not first.size or first[0] == 0:
        return DEFAULT_LAG_S
    delay = float(after.t[first[0]] - pull.end_s) - 0.5 * step
    if not LAG_RANGE_S[0] - step <= delay <= LAG_RANGE_S[1] + step:
        return DEFAULT_LAG_S
    return min(max(delay, LAG_RANGE_S[0]), LAG_RANGE_S[1])


def _settled(gas: Array, boost: Series, load: float) -> Bools:
    """True where boost has been seen above the load for SETTLE_S, with no sample below it since.

    Counted from the first sample above, not from the last below: between slow samples boost may
    have come late."""
    below = rows_of(boost.value < load - 3.0)
    if not below.size:
        return np.ones(len(gas), dtype=np.bool_)
    last = np.searchsorted(boost.t[below], gas, side="right") - 1
    above = np.append(boost.t, np.inf)[below + 1]
    settled: Bools = (last < 0) | (gas - above[np.maximum(last, 0)] >= SETTLE_S)
    return settled


def _tail_margin(pull: Pull) -> float:
    """How much before the end of the pull the foot may already have been off, s."""
    log = pull.log
    feet = [n for n in ("throttle_position", "pedal_position") if log.has(n)]
    rate = max((log.by_name[n].rate_hz for n in feet), default=0.0)
    row = 1.0 / log.rate_hz if log.rate_hz > 0 else 0.0
    late = max(0.0, 1.0 / rate - row) if rate > 0 else 0.0
    return min(0.05 + late, 0.5)


def injectors(pull: Pull, *, tail_s: float = 0.0) -> Series | None:
    """Pulse width, else duty, of the injectors; None where neither has 4 samples."""
    for name in ("injector_pulse_width", "injector_duty"):
        shot = pull.believed(name, tail_s=tail_s)
        if len(shot.t) >= 4:
            return shot
    return None


def fuel_cuts(pull: Pull, limits: LimitTable) -> list[tuple[float, float]]:
    """Stretches without fuel in the pull, s, the limiter's among them: by the injectors if logged,
    else by engine speed falling, or standing at its top while nothing burns."""
    if (shot := injectors(pull)) is not None:
        starts, stops = runs(shot.value < CUT_SHARE * median_sorted(shot.value))
        return _from_before(shot.t, starts, stops)
    rpm, lam = pull.believed("engine_speed"), pull.believed("lambda")
    if len(rpm.t) < 4:
        return []
    top = np.maximum.accumulate(rpm.value)
    slack = np.maximum(80.0, LIMITER_DROP * top)
    if not pull.span.ended_by:  # no pull: on a hill speed falls without a cut
        slack = np.full_like(top, np.inf)
    if len(lam.t) > 1:  # free air in the exhaust while speed falls at all: nothing burns
        free = np.maximum(25.0, 0.25 * LIMITER_DROP * top)
        slack = np.where(lam.at(rpm.t) >= NO_FLAME, free, slack)
    starts, stops = runs(rpm.value < top - slack)
    # A limiter may flutter before speed falls that far: it began where speed came near its top
    began = [int(np.argmax(rpm.value >= rpm.value[:i].max() - slack[i])) for i in starts]
    found = [(float(rpm.t[a]), float(rpm.t[b - 1])) for a, b in zip(began, stops, strict=True)]
    return found or _soft_limiter(rpm, lam, limits.setting("stands_share"))


def _from_before(t: Array, starts: IntArray, stops: IntArray) -> list[tuple[float, float]]:
    """From the sample before each run to its last, s."""
    ends = t[np.maximum(starts - 1, 0)], t[stops - 1]
    return list(zip(ends[0].tolist(), ends[1].tolist(), strict=True))


def _soft_limiter(rpm: Series, lam: Series, share: float) -> list[tuple[float, float]]:
    """Where engine speed stands at its top to the end while nothing burns: a limiter.

    Fuel that fails there takes engine speed with it; a limiter that cuts softly holds it."""
    top, end = float(rpm.value.max()), float(rpm.t[-1])
    away = rows_of(rpm.value < (1.0 - share) * top)
    if not away.size or away[-1] + 1 >= len(rpm.t):
        return []
    since = float(rpm.t[away[-1] + 1])
    before = rpm.within(since - 2 * STANDS_S, since).value
    climbed = len(before) > 1 and before[-1] - before[0] > 3 * share * top
    free = lam.within(since, end).value
    burns_not = len(free) > 0 and float(free.max()) >= NO_FLAME
    return [(since, end)] if end - since >= STANDS_S and climbed and burns_not else []
