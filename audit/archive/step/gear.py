"""One gear as its pulls show it: valve, curve, overshoot, grip, and the bounds of its next step."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from audit.archive.step.evidence import Evidence, arrays, of_last_night, was_tested
from audit.archive.step.projected import Line, lines_of
from audit.archive.step.step import Bounds, Overshoot, Step, bounds_of, figures, worded
from audit.archive.step.valve import Valve
from audit.night.decision import SET_WITHIN, as_set
from audit.tables import limits_for

if TYPE_CHECKING:
    import polars as pl

    from audit.archive.step.curve import Curve

BASE_RUN_PCT = 0.5  # logged duty of a base run: none, as it is rounded
# of the gear's highest boost: overshoot low down is a large share of little
OVERSHOOT_SHARE_FROM = 0.6


@dataclass(frozen=True, eq=False)
class Gear:
    """gear: 0 for unknown; target: boost wanted in it, kPa gauge, None for none; rows: its pulls
    that count.
    """

    gear: int
    found: Evidence
    target: float | None

    @cached_property
    def rows(self) -> pl.DataFrame:
        return self.found.of_gear(self.gear)

    @property
    def pulls(self) -> int:
        return self.rows.height

    @property
    def valve(self) -> Valve:
        return self.found.valves.get(self.gear, Valve())

    @property
    def curve(self) -> Curve:
        """Raises ValueError without a pull in any gear."""
        return self.found.curves[self.gear]

    @property
    def wanted(self) -> tuple[float, float | None, float | None, float | None, str] | None:
        """(target, duty low, median, high, how it is known: 'logged', 'beyond the data' or 'guessed
        from other gears'); None without a target.
        """
        if self.target is None:
            return None
        low, middle, high = self.curve.duty_for(self.target, relative=self.found.air.relative)
        data, how = self.curve.data, "beyond the data"
        if not data:
            how = "guessed from other gears"
        elif middle is not None and data[0] - 1.0 <= middle <= data[1] + 1.0:
            how = "logged"
        return self.target, low, middle, high, how

    @property
    def traction(self) -> dict[str, float | None]:
        """Highest boost peak without wheelspin, lowest with it, kPa gauge; None where not seen."""
        watch = limits_for(self.found.car).row("traction.wheelspin", "wheelspin_pct").watch
        watch = math.inf if watch is None else watch
        every = self.found.every.filter(self.found.every["gear"] == self.gear)
        spun, peak = arrays(every, "wheelspin_pct", "boost_peak_kpa")
        held, slipped = (
            peak[np.isfinite(peak) & s].tolist() for s in (spun < watch, spun >= watch)
        )
        return {"hooked_up_kpa": max(held, default=None), "slipped_kpa": min(slipped, default=None)}

    @cached_property
    def overshoot(self) -> Overshoot:
        """The worst peak over the settled level."""
        setting, kpa = figures("step"), ("overshoot", "peak", "settled")
        logged, peak, settled = arrays(self.rows, *(f"boost_{name}_kpa" for name in kpa))
        over = np.fmax(logged, peak - settled)
        seen = np.isfinite(over)
        over, settled = over[seen], settled[seen]
        if not len(over):
            return Overshoot(
                setting["overshoot_unseen"], 0.0, setting["overshoot_spread"], seen=False
            )
        top = float(settled.max())
        high = settled >= min(OVERSHOOT_SHARE_FROM * top, top)
        share = float(np.max(over[high] / np.maximum(settled[high], 10.0)))
        spread = float(np.std(over[high], ddof=1)) if high.sum() > 1 else 0.0
        worst, spread = float(over.max()), max(spread, setting["overshoot_spread"])
        return Overshoot(max(worst, 0.0), max(share, 0.0), spread, seen=True)

    @cached_property
    def last_clear(self) -> float | None:
        """Highest duty of the newest clear night with pulls in this gear, %, None for none; a base
        run after others is a look at the spring, from which no step is counted.
        """
        clear = self.rows.filter(self.rows["verdict"] == "clear")
        above = clear.filter(clear["duty_mean_pct"] > BASE_RUN_PCT)
        last = of_last_night(clear if above.is_empty() else above)
        return None if last.is_empty() else as_set(max(last["duty_mean_pct"]))

    @property
    def base(self) -> float:
        """That duty, from which a step is counted."""
        return self.last_clear or 0.0

    @cached_property
    def bounds(self) -> Bounds:
        """Of the next step. Raises ValueError without a target."""
        if self.target is None:
            raise ValueError("a step is bound by a target")
        bounds, unproven = bounds_of(self.found.car, self.target), figures("valve")["unproven"]
        duty = self.rows["duty_mean_pct"]
        top = max(duty, default=0.0)
        followed = any(valve.responds for valve in self.found.valves.values())
        if not followed and not was_tested(self.found.journal) and top <= unproven:
            bounds = bounds._replace(unproven_pct=unproven)
        known = followed or bounds.unproven_pct is not None
        # up to the duty of a night that was not clear only in usual steps
        held = duty.filter(self.rows["verdict"] != "clear") > self.base + SET_WITHIN
        if known and not bounds.assumed and not held.any():
            driven = 0.0 if self.last_clear is None else top - self.base  # and clear: no new ground
            bounds = bounds._replace(large_pct=max(figures("step")["large_duty"], driven))
        return bounds

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """What is carried on to the boost of the next step."""
        return lines_of(self.rows, self.found.car, self.found.journal)

    def evenings(self, duty: float) -> int:
        """On how many nights pulls were made at about a duty, %."""
        near = (self.rows["duty_mean_pct"] - duty).abs() < figures("step")["apart"]
        return int(self.rows.filter(near)["night_id"].n_unique())


def ends(gear: Gear, duty: float, *, pull: bool = True) -> tuple[float, float, float]:
    """Boost at a duty in last night's air, of the next pull or of the curve itself: (low, median,
    high), 90 %, kPa gauge.
    """
    return gear.curve.interval(duty, relative=gear.found.air.relative, pull=pull)


def expects(gear: Gear, duty: float) -> dict[str, Any]:
    """A duty with the boost of the next pull there."""
    return dict(zip(("duty", "low", "expected", "high"), (duty, *ends(gear, duty)), strict=True))


def made(gear: Gear, key: str, duty: float, binds: str = "", *, say: Any, **known: Any) -> Step:
    """As worded, of a gear with a curve: a step from its base duty, with what is expected of it."""
    bounds = {"limit": gear.bounds.limit_kpa, "target": gear.bounds.target_kpa}
    told = {"from_duty": gear.base, **bounds, **expects(gear, duty), **known}
    return worded(key, gear.gear, binds, say=say, **told)
