"""The next duty to try in one gear, what it should give, and which bound binds; or why there is
none.

Each candidate, half a percent at a time above the highest duty of the last clear night, is held
against every bound. The last one that passes all of them is advised; the bound that the next one
breaks is the one that binds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from audit.archive.step.curve import Curve
from audit.archive.step.projected import Line
from audit.archive.step.step import Air, Bounds, Overshoot, Step, worded
from audit.archive.step.step_table import figures, words

ROUNDING_PCT = 0.05  # logged duty is rounded


def next_step(
    curve: Curve,
    base: float,
    *,
    bounds: Bounds,
    overshoot: Overshoot,
    lines: Sequence[Line],
    air: Air,
    evenings: int = 1,
) -> Step:
    """The step up from duty `base` (%, the highest of the last clear night) in the curve's gear.
    evenings: so far at that duty.
    """
    sheet = _Sheet(curve, base, bounds, overshoot, lines, air, evenings)
    here = sheet.middle(base)
    # a level that was told to be there is left only when it surely is elsewhere, not by one evening
    tolerance = figures("step")["on_target" if evenings < 2 else "off_target"]
    if here > bounds.target_kpa + tolerance:
        return _down(sheet, here)
    over = sheet.broken(base, moving=False)
    held = (
        None if over is None else sheet.made("held", "stay", base, over, why=sheet.why(over, base))
    )
    if held is not None and over in ("limit", "sensor"):
        return held
    if here >= bounds.target_kpa - tolerance:
        return _there(sheet, here)
    return _up(sheet) if held is None else _held(sheet, held)


def _there(sheet: _Sheet, here: float) -> Step:
    """On target; where that is not sure yet, another evening has to say so too."""
    setting = figures("step")
    step = sheet.made("there", "stay", sheet.base, "target", here=here)
    level = sheet.curve.drawn(sheet.base, relative=sheet.air.relative, pull=False)
    sure = float(np.mean(np.abs(level - sheet.bounds.target_kpa) <= setting["within"]))
    again = step if sure >= setting["there"] else sheet.once_more(step)
    if again.log_next:
        return again
    return replace(step, sentence=f"{step.sentence} {sheet.says('mend', 'reached')}")


@dataclass(frozen=True)
class _Sheet:
    curve: Curve
    base: float
    bounds: Bounds
    overshoot: Overshoot
    lines: Sequence[Line]
    air: Air
    evenings: int

    def once_more(self, step: Step) -> Step:
        """The step with another evening asked for, unless there were many at this duty."""
        if self.evenings >= int(figures("step")["evenings"]):
            return step
        return replace(step, log_next=self.says("mend", "another_evening"))

    def known(self) -> tuple[float, float]:
        """Where the level lies nine times in ten, of the curve itself, kPa gauge."""
        low, _, high = self.curve.interval(self.base, relative=self.air.relative, pull=False)
        return low, high

    def largest(self) -> float:
        """The most duty of one step, %, of which `broken` allows what goes over the usual step."""
        return self.bounds.large_pct or self.bounds.step_pct

    def middle(self, duty: float) -> float:
        return self.curve.interval(duty, relative=self.air.relative)[1]

    def peak(self, duty: float) -> float:
        """Settled boost with the sure upper end in colder air, and overshoot on it."""
        setting = figures("step")
        denser = self.air.relative * (1.0 + setting["colder_air"] / 100.0)
        settled = self.curve.upper(duty, sure=setting["sure"], relative=denser)
        return settled + self.overshoot.allowance(settled)

    def broken(self, duty: float, *, moving: bool = True) -> str | None:
        """The first bound that a duty breaks, None for none."""
        peak, bounds = self.peak(duty), self.bounds
        if peak > bounds.limit_kpa:
            return "limit"
        if (
            bounds.sensor_top_kpa is not None
            and peak + self.air.barometric_kpa
            > bounds.sensor_top_kpa - figures("step")["sensor_margin"]
        ):
            return "sensor"
        high = self.curve.interval(duty, relative=self.air.relative)[2]
        for line in self.lines:
            if line.past(high):
                return line.row.measure
        if not moving:
            return None
        if duty > bounds.duty_max_pct:
            return "end_stop"
        if bounds.unproven_pct is not None and duty > bounds.unproven_pct:
            return "unproven"
        expected = self.middle(duty)
        if expected > bounds.target_kpa - figures("step")["aim_under"]:
            return "target"
        here = self.middle(self.base)
        if expected - here > bounds.step_kpa:
            return "boost_step"
        if duty <= self.base + bounds.step_pct + ROUNDING_PCT:
            return None
        if bounds.unproven_pct is not None:
            held = expected - here > figures("step")["dead_band_boost"]
        else:
            held = high - here > bounds.step_kpa
        return "step" if held else None

    def made(self, key: str, action: str, duty: float, binds: str, **say: Any) -> Step:
        """A step by a row of the table of words, with what is expected of its duty."""
        low, expected, high = self.curve.interval(duty, relative=self.air.relative)
        return worded(
            key,
            action,
            self.curve.gear,
            binds,
            say={"base": self.base, **say},
            from_duty=self.base,
            duty=duty,
            expected=expected,
            low=low,
            high=high,
            peak=self.peak(duty),
            limit=self.bounds.limit_kpa,
            target=self.bounds.target_kpa,
            target_duty=self.target_duty(),
        )

    def says(self, group: str, key: str, duty: float | None = None, **say: Any) -> str:
        """A sentence of the table of words, of a duty, else of the one that is counted from."""
        bounds, peak = self.bounds, self.peak(self.base if duty is None else duty)
        known_low, known_high = self.known()
        return str(words(group)[key]).format(
            base=self.base,
            peak=peak,
            absolute=peak + self.air.barometric_kpa,
            source=bounds.assumed or "the car's limit",
            limit=bounds.limit_kpa,
            sensor_top=bounds.sensor_top_kpa,
            duty_max=bounds.duty_max_pct,
            target=bounds.target_kpa,
            step_kpa=bounds.step_kpa,
            step_pct=bounds.step_pct,
            unproven=bounds.unproven_pct,
            known_low=known_low,
            known_high=known_high,
            **say,
        )

    def why(self, binds: str, duty: float) -> str:
        """What breaks a bound at a duty, without a full stop."""
        if binds in words("why"):
            return self.says("why", binds, duty)
        high = self.curve.interval(duty, relative=self.air.relative)[2]
        line = next(one for one in self.lines if one.row.measure == binds)
        label, unit = line.row.label, line.row.unit
        worst, limit = (
            f"{value:.2f}" if unit == "1" else f"{value:.1f} {unit}"
            for value in (line.worst(high), line.limit(high))
        )
        label = label[0].upper() + label[1:]
        return self.says("why", "line", label=label, worst=worst, line_limit=limit)

    def target_duty(self) -> tuple[float | None, float | None, float | None]:
        return self.curve.duty_for(self.bounds.target_kpa, relative=self.air.relative)


def _candidates(base: float, step: float) -> list[float]:
    least = figures("step")["least"]
    first = np.floor((base + ROUNDING_PCT) / least) * least + least
    last = np.floor((base + step + ROUNDING_PCT) / least) * least
    return [float(d) for d in np.arange(first, last + least / 2, least)]


def _up(sheet: _Sheet) -> Step:
    best: float | None = None
    binds = "step"
    for duty in _candidates(sheet.base, sheet.largest()):
        broken = sheet.broken(duty)
        if broken is not None:
            binds = broken
            break
        best = duty
    if best is None:
        first = next(iter(_candidates(sheet.base, sheet.bounds.step_pct)), sheet.base)
        why = _lower(sheet.why(binds, first))
        return _held(sheet, sheet.made("no_room", "stay", sheet.base, binds, why=why))
    return sheet.made("up", "up", best, binds, why=_binding(sheet, binds, best))


def _held(sheet: _Sheet, step: Step) -> Step:
    """Staying where a measure binds; heat is the weather's too, so a cooler evening may lift it."""
    low, high = sheet.known()
    if step.binds == "limit" and 0.5 * (high - low) > figures("step")["known"]:
        return sheet.once_more(step)
    if step.binds in ("unproven", "intake_peak_c"):
        return replace(step, log_next=sheet.says("mend", step.binds))
    return step


def _binding(sheet: _Sheet, binds: str, duty: float) -> str:
    bounds = sheet.bounds
    if binds == "step" and duty > sheet.base + bounds.step_pct + ROUNDING_PCT:
        binds = "large" if bounds.unproven_pct is None else "large_unproven"
    if binds in words("binding"):
        return sheet.says("binding", binds)
    why = sheet.why(binds, duty + figures("step")["least"])
    return sheet.says("binding", "other", why=_lower(why))


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _down(sheet: _Sheet, here: float) -> Step:
    """Back to the duty that should settle at the target."""
    duty = sheet.target_duty()[1]
    least = figures("step")["least"]
    lower = 0.0 if duty is None else float(np.floor(min(duty, sheet.base - least) / least) * least)
    over = sheet.middle(lower) - sheet.bounds.target_kpa
    if over > figures("step")["on_target"] and lower <= 0.5:
        return sheet.made("below_spring", "stay", sheet.base, "target", here=here)
    return sheet.made("down", "down", lower, "target", here=here)
