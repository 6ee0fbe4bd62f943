"""What the same sheet says of valve and plumbing: direction, dead band, end stop, hysteresis,
spread.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from audit.archive.step.step_table import figures
from audit.model import Array
from audit.signal.monotone import isotonic

FLAT_KPA = 2.5  # levels this close are the same
CLEAR_KPA = 5.0  # and this far apart are not
HYSTERESIS_KPA = 3.0
LEAST_STOP_PCT = 4.0  # an end stop is seen over this much duty
HYSTERESIS_PULLS = 2  # coming down, at duties met going up too


@dataclass(frozen=True)
class Level:
    """All pulls at about one duty. Duty %, boost kPa gauge; fitted: by the isotonic fit; low, high:
    of the pulls;
    spread: sd, None for one pull; peak: highest, None where unknown.
    """

    duty: float
    boost: float
    fitted: float
    low: float
    high: float
    pulls: int
    spread: float | None
    peak: float | None = None


@dataclass(frozen=True)
class Slope:
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


@dataclass(frozen=True)
class Valve:
    """dead_band, end_stop: (lowest, likely, highest) duty where it ends or begins, None where not
    seen.
    slope: boost on duty with its interval, None where one duty alone was tried; top: of the highest
    duty over all others, kPa, which shows what frees late; responds: either was seen to rise.
    hysteresis_kpa: boost at the same duty coming down minus going up, None where not tried.
    spread_kpa: pooled sd at the same duty, None without two pulls at one. faults: 'reversed',
    'no_response'; said: a sentence each.
    """

    levels: tuple[Level, ...]
    dead_band: tuple[float, float, float] | None
    end_stop: tuple[float, float, float] | None
    hysteresis_kpa: float | None
    spread_kpa: float | None
    faults: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    slope: Slope | None = None
    top: Slope | None = None

    @property
    def fell_kpa(self) -> float | None:
        """By how much boost fell from the first duty to the second, the only ones so far; None
        where it did not fall by about as much as evenings differ.
        """
        if self.slope is None or len(self.levels) != 2:
            return None
        fell = -self.slope.middle * (self.levels[-1].duty - self.levels[0].duty)
        return fell if fell > figures("valve")["differ_kpa"] else None

    @property
    def responds(self) -> bool:
        return any(s is not None and s.surely_over > 0.0 for s in (self.slope, self.top))


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
    if len(duty) == 0:
        return Valve((), None, None, None, None)
    levels = levels_of(duty, boost, peak=peak)
    slope = slope_of(duty, boost, night) if len(levels) > 1 else None
    highest = duty > duty.max() - figures("step")["apart"]
    top = slope_of(highest.astype(float), boost, night) if len(levels) > 2 else None
    faults: tuple[str, ...] = ()
    said: tuple[str, ...] = ()
    if slope is not None:
        apart = not set(night[highest]) & set(night[~highest])
        alone = apart and len(set(night)) < int(figures("valve")["least_evenings"])
        seen = Valve(levels, None, None, None, None, slope=slope, top=top)
        often = len(set(night[highest])) >= int(figures("valve")["evenings"])
        rises = seen.responds if often else top is not None and top.low > 0.0
        low_yet = duty.max() < figures("valve")["unproven"] + figures("step")["apart"]
        faults, said = _faults(
            duty,
            slope,
            levels=len(levels),
            alone=alone,
            excused=tested or rises,
            right_way=direction and slope.proof_under >= 0.0,
            doubted=not often and low_yet,
            unproven=often and low_yet,
        )
    hysteresis = None if faults else _hysteresis(duty, boost, night, levels)
    if hysteresis is not None and abs(hysteresis) > HYSTERESIS_KPA:
        side = "higher" if hysteresis > 0 else "lower"
        text = (
            f"At the same duty boost settles {abs(hysteresis):.1f} kPa {side} coming down than "
            "going up"
        )
        said += (f"{text}: a gate or valve that hangs, or heat.",)
    valve = Valve(levels, None, None, hysteresis, _spread(levels), faults, said, slope, top)
    if faults or not valve.responds:  # what has not answered shows neither end
        return valve
    x, y = (np.array([getattr(level, name) for level in levels]) for name in ("duty", "fitted"))
    # the end stop is the dead band of the curve turned round
    turned = _flat_end(-x[::-1], -y[::-1])
    seen_stop = turned is not None and x[-1] + turned[0] >= LEAST_STOP_PCT
    stop = (-turned[2], -turned[1], -turned[0]) if turned is not None and seen_stop else None
    return replace(valve, dead_band=_flat_end(x, y), end_stop=stop)


def levels_of(duty: Array, boost: Array, *, peak: Array | None = None) -> tuple[Level, ...]:
    """Pulls put together by duty (closer than the table's step.apart), with the isotonic fit over
    them.
    """
    order = np.argsort(duty, kind="stable")
    d, b = duty[order], boost[order]
    tops = np.full(len(d), np.nan) if peak is None else peak[order]
    groups = _groups(d, figures("step")["apart"]) if len(d) else []
    means = [float(b[g].mean()) for g in groups]
    fitted = isotonic(means, [len(b[g]) for g in groups])
    return tuple(
        Level(
            duty=float(d[g].mean()),
            boost=mean,
            fitted=float(f),
            low=float(b[g].min()),
            high=float(b[g].max()),
            pulls=len(b[g]),
            spread=float(np.std(b[g], ddof=1)) if len(b[g]) > 1 else None,
            peak=_highest(tops[g]),
        )
        for g, mean, f in zip(groups, means, fitted, strict=True)
    )


def _highest(values: Array) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max()) if len(known) else None


def _groups(duty: Array, apart: float) -> list[slice]:
    """Runs of sorted duties that lie within `apart` of their first."""
    starts = [0]
    for i, value in enumerate(duty):
        if value - duty[starts[-1]] >= apart:
            starts.append(i)
    return [slice(a, b) for a, b in zip(starts, [*starts[1:], len(duty)], strict=True)]


def _spread(levels: tuple[Level, ...]) -> float | None:
    """Pooled sd of the pulls about their duty's mean."""
    several = [(level.pulls - 1, level.spread**2) for level in levels if level.spread is not None]
    freedom = sum(n for n, _ in several)
    return float(np.sqrt(sum(n * v for n, v in several) / freedom)) if freedom else None


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
    level, slope = inverse @ design.T @ solved[:, 2]
    left = boost - design @ np.array([level, slope])
    prior = setting["prior_pulls"]
    chi2 = float(left @ np.linalg.solve(covariance, left))
    scale = (prior + chi2) / (prior + max(len(duty) - 2, 0))
    sd = float(np.sqrt(inverse[1, 1] * max(scale, 1.0)))
    wide, sure, proof = (setting[f"{name}_sds"] * sd for name in ("interval", "sure", "proof"))
    return Slope(*(float(slope + off) for off in (0.0, -wide, wide, -proof, sure, proof)))


def _faults(
    duty: Array,
    slope: Slope,
    *,
    levels: int,
    alone: bool,
    excused: bool,
    right_way: bool,
    doubted: bool,
    unproven: bool,
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """A valve that works the wrong way, from two duties on, unless each had one evening alone or it
    moves the right way by hand and the evenings may have made the fall; one that does nothing, from
    three duties and the table's duty on, unless it is excused: tried by hand, or its highest duty
    rises. doubted: few evenings so far, so that a rise that is not sure waits for others; unproven:
    many, which showed no sure rise.
    """
    setting = figures("valve")
    reach = float(np.ptp(duty))
    if reach < setting["least_reach"]:
        return (), ()
    lead = f"You added {reach:.0f} % duty ({duty.min():.0f} to {duty.max():.0f} %)"
    moved = slope.middle * reach
    if not (alone or right_way) and slope.surely_under < 0.0 and moved < -setting["reversed_kpa"]:
        said = (
            f"{lead} and boost fell by {-moved:.1f} kPa: the valve works backwards. Look at the "
            "solenoid's ports and its rest position."
        )
        return ("reversed",), (said,)
    late = float(duty.max()) >= setting["named_by"] and levels >= 3
    nothing = slope.high * reach < setting["moved_kpa"] or unproven
    nothing = nothing or (slope.low <= 0.0 and not (doubted and moved > setting["differ_kpa"]))
    if late and nothing and not excused:
        said = (
            f"{lead} and boost did not follow: it moved by {moved:.1f} kPa, as evenings differ. "
            "The solenoid or its lines do not work on the wastegate."
        )
        if slope.low > 0.0 and slope.high * reach >= setting["moved_kpa"]:
            said = (
                f"{lead} and boost rose by {moved:.1f} kPa, not surely more than evenings differ. "
                "The solenoid or its lines do not work on the wastegate, or it begins late."
            )
        return ("no_response",), (said,)
    return (), ()


def _flat_end(duty: Array, fitted: Array) -> tuple[float, float, float] | None:
    """Last duty that still gives the lowest level, where the rise meets that level, and the first
    duty that does not give it; None where no two duties give it, or boost hardly rises at all.

    duty, fitted: a level each, both rising.
    """
    if len(duty) < 3 or fitted[-1] - fitted[0] < CLEAR_KPA:
        return None
    flat = int(np.sum(fitted - fitted[0] < FLAT_KPA))  # the first so many
    if flat < 2:
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
    up = np.concatenate([[False], (np.diff(duty) >= apart) & same])
    down = np.concatenate([[False], (np.diff(duty) <= -apart) & same])
    gaps = [
        (
            float(np.median(boost[down & (place == i)]) - np.median(boost[up & (place == i)])),
            int((down & (place == i)).sum()),
        )
        for i in range(len(levels))
        if (up & (place == i)).any() and (down & (place == i)).any()
    ]
    if sum(count for _, count in gaps) < HYSTERESIS_PULLS:
        return None
    return float(np.average([gap for gap, _ in gaps], weights=[count for _, count in gaps]))
