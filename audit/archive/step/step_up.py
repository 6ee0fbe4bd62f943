"""The next duty to try in one gear, what it should give, and which bound binds; or why there is
none.

Each candidate, half a percent at a time above the highest duty of the last clear night, is held
against every bound. The last one that passes all of them is advised; the bound that the next one
breaks is the one that binds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from audit.archive.step.curve import Curve
from audit.archive.step.projected import Line
from audit.archive.step.step import Air, Bounds, Overshoot, Step
from audit.archive.step.step_table import figures

ROUNDING_PCT = 0.05  # logged duty is rounded
OR_TESTED = 'or try the solenoid by hand, and note "solenoid tested" where it works.'


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
    tolerance = figures("step")["on_target"]
    if here > bounds.target_kpa + tolerance:
        return _down(sheet, here)
    over = sheet.broken(base, moving=False)
    if over in ("limit", "sensor"):
        return sheet.stay(over, _why(sheet, over, base) + " already at this duty: do not go up.")
    if here >= bounds.target_kpa - tolerance:
        return _there(sheet, here)
    if over is not None:
        return _held(sheet, over, _why(sheet, over, base) + " already at this duty: do not go up.")
    return _up(sheet)


def _there(sheet: _Sheet, here: float) -> Step:
    """On target; where that is not sure yet, another evening has to say so too."""
    setting = figures("step")
    step = sheet.stay(
        "target",
        f"Stay at {sheet.base:.1f} % duty: boost settles at {here:.1f} kPa gauge, which is the "
        f"target of {sheet.bounds.target_kpa:.1f} kPa as near as pulls repeat.",
    )
    level = sheet.curve.drawn(sheet.base, relative=sheet.air.relative, pull=False)
    sure = float(np.mean(np.abs(level - sheet.bounds.target_kpa) <= setting["within"]))
    return step if sure >= setting["there"] else sheet.once_more(step)


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
        low, high = self.known()
        return replace(
            step,
            log_next=f"Log two more pulls at {self.base:.1f} % duty on "
            "another evening: the level is "
            "only known to lie "
            f"between {low:.1f} kPa and {high:.1f} kPa.",
        )

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

    def made(self, action: str, duty: float, binds: str, sentence: str) -> Step:
        low, expected, high = self.curve.interval(duty, relative=self.air.relative)
        return Step(
            action,
            self.curve.gear,
            sentence,
            binds,
            self.base,
            duty,
            expected,
            low,
            high,
            self.peak(duty),
            self.bounds.limit_kpa,
            self.bounds.target_kpa,
            self.target_duty(),
        )

    def target_duty(self) -> tuple[float | None, float | None, float | None]:
        return self.curve.duty_for(self.bounds.target_kpa, relative=self.air.relative)

    def stay(self, binds: str, sentence: str) -> Step:
        return self.made("stay", self.base, binds, sentence)


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
        return _held(
            sheet,
            binds,
            (
                f"Stay at {sheet.base:.1f} % duty: {_lower(_why(sheet, binds, first))} with any "
                "step up."
            ),
        )
    low, expected, high = sheet.curve.interval(best, relative=sheet.air.relative)
    lead = (
        f"Try {best:.1f} % duty next: boost should settle at {expected:.1f} kPa gauge, between "
        f"{low:.1f} kPa and {high:.1f} kPa nine times in ten. "
    )
    return sheet.made("up", best, binds, lead + _binding(sheet, binds, best))


def _held(sheet: _Sheet, binds: str, sentence: str) -> Step:
    """Staying where a measure binds; heat is the weather's too, so a cooler evening may lift it."""
    step = sheet.stay(binds, sentence)
    if binds == "limit" and 0.5 * (sheet.known()[1] - sheet.known()[0]) > figures("step")["known"]:
        return sheet.once_more(step)
    if binds == "unproven":
        return replace(
            step,
            log_next=f"Log two more pulls at {sheet.base:.1f} % duty on another evening; "
            + OR_TESTED,
        )
    if binds == "intake_peak_c":
        return replace(
            step,
            log_next=(
                f"Log two pulls at {sheet.base:.1f} % duty on a cooler evening, with longer "
                "cool-downs."
            ),
        )
    return step


def _binding(sheet: _Sheet, binds: str, duty: float) -> str:
    bounds = sheet.bounds
    if binds == "step":
        if duty > sheet.base + bounds.step_pct + ROUNDING_PCT:
            if bounds.unproven_pct is None:
                return (
                    "A larger step than usual, because even the upper end is no more than "
                    f"{bounds.step_kpa:g} kPa up; no further at once."
                )
            return (
                "A larger step than usual, because boost hardly moves with duty here; no further "
                "at once."
            )
        return f"One step is at most {bounds.step_pct:g} % duty."
    if binds == "unproven":
        return (
            f"No further than {bounds.unproven_pct:g} % before boost has followed duty: by then a "
            "valve that does not work shows."
        )
    if binds == "boost_step":
        return f"One step is at most {bounds.step_kpa:g} kPa of boost."
    if binds == "target":
        return f"More would not stay under the target of {bounds.target_kpa:.1f} kPa."
    return f"More is held back: {_lower(_why(sheet, binds, duty + figures('step')['least']))}."


def _lower(text: str) -> str:
    return text[0].lower() + text[1:]


def _why(sheet: _Sheet, binds: str, duty: float) -> str:
    """What breaks a bound at a duty, without a full stop."""
    bounds = sheet.bounds
    if binds == "limit":
        source = bounds.assumed or "the car's limit"
        return (
            f"A peak of {sheet.peak(duty):.1f} kPa gauge, the upper end with overshoot and colder "
            f"air counted, would pass {source} of {bounds.limit_kpa:.1f} kPa"
        )
    if binds == "sensor":
        return (
            f"A peak of {sheet.peak(duty) + sheet.air.barometric_kpa:.1f} kPa absolute would come "
            f"too close to the manifold sensor's top of {bounds.sensor_top_kpa:.1f} kPa"
        )
    if binds == "end_stop":
        return f"The solenoid's end stop of {bounds.duty_max_pct:g} % duty is reached"
    if binds == "target":
        return f"The smallest step would not stay under the target of {bounds.target_kpa:.1f} kPa"
    if binds == "boost_step":
        return f"The smallest step would bring more than {bounds.step_kpa:g} kPa"
    if binds == "unproven":
        return (
            f"Boost was not seen to follow duty yet, and {bounds.unproven_pct:g} % is the most "
            "without that"
        )
    if binds == "step":
        return "No smaller step is left"
    high = sheet.curve.interval(duty, relative=sheet.air.relative)[2]
    line = next(one for one in sheet.lines if one.row.measure == binds)
    return (
        f"{line.row.label[0].upper()}{line.row.label[1:]} could come to "
        f"{_said(line.worst(high), line.row.unit)}, its limit being "
        f"{_said(line.limit(high), line.row.unit)}"
    )


def _said(value: float, unit: str) -> str:
    return f"{value:.2f}" if unit == "1" else f"{value:.1f} {unit}"


def _down(sheet: _Sheet, here: float) -> Step:
    """Back to the duty that should settle at the target."""
    duty = sheet.target_duty()[1]
    least = figures("step")["least"]
    lower = 0.0 if duty is None else float(np.floor(min(duty, sheet.base - least) / least) * least)
    low, expected, high = sheet.curve.interval(lower, relative=sheet.air.relative)
    if expected > sheet.bounds.target_kpa + figures("step")["on_target"] and lower <= 0.5:
        return sheet.made(
            "stay",
            sheet.base,
            "target",
            f"Boost settles at {here:.1f} kPa gauge, over the target of "
            f"{sheet.bounds.target_kpa:.1f} kPa, and the spring alone gives more than that: no "
            "duty reaches it.",
        )
    return sheet.made(
        "down",
        lower,
        "target",
        f"Go back to {lower:.1f} % duty: boost settles at {here:.1f} kPa gauge, over the target "
        f"of {sheet.bounds.target_kpa:.1f} kPa; there it should be {expected:.1f} kPa, between "
        f"{low:.1f} kPa and {high:.1f} kPa nine times in ten.",
    )
