"""What the same sheet says of valve and plumbing: direction, dead band, end stop, hysteresis,
spread.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from audit.archive.step.step import figures, said
from audit.model import Array
from audit.signal.arrays import median
from audit.signal.monotone import isotonic

FLAT_KPA = 2.5  # levels this close are the same
CLEAR_KPA = 5.0  # and this far apart are not
HYSTERESIS_KPA = 3.0
LEAST_STOP_PCT = 4.0  # an end stop is seen over this much duty
HYSTERESIS_PULLS = 2  # coming down, at duties met going up too


class Level(NamedTuple):
    """All pulls at about one duty. Duty %, boost kPa gauge; fitted: by the isotonic fit; low, high:
    of the pulls; spread: sd, None for one pull; peak: highest, None where unknown.
    """

    duty: float
    boost: float
    fitted: float
    low: float
    high: float
    pulls: int
    spread: float | None
    peak: float | None = None


class Slope(NamedTuple):
    """Boost on duty, kPa per %, with the ends of its 90 % interval, of the wider one by which a
    valve is called backwards, and of the widest, by which it is said to answer, or is backwards
    whatever somebody found by hand.
    """

    middle: float
    low: float
    high: float
    surely_over: float
    surely_under: float
    proof_under: float


class Valve(NamedTuple):
    """slope: boost on duty with its interval, None where one duty alone was tried; top: of the
    highest duty over all others, kPa, which shows what frees late.
    dead_band, end_stop: (lowest, likely, highest) duty where it ends or begins, None where not
    seen. hysteresis_kpa: boost at the same duty coming down minus going up, None where not tried.
    faults: 'reversed', 'no_response'; said: a sentence each.
    """

    levels: tuple[Level, ...] = ()
    slope: Slope | None = None
    top: Slope | None = None
    dead_band: tuple[float, float, float] | None = None
    end_stop: tuple[float, float, float] | None = None
    hysteresis_kpa: float | None = None
    faults: tuple[str, ...] = ()
    said: tuple[str, ...] = ()

    @property
    def fell_kpa(self) -> float | None:
        """By how much boost fell from the first duty to the second, the only ones so far; None
        where it did not fall by about as much as evenings differ.
        """
        fell = 0.0
        if self.slope is not None and len(self.levels) == 2:
            fell = self.slope.middle * (self.levels[0].duty - self.levels[1].duty)
        return fell if fell > figures("valve")["differ_kpa"] else None

    @property
    def responds(self) -> bool:
        """Either slope was seen to rise."""
        return any(s is not None and s.surely_over > 0.0 for s in (self.slope, self.top))

    @property
    def spread_kpa(self) -> float | None:
        """Pooled sd of the pulls about their duty's mean; None without two pulls at one."""
        several = [(v.pulls - 1, v.spread**2) for v in self.levels if v.spread is not None]
        freedom = sum(n for n, _ in several)
        return float(np.sqrt(sum(n * v for n, v in several) / freedom)) if freedom else None


def examine_valve(
    duty: Array,
    boost: Array,
    night: Array,
    *,
    peak: Array | None = None,
    tested: bool = False,
    direction: bool = False,
) -> Valve:
    """The valve of one gear from n pulls in their order.

    duty: %; boost: kPa gauge in the reference air; night: whole numbers, rising;
    peak: highest boost of each as it was read, NaN where unknown. tested: somebody tried the valve
    by hand and found it sound; direction: and that it moves the right way.
    """
    levels = levels_of(duty, boost, peak=peak)
    if len(levels) < 2:
        return Valve(levels)
    highest = duty > duty.max() - figures("step")["apart"]
    top = slope_of(highest.astype(float), boost, night) if len(levels) > 2 else None
    valve = Valve(levels, slope_of(duty, boost, night), top)
    fault = _fault(duty, night, highest, valve, tested=tested, direction=direction)
    if fault is not None:  # what has not answered shows no ends either
        return valve._replace(faults=fault[:1], said=fault[1:])
    gap = _hysteresis(duty, boost, night, levels)
    if gap is not None and abs(gap) > HYSTERESIS_KPA:
        side = "higher" if gap > 0 else "lower"
        valve = valve._replace(said=(said("valve", "hysteresis", gap=abs(gap), side=side),))
    valve = valve._replace(hysteresis_kpa=gap)
    if not valve.responds:
        return valve
    x, y = (np.array([getattr(level, name) for level in levels]) for name in ("duty", "fitted"))
    # the end stop is the dead band of the curve turned round
    turned = _flat_end(-x[::-1], -y[::-1])
    seen_stop = turned is not None and x[-1] + turned[0] >= LEAST_STOP_PCT
    stop = (-turned[2], -turned[1], -turned[0]) if turned is not None and seen_stop else None
    return valve._replace(dead_band=_flat_end(x, y), end_stop=stop)


def levels_of(duty: Array, boost: Array, *, peak: Array | None = None) -> tuple[Level, ...]:
    """Pulls put together by duty (closer than the table's step.apart to the first), with the
    isotonic fit over them.
    """
    order = np.argsort(duty, kind="stable")
    duty, boost = duty[order], boost[order]
    tops = np.full(len(duty), np.nan) if peak is None else peak[order]
    starts: list[int] = []
    for i, value in enumerate(duty):
        if not starts or value - duty[starts[-1]] >= figures("step")["apart"]:
            starts.append(i)
    groups = [slice(*ends) for ends in zip(starts, [*starts[1:], len(duty)], strict=True)]
    means = [float(boost[g].mean()) for g in groups]
    fitted = isotonic(means, [g.stop - g.start for g in groups])
    return tuple(
        Level(
            duty=float(duty[g].mean()),
            boost=mean,
            fitted=float(f),
            low=float(boost[g].min()),
            high=float(boost[g].max()),
            pulls=g.stop - g.start,
            spread=float(np.std(boost[g], ddof=1)) if g.stop - g.start > 1 else None,
            peak=max(tops[g][np.isfinite(tops[g])].tolist(), default=None),
        )
        for g, mean, f in zip(groups, means, fitted, strict=True)
    )


def slope_of(duty: Array, boost: Array, night: Array) -> Slope:
    """Boost on duty by generalised least squares, kPa per %.

    Pulls of one night share its spread, so a rise within a night counts for more than one from
    night to night. The spreads are the table's, scaled by how the pulls really lie about the line
    (its own prior worth PRIOR pulls). Source: generalised least squares, any textbook of
    regression.
    """
    setting = figures("valve")
    same = night[:, None] == night
    covariance = setting["night_sd"] ** 2 * same + setting["pull_sd"] ** 2 * np.eye(len(duty))
    design = np.column_stack([np.ones(len(duty)), duty - duty.mean()])
    solved = np.linalg.solve(covariance, np.column_stack([design, boost]))
    inverse = np.linalg.inv(design.T @ solved[:, :2])
    fit = inverse @ design.T @ solved[:, 2]
    left = boost - design @ fit
    prior = setting["prior_pulls"]
    chi2 = float(left @ np.linalg.solve(covariance, left))
    scale = (prior + chi2) / (prior + max(len(duty) - 2, 0))
    sd = float(np.sqrt(inverse[1, 1] * max(scale, 1.0)))
    wide, sure, proof = (setting[f"{name}_sds"] * sd for name in ("interval", "sure", "proof"))
    return Slope(*(float(fit[1] + off) for off in (0.0, -wide, wide, -proof, sure, proof)))


def _fault(
    duty: Array,
    night: Array,
    highest: npt.NDArray[np.bool_],
    valve: Valve,
    *,
    tested: bool,
    direction: bool,
) -> tuple[str, str] | None:
    """A valve that works the wrong way, from two duties on, unless each had one evening alone or it
    moves the right way by hand and the evenings may have made the fall; one that does nothing, from
    three duties and the table's duty on, unless it was tried by hand, or its highest duty rises.
    With few evenings so far a rise that is not sure waits for others; many that showed no sure rise
    are enough.
    """
    setting, slope, top = figures("valve"), valve.slope, valve.top
    reach, most = float(np.ptp(duty)), float(duty.max())
    if slope is None or reach < setting["least_reach"]:
        return None
    moved, ends = slope.middle * reach, {"reach": reach, "low": duty.min(), "high": most}
    at_top, every = set(night[highest]), set(night)
    alone = len(every) < setting["least_evenings"] and not at_top & set(night[~highest])
    right_way = direction and slope.proof_under >= 0.0
    if not (alone or right_way) and slope.surely_under < 0.0 and moved < -setting["reversed_kpa"]:
        return "reversed", said("valve", "reversed", fell=-moved, **ends)
    often = len(at_top) >= setting["evenings"]
    rises = valve.responds if often else top is not None and top.low > 0.0
    if tested or rises or most < setting["named_by"] or len(valve.levels) < 3:
        return None
    low_yet = most < setting["unproven"] + figures("step")["apart"]
    still = slope.high * reach < setting["moved_kpa"]
    unsure = slope.low <= 0.0 and (often or not low_yet or moved <= setting["differ_kpa"])
    if not (still or unsure or (often and low_yet)):
        return None
    key = "unsure" if slope.low > 0.0 and not still else "nothing"
    return "no_response", said("valve", key, moved=moved, **ends)


def _flat_end(duty: Array, fitted: Array) -> tuple[float, float, float] | None:
    """Last duty that still gives the lowest level, where the rise meets that level, and the first
    duty that does not give it; None where no two duties give it, or boost hardly rises at all.

    duty, fitted: a level each, both rising.
    """
    flat = int(np.sum(fitted - fitted[0] < FLAT_KPA))  # the first so many
    if len(duty) < 3 or fitted[-1] - fitted[0] < CLEAR_KPA or flat < 2:
        return None
    inside, outside = float(duty[flat - 1]), float(duty[flat])
    likely = inside
    if flat + 1 < len(duty):
        slope = (fitted[flat + 1] - fitted[flat]) / (duty[flat + 1] - outside)
        over = fitted[flat] - fitted[:flat].mean()
        likely = outside - over / slope if slope > 0.2 else inside
    return inside, float(np.clip(likely, inside, outside)), outside


def _hysteresis(duty: Array, boost: Array, night: Array, levels: tuple[Level, ...]) -> float | None:
    """Boost of pulls after a fall of duty minus that of pulls after a rise, within nights, over the
    duties met both ways.
    """
    apart = figures("step")["apart"]
    place = np.abs(duty[:, None] - np.array([level.duty for level in levels])).argmin(axis=1)
    same = np.diff(night) == 0
    gaps, counts = [], []
    for i in range(len(levels)):
        up, down = (
            boost[1:][(sign * np.diff(duty) >= apart) & same & (place[1:] == i)] for sign in (1, -1)
        )
        if len(up) and len(down):
            gaps.append(median(down) - median(up))
            counts.append(len(down))
    return float(np.average(gaps, weights=counts)) if sum(counts) >= HYSTERESIS_PULLS else None
