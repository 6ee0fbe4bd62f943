"""traction: does engine speed run away from road speed, and is it the tyres or the clutch?

In one gear engine speed over road speed is constant. What it rises by is slip: of the tyres when it
comes in a surge and grips again, or all through first gear; of the clutch when it comes with the
torque and lasts. Does not see: spin of all wheels that the speed sensor turns with, and slip below
the noise of the road speed.
"""

from __future__ import annotations

import numpy as np

from audit.checks.kit.base import LimitTable, Measured, by_rows, cannot
from audit.declared import declared
from audit.model import Array, Pull, Series
from audit.signal.arrays import interval_of, median, quantile
from audit.signal.held import Held, held_above, spread
from audit.signal.robust import resolution

DECLARED = declared(__name__)
NAME, CODES = DECLARED.name, DECLARED.codes

LEAST_SPEED = 25.0  # km/h: below it the clutch is still being let in
SPAN_S = 0.2  # slip must last this long
LAGS_S = np.arange(0.0, 0.85, 0.1)  # how late a road speed may come where the lift does not tell
MOST_LAG_S = 1.2
STEPS = 3.0  # of a coarse road speed that are averaged
MOST_MEAN_S = 0.6  # but over no longer
UNEVEN = (0.05, 0.6)  # quantiles of slip: slip lasts less than the rest of a pull
GRIPS_BEFORE_S = 1.0  # before a pull, and this long after its lift, no torque is on the clutch
GRIPS_AFTER_S = (0.2, 0.9)
GRIPS_ALIKE = 0.03  # the same ratio at both ends, within what a lagging road speed bends
GRIPPED = 0.4  # of the greatest slip: below it at the end, the tyres have gripped again
FIRST_RATIO = 95.0  # rpm per km/h, or above it: a first gear (common practice, no published source)
FIRST_KMH = 40.0  # or below it where no ratio is known


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """wheelspin_pct or clutch_slip_pct, as it looks: the greatest slip held for 0.2 s, %."""
    few = cannot("too_short", "too few samples of engine and road speed in the pull")
    rpm = pull.believed("engine_speed", tail_s=1.5)
    speed = pull.believed("vehicle_speed", lead_s=1.0, tail_s=2.5)
    if len(rpm.within(pull.start_s, pull.end_s).t) < 5 or len(speed.t) < 4:
        return few
    slip = _slip(pull, rpm, speed, limits)
    if slip is None:
        what = f"the car moved at {LEAST_SPEED:.0f} km/h or more"
        return cannot("too_short", f"{what} for too short a part of the pull")
    held = held_above(slip.t, slip.value, SPAN_S)
    if held is None:
        return few
    spin = max(0.0, held.level)
    sheet = Measured({"wheelspin_pct": 0.0, "clutch_slip_pct": 0.0})
    measure, name, reason = _which(pull, slip, spin, limits.setting("wheelspin_surge_s"))
    gear = "" if pull.gear is None else f" in gear {pull.gear}"
    text = f"Engine speed runs up to {spin:.0f} % ahead of road speed{gear}: {name}"
    sheet.put(measure, spin, text, at=held, said=reason)
    return sheet.of("vehicle_speed")


judge = by_rows(CODES)


def _through_steps(speed: Series) -> Series:
    """A coarse road speed averaged over a few of its steps: a whole mile an hour is 2 % of slip."""
    step = resolution(speed.value)
    if len(speed.t) < 5 or step <= 0:
        return speed
    pace = float(np.ptp(speed.value)) / float(speed.t[-1] - speed.t[0])
    half = 0.5 * min(STEPS * step / max(pace, 1e-6), MOST_MEAN_S) + 1e-9
    here = np.arange(len(speed.t))
    low, high = np.searchsorted(speed.t, speed.t - half), np.searchsorted(speed.t, speed.t + half)
    reach = np.minimum(here - low, high - 1 - here)
    total = np.concatenate(([0.0], np.cumsum(speed.value)))
    return Series(speed.t, (total[here + reach + 1] - total[here - reach]) / (2 * reach + 1))


def _slip(pull: Pull, rpm: Series, speed: Series, limits: LimitTable) -> Series | None:
    """Slip in per cent over the pull.

    Of several lags that a road speed may have, the one at which the part of the pull without slip
    is the most even: a wrong one bends the ratio all along. The lag at the lift is an upper bound:
    a slipping clutch takes hold there, so that engine speed peaks before road speed does."""
    most = _lag_at_lift(pull, rpm, speed)
    lags = LAGS_S if most is None else np.append(LAGS_S[most > LAGS_S], most)
    around = pull.believed("engine_speed", lead_s=GRIPS_BEFORE_S, tail_s=GRIPS_AFTER_S[1])
    speed = _through_steps(speed)
    found: list[tuple[float, Series]] = []
    for lag in lags:
        slip = _slip_at(pull, _ratio(around, speed, float(lag)), limits)
        if slip is not None:
            low, high = (quantile(slip.value, share) for share in UNEVEN)
            found.append((high - low, slip))
    return min(found, key=lambda pair: pair[0])[1] if found else None


def _ratio(rpm: Series, speed: Series, lag_s: float) -> Series:
    """Engine speed over the road speed that comes lag_s later, rpm per km/h, in motion."""
    at = speed.at(rpm.t + lag_s, max_gap_s=1.5)
    good = at >= LEAST_SPEED
    return Series(rpm.t[good], rpm.value[good] / at[good])


def _slip_at(pull: Pull, around: Series, limits: LimitTable) -> Series | None:
    """Slip in the pull by the ratio in it and about it, %; what runs up into a lower gear after the
    throttle was opened, a kickdown, is left out."""
    ratio = around.within(pull.start_s, pull.end_s)
    before = around.within(pull.start_s - GRIPS_BEFORE_S, pull.start_s).value
    behind = around.within(pull.end_s + GRIPS_AFTER_S[0], pull.end_s + GRIPS_AFTER_S[1]).value
    kickdown = limits.setting("kickdown_ratio")
    if len(before) >= 2 and len(ratio.t) and median(ratio.value) > kickdown * median(before):
        ratio = ratio.within(pull.start_s + limits.setting("kickdown_s"), pull.end_s)
    if len(ratio.t) < 5:
        return None
    own = _own_ratio(pull, ratio.value, _gripping_ratio(pull, before, behind))
    return Series(ratio.t, 100.0 * (ratio.value / own - 1.0))


def _gripping_ratio(pull: Pull, before: Array, behind: Array) -> float:
    """The ratio without load, rpm per km/h: before the pull and just after its lift, where both
    agree; infinite where they differ, as after a shift, or samples are wanting.

    A clutch that slips through a whole pull takes hold off the throttle; a gear is the same in all
    three."""
    if pull.span.ended_by != "lift" or min(len(before), len(behind)) < 2:
        return np.inf
    sides = median(before), median(behind)
    return max(sides) if abs(sides[0] / sides[1] - 1.0) <= GRIPS_ALIKE else np.inf


def _own_ratio(pull: Pull, ratio: Array, grips: float) -> float:
    """The gear's ratio without slip, rpm per km/h: the car file's where the pull comes near it,
    else the pull's low end, or what it grips at without load where that is below: slip may go all
    through a short pull."""
    low = min(quantile(ratio, 0.15), grips)
    car, gear = pull.car, pull.gear
    if gear is None or not 1 <= gear <= len(car.rpm_per_kmh):
        return low
    by_file = car.rpm_per_kmh[gear - 1]
    # tyres differ a few per cent from their figure; a low end far above it is slip all through
    return low if abs(low / by_file - 1) < 0.05 else min(low, by_file)


def _lag_at_lift(pull: Pull, rpm: Series, speed: Series) -> float | None:
    """How much later road speed peaks than engine speed at the lift, s; None for no peaks."""
    if pull.span.ended_by != "lift":
        return None
    start, end = pull.end_s - 0.7, pull.end_s + 1.5
    engine, road = rpm.within(start, end), speed.within(start, end + 1.0)
    if len(engine.t) < 5 or len(road.t) < 5:
        return None
    if any(s.value[-1] > 0.98 * s.value.max() for s in (engine, road)):
        return None  # no peak: both went on climbing, or the log ends first
    peaks = [
        float(np.mean(s.t[s.value >= s.value.max() - tie]))
        for s, tie in ((engine, 5.0), (road, 0.05))
    ]
    return min(max(peaks[1] - peaks[0], 0.0), MOST_LAG_S)


def _which(pull: Pull, slip: Series, spin: float, surge_s: float) -> tuple[str, str, str]:
    """The measure of what slips, what it looks like, and why.

    Tyres let go in a surge as the torque arrives, and grip again, or spin through a first gear. A
    clutch slips where the torque peaks, for longer, and takes hold again as the torque falls, if at
    all."""
    lasts = _lasts(slip, 0.5 * spin)
    late = median(slip.value[slip.t >= slip.t[-1] - 0.2 * (slip.t[-1] - slip.t[0])])
    if lasts <= surge_s and late < GRIPPED * spin:
        why = "It surges and comes back while the throttle stays open, as tyres do when they grip"
        return "wheelspin_pct", "wheelspin", f"{why} again"
    if _lowest_gear(pull, slip, spin):
        why = "It is in the lowest gear, where either can be; the same pull in a tall gear tells"
        return "wheelspin_pct", "wheelspin or a slipping clutch", why
    follows = " and follows boost" if _follows_boost(pull, slip) else ""
    why = f"It lasts {lasts:.1f} s{follows}, where tyres that let go grip again or run away"
    return "clutch_slip_pct", "a slipping clutch, by the look of it", why


def _lasts(slip: Series, level: float) -> float:
    """How long slip stays at or above the level round its highest, s."""
    top = int(np.argmax(slip.value))
    here = Held(float(slip.value[top]), float(slip.t[top]), float(slip.t[top]))
    return spread(slip.t, slip.value, level, here).seconds + interval_of(slip.t)


def _lowest_gear(pull: Pull, slip: Series, spin: float) -> bool:
    """First gear by its number, else by its ratio, else by the road speed where slip began."""
    if pull.gear is not None:
        return pull.gear == 1
    if pull.span.gear_ratio is not None:
        return pull.span.gear_ratio >= FIRST_RATIO
    began = slip.t[int(np.argmax(slip.value >= 0.3 * spin))]
    speed = pull.believed("vehicle_speed", lead_s=1.0, tail_s=2.5)
    return float(np.interp(began, speed.t, speed.value)) < FIRST_KMH


def _follows_boost(pull: Pull, slip: Series) -> bool:
    """Does slip rise and fall with boost?"""
    boost = pull.believed("boost")
    if len(boost.t) < 6:
        return False
    at = np.interp(slip.t, boost.t, boost.value)
    moves = np.ptp(at) >= 10.0 and np.ptp(slip.value) >= 2.0
    return bool(moves and np.corrcoef(at, slip.value)[0, 1] > 0.8)
