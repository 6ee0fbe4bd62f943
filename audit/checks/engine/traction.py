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
from audit.signal.arrays import interval_of, median
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
UNEVEN = (5.0, 60.0)  # percentiles of slip: slip lasts less than the rest of a pull
GRIPS_BEFORE_S = 1.0  # before a pull, and this long after its lift, no torque is on the clutch
GRIPS_AFTER_S = (0.2, 0.9)
GRIPS_ALIKE = 0.03  # the same ratio at both ends, within what a lagging road speed bends
# Common practice, no published source:
OTHER_GEAR = 1.25  # times the ratio before the pull: a kickdown, no clutch slips so far
SHIFT_S = 0.7  # which an automatic gearbox takes for it, the engine running up meanwhile
SURGE_S = 1.0  # wheels that let go grip again within this, or spin to the end
GRIPPED = 0.4  # of the greatest slip: below it at the end, the tyres have gripped again
FIRST_RATIO = 95.0  # rpm per km/h, or above it: a first gear
FIRST_KMH = 40.0  # or below it where no ratio is known


def measure(pull: Pull, limits: LimitTable) -> Measured:
    """wheelspin_pct or clutch_slip_pct, as it looks: the greatest slip held for 0.2 s, % of the
    gear's own ratio.
    """
    del limits
    rpm, speed = (
        pull.believed("engine_speed", tail_s=1.5),
        pull.believed("vehicle_speed", lead_s=1.0, tail_s=2.5),
    )
    inside = rpm.within(pull.start_s, pull.end_s)
    if len(inside.t) < 5 or len(speed.t) < 4:
        return cannot("too_short", "too few samples of engine and road speed in the pull")
    slip = _slip(pull, rpm, speed)
    if slip is None:
        return cannot(
            "too_short",
            f"the car moved at {LEAST_SPEED:.0f} km/h or more for too short a part of the pull",
        )
    held = held_above(slip.t, slip.value, SPAN_S)
    if held is None:
        return cannot("too_short", "too few samples of engine and road speed in the pull")
    spin = max(0.0, held.level)
    sheet = Measured({"wheelspin_pct": 0.0, "clutch_slip_pct": 0.0})
    clutch, name, reason = _which(pull, slip, spin)
    sheet.put(
        "clutch_slip_pct" if clutch else "wheelspin_pct",
        spin,
        f"Engine speed runs up to {spin:.0f} % ahead of road speed{_in_gear(pull)}: {name}",
        at=held,
        said=reason,
    )
    return sheet.of("vehicle_speed")


judge = by_rows(CODES)


def _through_steps(speed: Series) -> Series:
    """A coarse road speed averaged over a few of its steps: one whole mile an hour is two per cent
    of slip.
    """
    step = resolution(speed.value)
    if len(speed.t) < 5 or step <= 0:
        return speed
    pace = float(np.ptp(speed.value)) / float(speed.t[-1] - speed.t[0])
    width = min(STEPS * step / max(pace, 1e-6), MOST_MEAN_S)
    low = np.searchsorted(speed.t, speed.t - 0.5 * width - 1e-9)
    high = np.searchsorted(speed.t, speed.t + 0.5 * width + 1e-9)
    reach = np.minimum(np.arange(len(speed.t)) - low, high - 1 - np.arange(len(speed.t)))
    low, high = np.arange(len(speed.t)) - reach, np.arange(len(speed.t)) + reach + 1
    total = np.concatenate(([0.0], np.cumsum(speed.value)))
    return Series(speed.t, (total[high] - total[low]) / (high - low))


def _in_gear(pull: Pull) -> str:
    return "" if pull.gear is None else f" in gear {pull.gear}"


def _slip(pull: Pull, rpm: Series, speed: Series) -> Series | None:
    """Slip in per cent over the pull.

    Of several lags that a road speed may have, the one at which the part of the pull without slip
    is the most even: a wrong one bends the ratio all along. The lag at the lift is an upper bound:
    a slipping clutch takes hold there, so that engine speed peaks before road speed does.
    """
    most = _lag_at_lift(pull, rpm, speed)
    lags = LAGS_S if most is None else np.append(LAGS_S[most > LAGS_S], most)
    around = pull.believed("engine_speed", lead_s=GRIPS_BEFORE_S, tail_s=GRIPS_AFTER_S[1])
    speed = _through_steps(speed)
    found: list[tuple[float, Series]] = []
    for lag in lags:
        grips = _gripping_ratio(pull, around, speed, float(lag))
        slip = _slip_at(pull, around, speed, float(lag), grips)
        if slip is not None:
            low, high = np.percentile(slip.value, UNEVEN)
            found.append((float(high - low), slip))
    return min(found, key=lambda pair: pair[0])[1] if found else None


def _gripping_ratio(pull: Pull, rpm: Series, speed: Series, lag_s: float) -> float | None:
    """The ratio without load, rpm per km/h: before the pull and just after the lift, where both
    agree.

    A clutch that slips through a whole pull takes hold off the throttle; a gear is the same in all
    three. None where the pull did not end by a lift, samples are wanting, or the two differ, as
    after a shift.
    """
    if pull.span.ended_by != "lift":
        return None
    before = _ratio(rpm.within(pull.start_s - GRIPS_BEFORE_S, pull.start_s), speed, lag_s).value
    after = (pull.end_s + GRIPS_AFTER_S[0], pull.end_s + GRIPS_AFTER_S[1])
    behind = _ratio(rpm.within(*after), speed, lag_s).value
    if min(len(before), len(behind)) < 2:
        return None
    sides = median(before), median(behind)
    return max(sides) if abs(sides[0] / sides[1] - 1.0) <= GRIPS_ALIKE else None


def _ratio(rpm: Series, speed: Series, lag_s: float) -> Series:
    """Engine speed over the road speed that comes lag_s later, rpm per km/h, in motion."""
    at = speed.at(rpm.t + lag_s, max_gap_s=1.5)
    good = at >= LEAST_SPEED
    return Series(rpm.t[good], rpm.value[good] / at[good])


def _slip_at(
    pull: Pull, rpm: Series, speed: Series, lag_s: float, grips: float | None
) -> Series | None:
    ratio = _ratio(rpm.within(pull.start_s, pull.end_s), speed, lag_s)
    before = _ratio(rpm.within(pull.start_s - GRIPS_BEFORE_S, pull.start_s), speed, lag_s).value
    if len(before) >= 2 and len(ratio.t) and median(ratio.value) > OTHER_GEAR * median(before):
        ratio = ratio.within(pull.start_s + SHIFT_S, pull.end_s)
    if len(ratio.t) < 5:
        return None
    return Series(ratio.t, 100.0 * (ratio.value / _own_ratio(pull, ratio.value, grips) - 1.0))


def _own_ratio(pull: Pull, ratio: Array, grips: float | None) -> float:
    """The gear's ratio without slip, rpm per km/h: the car file's where the pull comes near it,
    else the pull's low end, or what it grips at without load where that is below: slip may go all
    through a short pull.
    """
    low = float(np.percentile(ratio, 15))
    if grips is not None:
        low = min(low, grips)
    car, gear = pull.car, pull.gear
    if gear is None or not 1 <= gear <= len(car.rpm_per_kmh):
        return low
    by_file = car.rpm_per_kmh[gear - 1]
    # tyres differ a few per cent from their figure; a low end far above it is slip all through the
    # pull
    return low if abs(low / by_file - 1) < 0.05 else min(low, by_file)


def _lag_at_lift(pull: Pull, rpm: Series, speed: Series) -> float | None:
    """How much later road speed peaks than engine speed at the lift, s; None where there is none to
    see.
    """
    if pull.span.ended_by != "lift":
        return None
    around = (pull.end_s - 0.7, pull.end_s + 1.5)
    engine, road = rpm.within(*around), speed.within(around[0], around[1] + 1.0)
    if len(engine.t) < 5 or len(road.t) < 5:
        return None
    if any(s.value[-1] > 0.98 * s.value.max() for s in (engine, road)):
        return None  # no peak: both went on climbing, or the log ends first
    peaks = [
        float(np.mean(s.t[s.value >= s.value.max() - tie]))
        for s, tie in ((engine, 5.0), (road, 0.05))
    ]
    lag = peaks[1] - peaks[0]
    return min(lag, MOST_LAG_S) if lag > 0 else 0.0


def _which(pull: Pull, slip: Series, spin: float) -> tuple[bool, str, str]:
    """Whether it is the clutch, what it looks like, and why.

    Tyres let go in a surge as the torque arrives, and grip again, or spin through a first gear. A
    clutch slips where the torque peaks, for longer, and takes hold again as the torque falls, if at
    all.
    """
    lasts = _lasts(slip, 0.5 * spin)
    if lasts <= SURGE_S and _late(slip) < GRIPPED * spin:
        return (
            False,
            "wheelspin",
            (
                "It surges and comes back while the throttle stays open, as tyres do when they "
                "grip again"
            ),
        )
    if _lowest_gear(pull, slip, spin):
        return (
            False,
            "wheelspin or a slipping clutch",
            "It is in the lowest gear, where either can be; the same pull in a tall gear tells",
        )
    follows = " and follows boost" if _follows_boost(pull, slip) else ""
    return (
        True,
        "a slipping clutch, by the look of it",
        f"It lasts {lasts:.1f} s{follows}, where tyres that let go grip again or run away",
    )


def _late(slip: Series) -> float:
    """Slip in the last fifth of the pull, %."""
    return median(slip.value[slip.t >= slip.t[-1] - 0.2 * (slip.t[-1] - slip.t[0])])


def _lasts(slip: Series, level: float) -> float:
    """How long slip stays at or above the level round its highest, s."""
    top = int(np.argmax(slip.value))
    here = Held(float(slip.value[top]), float(slip.t[top]), float(slip.t[top]))
    whole = spread(slip.t, slip.value, level, here)
    return whole.end_s - whole.start_s + interval_of(slip.t)


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
    if np.ptp(at) < 10.0 or np.ptp(slip.value) < 2.0:
        return False
    return bool(np.corrcoef(at, slip.value)[0, 1] > 0.8)
